"""Heat on its way from the sole's surface to the quick, the living tissue under the horn.

One dimension: horn over tissue with the same properties, no blood flow, no heat leaving at depth. All three
err towards a hotter quick. The surface is either prescribed (it is being read) or free (the gun is off and
air cools it). Between grid points the temperature is linear; in time the solution is exact, because each
system is stepped in its own eigenvectors, so steps may be as long as the surface is known to be straight.

The quick peaks after the gun goes off: forward_K looks ahead.

source: H. S. Carslaw and J. C. Jaeger, Conduction of Heat in Solids, 1959 (closed forms used in the tests);
        properties: prior of this project for horn, diffusivity 1.0e-7 to 1.6e-7 m2/s
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# High end of the prior for horn: the faster the horn conducts, the earlier the warning. With 29 degC at the
# start it reproduces the project's table of times to 2 CEM43 within 3 %.
DIFFUSIVITY_m2_per_s = 1.55e-7
CONDUCTIVITY_W_per_m_K = 0.35  # middle of the prior for horn, 0.28 to 0.45
STILL_AIR_W_per_m2_K = 12.0  # convection 6 and radiation 6, middle of the still-air prior
DEFAULT_HORN_m = 0.005  # cornified sole may be this thin; thickness is seldom known
HORN_LOW_m, HORN_HIGH_m = 0.001, 0.03
_TISSUE_m = 0.02  # deep enough that 300 s of heat do not reach its end by 1 %
_HORN_CELLS = 12
_GROWTH = 1.25  # of tissue cells with depth
FORWARD_s = 300.0  # engineering choice: 10 mm of horn peaks 234 s after a pulse began
_FORWARD_STEP_s = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class _Linear:
    """A linear system T' = A T + b u in its eigenvectors: T = basis a, a' = -rate a + gain u."""

    rate_per_s: Array
    basis: Array
    inverse: Array
    gain_per_s: Array


@dataclass(frozen=True, slots=True, eq=False)
class QuickModel:
    """The grid under one thickness of horn and its two systems. Build it with quick_model.

    depth_m    shape (n,), from the surface (0) downward
    quick      index of the node at the quick
    capacity   shape (n,), J/(m2 K)
    forward_s  shape (m,), times ahead at which forward_K answers, 0 first
    """

    horn_m: float
    depth_m: Array
    quick: int
    capacity: Array
    forward_s: Array
    _read: _Linear
    _free: _Linear
    _forward: Array


def _linear(capacity: Array, conductance: Array, surface_to_outside: float) -> _Linear:
    """Chain of nodes; conductance (n-1,) between them; the first also to the outside; the last insulated."""
    n = capacity.size
    coupling = np.zeros((n, n))
    for i, g in enumerate(conductance):
        coupling[i, i] += g
        coupling[i + 1, i + 1] += g
        coupling[i, i + 1] -= g
        coupling[i + 1, i] -= g
    coupling[0, 0] += surface_to_outside
    root = np.sqrt(capacity)
    rate, vectors = np.linalg.eigh(coupling / root[:, None] / root[None, :])
    basis = vectors / root[:, None]
    inverse = vectors.T * root[None, :]
    return _Linear(rate, basis, inverse, inverse[:, 0] * surface_to_outside / capacity[0])


@lru_cache(maxsize=64)
def quick_model(
    horn_m: float = DEFAULT_HORN_m,
    diffusivity_m2_per_s: float = DIFFUSIVITY_m2_per_s,
    conductivity_W_per_m_K: float = CONDUCTIVITY_W_per_m_K,
    still_air_W_per_m2_K: float = STILL_AIR_W_per_m2_K,
    horn_cells: int = _HORN_CELLS,
) -> QuickModel:
    """The model under horn_m of horn (0.001 to 0.03 m); ValueError outside that range."""
    if not HORN_LOW_m <= horn_m <= HORN_HIGH_m:
        raise ValueError(
            f"horn thickness {horn_m} m is outside {HORN_LOW_m} to {HORN_HIGH_m} m: measure it again"
        )
    steps = [horn_m / horn_cells] * horn_cells
    while sum(steps) < horn_m + _TISSUE_m:
        steps.append(steps[-1] * _GROWTH ** (_HORN_CELLS / horn_cells))
    step = np.array(steps)
    depth = np.concatenate([[0.0], np.cumsum(step)])
    width = np.concatenate([[step[0] / 2], (step[:-1] + step[1:]) / 2, [step[-1] / 2]])
    capacity = width * conductivity_W_per_m_K / diffusivity_m2_per_s
    conductance = conductivity_W_per_m_K / step
    read = _linear(capacity[1:], conductance[1:], float(conductance[0]))
    free = _linear(capacity, conductance, still_air_W_per_m2_K)
    forward_s = np.arange(0.0, FORWARD_s + _FORWARD_STEP_s, _FORWARD_STEP_s)
    decay = np.exp(-np.outer(forward_s, free.rate_per_s))
    forward = (decay * free.basis[horn_cells]) @ free.inverse
    return QuickModel(horn_m, depth, horn_cells, capacity, forward_s, read, free, forward)


def at_rest_K(model: QuickModel, surface_K: float, tissue_K: float) -> Array:
    """Temperatures before any heat, shape (n,): straight through the horn, tissue_K below it."""
    share = np.minimum(model.depth_m / model.horn_m, 1.0)
    return np.asarray(surface_K + (tissue_K - surface_K) * share)


def _stepped(system: _Linear, nodes_K: Array, start_K: float, end_K: float, duration_s: float) -> Array:
    """Exact step while the outside runs evenly from start to end."""
    z = np.maximum(system.rate_per_s * duration_s, 1e-9)  # phi functions of an insulated mode tend to 1, 1/2
    decayed = np.exp(-z)
    phi1 = -np.expm1(-z) / z
    phi2 = np.where(z < 1e-4, 0.5 - z / 6.0, (1.0 - phi1) / z)
    amplitude = system.inverse @ nodes_K
    amplitude = decayed * amplitude + system.gain_per_s * duration_s * (
        start_K * (phi1 - phi2) + end_K * phi2
    )
    return np.asarray(system.basis @ amplitude)


def read_step_K(model: QuickModel, nodes_K: Array, start_K: float, end_K: float, duration_s: float) -> Array:
    """Temperatures after duration_s (0 s or more) with the surface running evenly start to end."""
    if not duration_s >= 0.0:
        raise ValueError(f"duration {duration_s} s must be 0 or more: put the readings in order of time")
    inside = _stepped(model._read, nodes_K[1:], start_K, end_K, duration_s) if duration_s > 0 else nodes_K[1:]
    return np.concatenate([[end_K], inside])


def free_step_K(model: QuickModel, nodes_K: Array, air_K: float, duration_s: float) -> Array:
    """Temperatures after duration_s (0 s or more) with the gun off in still air at air_K, shape (n,)."""
    if not duration_s >= 0.0:
        raise ValueError(f"duration {duration_s} s must be 0 or more: put the readings in order of time")
    return _stepped(model._free, nodes_K, air_K, air_K, duration_s) if duration_s > 0 else nodes_K


def forward_K(model: QuickModel, nodes_K: Array, air_K: float) -> Array:
    """Temperature of the quick at model.forward_s if the gun went off now and air_K cooled the surface."""
    return np.asarray(air_K + model._forward @ (nodes_K - air_K))


def heat_content_J_per_m2(model: QuickModel, nodes_K: Array) -> float:
    """Heat held above 0 K; only its changes mean anything."""
    return float(model.capacity @ nodes_K)
