"""A poured pad curing on a sole: conduction through horn, pad and cover, with the heat of the reaction.

Strang splitting: half a step of reaction (explicit midpoint), a step of conduction, half a step of reaction;
the halves on either side of a moment are one step, and the moment lies inside it (linear between its ends).
Conduction is SDIRK2; what is not linear at the faces is carried by the explicit half of the same scheme:
ARS(2,2,2) of U. M. Ascher, S. J. Ruuth and R. J. Spiteri, Applied Numerical Mathematics 25 (1997) 151. Second
order as the step goes to 0; at 5 to 40 s the splitting leaves 1.8 to 1.3. The joint node starts at the
heat-capacity-weighted mean of horn and material, which conserves energy; the contact temperature would be
first order only.

The exposed rim is a second column that loses heat through its edge and takes heat from the centre column;
its two lengths were fitted to a two-dimensional solution (tests compare them).

Arrays are laid out (nodes, members); times are seconds after the pour.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from hoofsense.physics.cure_kinetics import Kinetics, RateLaw, plateau_degree, reduced_time
from hoofsense.physics.heat_conduction import (
    SDIRK2_GAMMA,
    Layer,
    TridiagonalSolver,
    two_layer_column,
)
from hoofsense.physics.poured_pad import Ambient, Fill, radiation_W_per_m2_K

FloatArray = npt.NDArray[np.float64]

# Lengths of the rim column, fitted to the two-dimensional solution of 17 pours from -10 to 35 degC: its
# firm and load times then lie within 3 % (0.9 % root mean square).
RIM_WIDTH_m = 0.0052
RIM_REACH_m = 0.021

# Ascher, Ruuth and Spiteri 1997, scheme (2,2,2), in shares of the diagonal weight: how far the second stage's
# base lies beyond the first stage, and what of the explicit terms the second stage takes of either stage.
_BEYOND = (1.0 - SDIRK2_GAMMA) / SDIRK2_GAMMA
_EXPLICIT_DELTA = 1.0 - 1.0 / (2.0 * SDIRK2_GAMMA)
_FIRST_SHARE = (_EXPLICIT_DELTA - (1.0 - SDIRK2_GAMMA)) / SDIRK2_GAMMA
_LATER_SHARE = (1.0 - _EXPLICIT_DELTA) / SDIRK2_GAMMA
_STOP_CHECK_EVERY = 8  # steps between looks at whether every member has reached the stopping degree
_GUESSED_WARMING_K = 8.0  # of the face above the mean of material and air; only sets the implicit split


@dataclass(frozen=True, slots=True, eq=False)
class CureCourse:
    """How the cure went: (S, M) arrays at the S times in time_s, and what was left standing at the end.

    lowest_degree, highest_degree  over the nodes of the centre column's pad
    rim_degree                     lowest degree over the rim column's pad; lowest_degree itself without a rim
    hottest_K, hottest_bond_K      shape (M,), highest in the centre column, and on its bond line
    surface_last_K, bond_last_K    shape (M,), at the last time
    last_K, rim_last_K             shape (M,), temperature of the least cured node at the last time
    """

    time_s: FloatArray
    surface_K: FloatArray
    bond_K: FloatArray
    surface_degree: FloatArray
    bond_degree: FloatArray
    lowest_degree: FloatArray
    highest_degree: FloatArray
    rim_degree: FloatArray
    hottest_K: FloatArray
    hottest_bond_K: FloatArray
    surface_last_K: FloatArray
    bond_last_K: FloatArray
    last_K: FloatArray
    rim_last_K: FloatArray


class _Walker:
    """The state of one run and one step of it; rows are nodes, columns members, then their rims if asked."""

    def __init__(self, fill: Fill, ambient: Ambient, pad_cells: int, horn_cells: int, rim: bool) -> None:
        self.copies = 2 if rim else 1
        self.members = fill.members

        def wide(values: FloatArray) -> FloatArray:
            return np.concatenate([values, values]) if rim else values

        self.ambient = ambient
        self._steady: tuple[FloatArray, FloatArray, FloatArray] | None = None
        if ambient.time_s.size == 1:
            self._steady = self._around(0.0)
        pad = Layer(
            wide(fill.pad_thickness_m),
            wide(fill.pad_conductivity_W_per_m_K),
            wide(fill.pad_capacity_J_per_m3_K),
        )
        horn = Layer(
            wide(fill.horn_thickness_m),
            wide(fill.horn_conductivity_W_per_m_K),
            wide(fill.horn_capacity_J_per_m3_K),
        )
        self.column = two_layer_column(horn, horn_cells, pad, pad_cells)
        self.joint = self.column.joint
        kinetics = fill.kinetics
        if rim:
            kinetics = Kinetics(*(wide(getattr(kinetics, f.name)) for f in fields(kinetics)))
        self.law = RateLaw(kinetics)
        self.cover = wide(fill.cover_m2_K_per_W)
        self.emissivity = wide(fill.emissivity_ratio)
        self.tissue_gain = wide(fill.tissue_W_per_m2_K * fill.tissue_K)
        self.tissue_loss = wide(fill.tissue_W_per_m2_K)
        self.inverse_capacity = 1.0 / self.column.capacity_J_per_m2_K

        width_m = pad.thickness_m / pad_cells
        heat = np.zeros((pad_cells + 1, width_m.size))
        heat[:-1] += 0.5 * wide(fill.heat_J_per_m3) * width_m
        heat[1:] += 0.5 * wide(fill.heat_J_per_m3) * width_m
        self.heat_J_per_m2 = heat
        self.rise_K = heat * self.inverse_capacity[self.joint :]

        self.temperature = self._start(fill, horn_cells, pad_cells)
        self.degree = np.zeros((pad_cells + 1, width_m.size))
        self.pad = slice(self.joint, None)

        air, radiant, film = self._around(0.0)
        # The implicit half needs one film coefficient for all time: the largest there will be.
        film = np.maximum(film, self._wide_row(np.max(ambient.film_W_per_m2_K, axis=0)))
        guess = 0.5 * (wide(fill.material_K) + air) + _GUESSED_WARMING_K
        open_film = film + radiation_W_per_m2_K(guess, radiant, self.emissivity)
        self.frozen = open_film / (1.0 + open_film * self.cover)
        self.extra = np.zeros_like(self.temperature)
        self.extra[0] += self.tissue_loss
        self.extra[-1] += self.frozen
        self.edge: tuple[FloatArray, FloatArray] | None = None
        if rim:
            area, lateral = self._edge(pad, pad_cells, horn, horn_cells)
            self.extra[:, self.members :] += lateral + area * self.frozen[self.members :]
            self.edge = (area, lateral)
        self._conductions: dict[float, _Conduction] = {}
        self._base = np.empty_like(self.temperature)
        self.gained, self.risen = np.empty_like(self.degree), np.empty_like(self.degree)
        self._half_degree, self._half_K = np.empty_like(self.degree), np.empty_like(self.degree)
        self._pad_K = self.temperature[self.pad]

    def _around(self, time_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        if self._steady is not None:
            return self._steady
        air, radiant, film = self.ambient.at(time_s)
        return self._wide_row(air), self._wide_row(radiant), self._wide_row(film)

    def _wide_row(self, values: FloatArray) -> FloatArray:
        full = np.broadcast_to(values, (self.members,))
        return np.concatenate([full, full]) if self.copies == 2 else full

    def _start(self, fill: Fill, horn_cells: int, pad_cells: int) -> FloatArray:
        """Horn linear between tissue and sole, pad at the material's temperature, joint node weighted."""
        depth = fill.horn_thickness_m / fill.horn_conductivity_W_per_m_K
        flux = (fill.tissue_K - fill.sole_K) * fill.tissue_W_per_m2_K / (1.0 + fill.tissue_W_per_m2_K * depth)
        position = np.linspace(0.0, 1.0, horn_cells + 1)[:, None]
        temperature = np.empty((horn_cells + pad_cells + 1, fill.members))
        temperature[: horn_cells + 1] = fill.sole_K + flux * depth * (1.0 - position)
        temperature[horn_cells + 1 :] = fill.material_K
        pad_part = fill.pad_capacity_J_per_m3_K * fill.pad_thickness_m / pad_cells
        horn_part = fill.horn_capacity_J_per_m3_K * fill.horn_thickness_m / horn_cells
        mean = (pad_part * fill.material_K + horn_part * fill.sole_K) / (pad_part + horn_part)
        temperature[horn_cells] = mean
        return np.concatenate([temperature] * self.copies, axis=1)

    def _edge(
        self, pad: Layer, pad_cells: int, horn: Layer, horn_cells: int
    ) -> tuple[FloatArray, FloatArray]:
        """Edge area per plan area, and lateral conductance to the centre, of each node of the rim column."""
        rims = slice(self.members, None)
        extent = np.zeros_like(self.temperature[:, rims])
        along = np.zeros_like(extent)
        for layer, first, cells in ((horn, 0, horn_cells), (pad, horn_cells, pad_cells)):
            half = 0.5 * layer.thickness_m[rims] / cells
            for nodes in (slice(first, first + cells), slice(first + 1, first + cells + 1)):
                extent[nodes] += half
                along[nodes] += half * layer.conductivity_W_per_m_K[rims]
        return extent / RIM_WIDTH_m, along / (RIM_WIDTH_m * RIM_REACH_m)

    def _forcing(self, time_s: float, temperature: FloatArray) -> tuple[FloatArray, FloatArray | None]:
        """What the implicit half leaves out besides the tissue's heat, W/m2: at the face, at the edge."""
        air, radiant, film = self._around(time_s)
        face = temperature[-1]
        radiative = radiation_W_per_m2_K(face, radiant, self.emissivity)
        through = 1.0 / (1.0 + (film + radiative) * self.cover)
        convective = film * through
        radiative *= through
        supplied = convective * air + radiative * radiant
        left = self.frozen - convective
        left -= radiative
        at_face = left * face
        at_face += supplied
        if self.edge is None:
            return at_face, None
        area, lateral = self.edge
        m = self.members
        edge = left[m:] * temperature[:, m:]
        edge += supplied[m:]
        edge *= area
        edge += lateral * temperature[:, :m]
        return at_face, edge

    def react(self, step_s: float) -> None:
        """Explicit midpoint; what it added stays in gained and risen."""
        temperature, degree, gained = self._pad_K, self.degree, self.gained
        self.law.rate_per_s(degree, temperature, gained)
        gained *= 0.5 * step_s
        np.add(degree, gained, self._half_degree)
        np.multiply(gained, self.rise_K, self._half_K)
        self._half_K += temperature
        self.law.rate_per_s(self._half_degree, self._half_K, gained)
        gained *= step_s
        np.minimum(gained, np.subtract(1.0, degree, self._half_degree), out=gained)
        degree += gained
        np.multiply(gained, self.rise_K, self.risen)
        temperature += self.risen

    def conduct(self, time_s: float, step_s: float) -> None:
        """SDIRK2 with its explicit half. (C + g h K)^-1 (-K u) is written with (C + g h K)^-1 C u, which
        spares the product with K."""
        step = self._conductions.get(step_s)
        if step is None:
            step = self._conductions[step_s] = _Conduction(self, step_s)
        start, base = self.temperature, self._base
        held, m = step.solver.held, self.members
        face, edge = self._forcing(time_s, start)
        np.multiply(step.capacity, start, held)
        held[0] += step.tissue
        held[-1] += step.share[-1] * face
        if edge is not None:
            held[:, m:] += step.share[:, m:] * edge
        middle = step.solver.solve_held()
        later_face, later_edge = self._forcing(time_s + SDIRK2_GAMMA * step_s, middle)
        np.subtract(middle, start, base)
        base *= _BEYOND
        base += start
        np.multiply(step.capacity, base, held)
        held[0] += step.tissue
        face *= _FIRST_SHARE
        later_face *= _LATER_SHARE
        face += later_face
        held[-1] += step.share[-1] * face
        if edge is not None and later_edge is not None:
            edge *= _FIRST_SHARE
            later_edge *= _LATER_SHARE
            edge += later_edge
            held[:, m:] += step.share[:, m:] * edge
        start[...] = step.solver.solve_held()

    def step(self, time_s: float, step_s: float) -> None:
        self.react(0.5 * step_s)
        self.conduct(time_s, step_s)
        self.react(0.5 * step_s)


class _Conduction:
    """What a step of conduction needs, worked out once for its length; rows scaled for the solver."""

    __slots__ = ("capacity", "share", "solver", "tissue")

    def __init__(self, walker: _Walker, step_s: float) -> None:
        weight_s = SDIRK2_GAMMA * step_s
        self.solver = TridiagonalSolver(walker.column, weight_s, walker.extra)
        self.capacity = walker.column.capacity_J_per_m2_K * self.solver.inverse
        self.share = weight_s * self.solver.inverse
        self.tissue = self.share[0] * walker.tissue_gain


def cure_course(
    fill: Fill,
    ambient: Ambient,
    time_s: FloatArray,
    *,
    pad_cells: int = 8,
    horn_cells: int = 8,
    rim: bool = False,
    stop_degree: float = 1.0,
) -> CureCourse:
    """The cure of every member at the given times.

    time_s                 shape (S,), starts at 0 and rises; every interval is one step of the solver
    pad_cells, horn_cells  12 and 8 with 5 s steps: firm time within 1 s; 8 and 8 with 10 s: within 3 s
    rim                    whether to compute the exposed rim as well
    stop_degree            the course ends early once every node of every member is past it
    raises                 ValueError for times that do not start at 0 and rise
    """
    if time_s.ndim != 1 or time_s.size < 2 or time_s[0] != 0.0 or np.any(np.diff(time_s) <= 0.0):
        raise ValueError("the times of a cure must start at 0 and rise: give at least one step")
    walker = _Walker(fill, ambient, pad_cells, horn_cells, rim)
    m, joint, steps = fill.members, walker.joint, np.diff(time_s)
    shape = (time_s.size, m)
    surface_K, bond_K = np.empty(shape), np.empty(shape)
    surface, bond, lowest, highest = (np.zeros(shape) for _ in range(4))
    rim_lowest = np.zeros(shape) if rim else lowest
    hottest = np.max(walker.temperature[joint:, :m], axis=0)
    hottest_bond = walker.temperature[joint, :m].copy()
    surface_K[0], bond_K[0] = walker.temperature[-1, :m], walker.temperature[joint, :m]
    last = time_s.size - 1
    now_K, now = np.empty_like(walker.degree), np.empty_like(walker.degree)
    middle_K, middle, rims = now_K[:, :m], now[:, :m], now[:, m:]
    walker.react(0.5 * float(steps[0]))
    for i, step_s in enumerate(steps.tolist(), start=1):
        walker.conduct(float(time_s[i - 1]), step_s)
        following_s = float(steps[i]) if i < last else 0.0
        walker.react(0.5 * (step_s + following_s))
        # Of the reaction just done, this share belongs to the time after this moment.
        ahead = following_s / (step_s + following_s)
        np.multiply(walker.gained, -ahead, now)
        now += walker.degree
        np.multiply(walker.risen, -ahead, now_K)
        now_K += walker.temperature[joint:]
        surface_K[i], bond_K[i] = middle_K[-1], middle_K[0]
        surface[i], bond[i] = middle[-1], middle[0]
        np.minimum.reduce(middle, axis=0, out=lowest[i])
        np.maximum.reduce(middle, axis=0, out=highest[i])
        np.maximum(hottest, np.maximum.reduce(middle_K, axis=0), out=hottest)
        np.maximum(hottest_bond, middle_K[0], out=hottest_bond)
        if rim:
            np.minimum.reduce(rims, axis=0, out=rim_lowest[i])
        if i % _STOP_CHECK_EVERY == 0 and min(lowest[i].min(), rim_lowest[i].min()) > stop_degree:
            last = i
            break
    kept = slice(0, last + 1)
    rim_K, rim_degree = (now_K[:, m:], rims) if rim else (middle_K, middle)
    column = np.arange(m)
    return CureCourse(
        time_s[kept],
        surface_K[kept],
        bond_K[kept],
        surface[kept],
        bond[kept],
        lowest[kept],
        highest[kept],
        rim_lowest[kept],
        hottest,
        hottest_bond,
        middle_K[-1].copy(),
        middle_K[0].copy(),
        middle_K[np.argmin(middle, axis=0), column],
        rim_K[np.argmin(rim_degree, axis=0), column],
    )


def reached_s(
    time_s: FloatArray,
    degree: FloatArray,
    threshold: float,
    kinetics: Kinetics,
    last_K: FloatArray,
    longest_s: float,
) -> FloatArray:
    """When each member first reached a degree of cure, shape (M,), s.

    time_s, degree  shape (S,), (S, M) as in a CureCourse
    last_K          shape (M,), temperature at the last time, at which the rest of the way is extrapolated for
                    a member that has not arrived: exact when that temperature lasts
    longest_s       nothing is extrapolated beyond this; it is also the time of a member whose plateau at its
                    last temperature lies below the threshold
    """
    s, members = degree.shape
    hit = degree >= threshold
    arrived = hit[-1] if s else np.zeros(members, dtype=bool)
    out = np.full(members, float(longest_s))
    columns = np.nonzero(arrived)[0]
    if columns.size:
        right = np.maximum(np.argmax(hit[:, columns], axis=0), 1)
        out[columns] = _inverse_interpolated(time_s, degree[:, columns], threshold, right)
    late = np.nonzero(~arrived)[0]
    if late.size:
        law = RateLaw(kinetics)
        probe = np.full((1, members), float(threshold))
        now = np.minimum(degree[-1], threshold)
        slope = law.rate_per_s(probe, last_K[None, :])[0]
        shape_part = (kinetics.b + threshold**kinetics.m) * (1.0 - threshold) ** kinetics.n
        rate = slope / shape_part  # k at the last temperature, with the arrest at the threshold itself
        left = reduced_time(now, threshold, kinetics.b, kinetics.m, kinetics.n)
        with np.errstate(divide="ignore"):
            total = time_s[-1] + left / rate
        stalled = plateau_degree(last_K, kinetics) < threshold
        out[late] = np.where(stalled, longest_s, np.minimum(total, longest_s))[late]
    return np.asarray(np.minimum(out, longest_s))


def _inverse_interpolated(
    time_s: FloatArray, degree: FloatArray, threshold: float, right: npt.NDArray[np.intp]
) -> FloatArray:
    """Time at the threshold by cubic inverse interpolation, linear where four points do not rise."""
    members = np.arange(degree.shape[1])
    first = np.clip(right - 2, 0, max(time_s.size - 4, 0))
    count = min(4, time_s.size)
    index = first[None, :] + np.arange(count)[:, None]
    y, t = degree[index, members[None, :]], time_s[index]
    y0, y1 = degree[right - 1, members], degree[right, members]
    t0, t1 = time_s[right - 1], time_s[right]
    linear = t0 + (t1 - t0) * (threshold - y0) / np.maximum(y1 - y0, _TINY)
    value = np.zeros_like(linear)
    with np.errstate(divide="ignore", invalid="ignore"):
        for a in range(count):
            weight = np.ones_like(linear)
            for c in range(count):
                if c != a:
                    weight *= (threshold - y[c]) / (y[a] - y[c])
            value += weight * t[a]
    good = np.all(np.diff(y, axis=0) > 0.0, axis=0) & (value >= t0) & (value <= t1)
    return np.asarray(np.where(good, value, linear))


_TINY = 1e-300  # keeps a flat step from dividing by 0; its linear value is then its left end
