"""Conduction of heat through layers in one dimension, for many members at once; and closed forms to check it.

Vertex-centred finite volumes: nodes lie on the outer faces and on the joint of the layers, each carries half
of the cells beside it, so flux in equals flux out and energy is conserved to rounding. Time steps are SDIRK2
(R. Alexander, SIAM Journal on Numerical Analysis 14 (1977) 1006: second order, L-stable). The tridiagonal
systems are solved by the Thomas algorithm, vectorised across members.

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
    to their surroundings (faces, edge). solve overwrites and returns its argument, shape (N, M).
    """

    __slots__ = ("_inverse", "_multiplier", "_off")

    def __init__(self, column: Column, weight_s: float, extra_W_per_m2_K: FloatArray) -> None:
        conductance = column.conductance_W_per_m2_K
        diagonal = column.capacity_J_per_m2_K + weight_s * extra_W_per_m2_K
        diagonal[:-1] += weight_s * conductance
        diagonal[1:] += weight_s * conductance
        off = -weight_s * conductance
        multiplier = np.empty_like(off)
        for i in range(1, column.nodes):
            multiplier[i - 1] = off[i - 1] / diagonal[i - 1]
            diagonal[i] -= multiplier[i - 1] * off[i - 1]
        self._off = list(off)
        self._multiplier = list(multiplier)
        self._inverse = list(1.0 / diagonal)

    def solve(self, right: FloatArray) -> FloatArray:
        rows = list(right)  # views: the loop below runs on rows, which is where the time goes
        for multiplier, above, row in zip(self._multiplier, rows, rows[1:], strict=False):
            row -= multiplier * above
        rows[-1] *= self._inverse[-1]
        for i in range(len(rows) - 2, -1, -1):
            row = rows[i]
            row -= self._off[i] * rows[i + 1]
            row *= self._inverse[i]
        return right


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
