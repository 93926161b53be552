"""Conduction of heat through layers in one dimension, for many members at once; and closed forms to check it.

Vertex-centred finite volumes: nodes lie on the outer faces and on the joint of the layers, each carries half
of the cells beside it, so flux in equals flux out and energy is conserved to rounding. Time steps are SDIRK2
(R. Alexander, SIAM Journal on Numerical Analysis 14 (1977) 1006: second order, L-stable). The tridiagonal
systems are solved by elimination from both ends to the middle, vectorised across members.

Arrays are laid out (nodes, members).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import erfc, erfcx

FloatArray = npt.NDArray[np.float64]

SDIRK2_GAMMA = 1.0 - 1.0 / np.sqrt(2.0)  # Alexander 1977: the root that makes the scheme L-stable


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """A layered column between two faces, for M members.

    conductance_W_per_m2_K   shape (N-1, M), between neighbouring nodes
    capacity_J_per_m2_K      shape (N, M), of each node
    joint                    index of the node on the joint of the two layers
    """

    conductance_W_per_m2_K: FloatArray
    capacity_J_per_m2_K: FloatArray
    joint: int

    @property
    def nodes(self) -> int:
        return int(self.capacity_J_per_m2_K.shape[0])

    @property
    def members(self) -> int:
        return int(self.capacity_J_per_m2_K.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One layer of M members; every field of shape (M,), all above 0."""

    thickness_m: FloatArray
    conductivity_W_per_m_K: FloatArray
    capacity_J_per_m3_K: FloatArray


def two_layer_column(lower: Layer, lower_cells: int, upper: Layer, upper_cells: int) -> Column:
    """Nodes 0 (outer face of lower) to lower_cells (the joint) to the outer face of upper.

    raises  ValueError for a layer without thickness, conductivity or capacity, or without cells
    """
    if lower_cells < 1 or upper_cells < 1:
        raise ValueError(f"a layer needs at least one cell, got {lower_cells} and {upper_cells}")
    for layer in (lower, upper):
        for values in (layer.thickness_m, layer.conductivity_W_per_m_K, layer.capacity_J_per_m3_K):
            if not np.all(values > 0.0):
                raise ValueError("thickness, conductivity and heat capacity of a layer must be above 0")
    members = lower.thickness_m.shape[0]
    nodes = lower_cells + upper_cells + 1
    conductance = np.empty((nodes - 1, members))
    capacity = np.zeros((nodes, members))
    for layer, first, cells in ((lower, 0, lower_cells), (upper, lower_cells, upper_cells)):
        width_m = layer.thickness_m / cells
        conductance[first : first + cells] = layer.conductivity_W_per_m_K / width_m
        half = 0.5 * layer.capacity_J_per_m3_K * width_m
        capacity[first : first + cells] += half
        capacity[first + 1 : first + cells + 1] += half
    return Column(conductance, capacity, lower_cells)


class TridiagonalSolver:
    """Solves (C + weight * K) x = r for one column, weight and set of boundary terms, factorised once.

    K is the conduction matrix; extra_W_per_m2_K, shape (N, M), adds to its diagonal whatever the nodes give
    to their surroundings (faces, edge). Elimination runs from both ends to the middle, a node of either end
    in one operation: half as many operations as from one end alone.

    inverse  shape (N, M), what a right side is multiplied by before it is solved
    held     shape (N, M), where solve_held finds such a scaled right side and leaves the solution
    """

    __slots__ = ("_steps", "held", "inverse")

    def __init__(self, column: Column, weight_s: float, extra_W_per_m2_K: FloatArray) -> None:
        conductance = column.conductance_W_per_m2_K
        nodes, middle = column.nodes, column.nodes // 2
        diagonal = column.capacity_J_per_m2_K + weight_s * extra_W_per_m2_K
        diagonal[:-1] += weight_s * conductance
        diagonal[1:] += weight_s * conductance
        off = -weight_s * conductance
        for i in range(1, middle + 1):
            diagonal[i] -= off[i - 1] ** 2 / diagonal[i - 1]
        for i in range(nodes - 2, middle - 1, -1):
            diagonal[i] -= off[i] ** 2 / diagonal[i + 1]
        self.inverse = 1.0 / diagonal
        self.held = np.empty_like(diagonal)
        before, after = off * self.inverse[1:], off * self.inverse[:-1]

        # Every step subtracts factor * source from target. With an even number of nodes one more of the
        # first half (the node before the middle) stands alone.
        held, spare = self.held, np.empty((2, diagonal.shape[1]))
        pairs = nodes - 1 - middle
        ends = [held[p : nodes - p : nodes - 1 - 2 * p] for p in range(pairs)]
        inward = [
            (np.stack([before[p - 1], after[nodes - 1 - p]]), ends[p - 1], ends[p], spare)
            for p in range(1, pairs)
        ]
        to_middle = [
            (before[middle - 1], held[middle - 1], held[middle], spare[0]),
            (after[middle], held[middle + 1], held[middle], spare[0]),
        ]
        beside = held[middle : middle + 1]
        back = []
        if nodes % 2 == 0:
            lone = middle - 1
            to_middle.insert(0, (before[lone - 1], held[lone - 1], held[lone], spare[0]))
            back.append((after[lone], held[middle], held[lone], spare[0]))
            beside = held[lone : middle + 1]
        for p in range(pairs - 1, -1, -1):
            factor = np.stack([after[p], before[nodes - 2 - p]])
            back.append((factor, beside, ends[p], spare))
            beside = ends[p]
        self._steps = (*inward, *to_middle, *back)

    def solve(self, right: FloatArray) -> FloatArray:
        """The solution for a right side of shape (N, M), which is overwritten with it and returned."""
        np.multiply(right, self.inverse, out=self.held)
        right[...] = self.solve_held()
        return right

    def solve_held(self) -> FloatArray:
        """The solution, in held, of the scaled right side that stood there."""
        multiply, subtract = np.multiply, np.subtract
        for factor, source, target, spare in self._steps:
            multiply(factor, source, spare)
            subtract(target, spare, target)
        return self.held


def conducted_W_per_m2(column: Column, temperature_K: FloatArray) -> FloatArray:
    """Net heat flowing into each node from its neighbours, shape (N, M); the sum over nodes is 0."""
    flux = column.conductance_W_per_m2_K * (temperature_K[1:] - temperature_K[:-1])
    net = np.zeros_like(temperature_K)
    net[:-1] = flux
    net[1:] -= flux
    return net


def contact_K(first_K: float, first_effusivity: float, second_K: float, second_effusivity: float) -> float:
    """Temperature of the contact of two half-spaces; effusivity is sqrt(k rho c), J/(m2 K s^0.5), above 0.

    source  H. S. Carslaw and J. C. Jaeger, Conduction of Heat in Solids, 1959, section 2.14 (from memory)
    """
    if not (first_effusivity > 0.0 and second_effusivity > 0.0):
        raise ValueError("an effusivity must be above 0")
    return (first_effusivity * first_K + second_effusivity * second_K) / (
        first_effusivity + second_effusivity
    )


def half_space_K(
    depth_m: npt.ArrayLike, at_s: float, start_K: float, face_K: float, diffusivity: float
) -> FloatArray:
    """Half-space at start_K whose face is held at face_K from time 0; diffusivity in m2/s, at_s above 0.

    source  Carslaw and Jaeger 1959, section 2.5 (from memory): T = face + (start - face) erf(x / 2 sqrt(a t))
    """
    argument = np.asarray(depth_m, dtype=np.float64) / (2.0 * np.sqrt(diffusivity * at_s))
    return np.asarray(start_K + (face_K - start_K) * erfc(argument))


def half_space_convection_K(
    depth_m: npt.ArrayLike,
    at_s: float,
    start_K: float,
    ambient_K: float,
    film_over_conductivity_per_m: float,
    diffusivity: float,
) -> FloatArray:
    """Half-space at start_K in ambient_K through a film coefficient h; h/k in 1/m, diffusivity in m2/s.

    source  Carslaw and Jaeger 1959, section 2.7 (from memory)
    """
    root = np.sqrt(diffusivity * at_s)
    x = np.asarray(depth_m, dtype=np.float64) / (2.0 * root)
    step = film_over_conductivity_per_m * root
    # exp(hx/k + h^2 a t/k^2) erfc(x + step) written with the scaled erfc so that it cannot overflow
    share = erfc(x) - np.exp(-x * x) * erfcx(x + step)
    return np.asarray(start_K + (ambient_K - start_K) * share)


def plane_wall_roots(biot: float, terms: int) -> FloatArray:
    """First roots of zeta tan(zeta) = Bi, shape (terms,); biot above 0.

    source  F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, section 5.5
    """
    if not biot > 0.0 or terms < 1:
        raise ValueError(
            f"a plane wall needs a Biot number above 0 and at least one term, got {biot} and {terms}"
        )
    tiny = 1e-12  # keeps the bracket off the poles of the tangent

    def root(index: int) -> float:
        left, right = index * np.pi, (index + 0.5) * np.pi
        return float(
            brentq(lambda z: z * np.sin(z) - biot * np.cos(z), left + tiny, right - tiny, xtol=1e-13)
        )

    return np.array([root(i) for i in range(terms)])


def plane_wall_share(
    biot: float, position_ratio: npt.ArrayLike, fourier: float, terms: int = 60
) -> FloatArray:
    """(T - T_ambient)/(T_start - T_ambient) in a wall insulated at 0 and convecting at position_ratio 1.

    position_ratio  shape (...), 0 to 1
    fourier         diffusivity * time / thickness^2, above 0
    source          Incropera and DeWitt, eq. 5.42
    """
    zeta = plane_wall_roots(biot, terms)
    weight = 4.0 * np.sin(zeta) / (2.0 * zeta + np.sin(2.0 * zeta))
    position = np.asarray(position_ratio, dtype=np.float64)[..., None]
    return np.asarray(np.sum(weight * np.exp(-(zeta**2) * fourier) * np.cos(zeta * position), axis=-1))
