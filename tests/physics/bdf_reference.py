"""An independent solution of the pad cure: method of lines handed to scipy's BDF, one member at a time.

It shares with the engine the inputs (Fill, Ambient) and nothing else: its own grid, its own rate law, its own
boundary, an adaptive stiff integrator and an event for the moment the slowest node reaches a degree of cure.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import lil_matrix

GAS_CONSTANT = 8.314462618
STEFAN_BOLTZMANN = 5.670374419e-8


def slowest_reaches_s(fill, ambient, degree, pad_cells, horn_cells, end_s, rtol=1e-8):
    """Seconds after the pour at which the least cured node of a one-member fill reaches a degree."""
    value = {name: float(getattr(fill, name)[0]) for name in fill.__slots__ if name != "kinetics"}
    kin = {name: float(getattr(fill.kinetics, name)[0]) for name in fill.kinetics.__slots__}
    nodes, pad_nodes = horn_cells + pad_cells + 1, pad_cells + 1
    dh, dp = value["horn_thickness_m"] / horn_cells, value["pad_thickness_m"] / pad_cells
    link = np.r_[
        np.full(horn_cells, value["horn_conductivity_W_per_m_K"] / dh),
        np.full(pad_cells, value["pad_conductivity_W_per_m_K"] / dp),
    ]
    mass = np.zeros(nodes)
    mass[:horn_cells] += 0.5 * dh * value["horn_capacity_J_per_m3_K"]
    mass[1 : horn_cells + 1] += 0.5 * dh * value["horn_capacity_J_per_m3_K"]
    mass[horn_cells:-1] += 0.5 * dp * value["pad_capacity_J_per_m3_K"]
    mass[horn_cells + 1 :] += 0.5 * dp * value["pad_capacity_J_per_m3_K"]
    weight = np.full(pad_nodes, dp)
    weight[[0, -1]] *= 0.5
    heat = value["heat_J_per_m3"] * weight / mass[horn_cells:]

    ht, tissue = value["tissue_W_per_m2_K"], value["tissue_K"]
    flux = (tissue - value["sole_K"]) / (
        1.0 / ht + value["horn_thickness_m"] / value["horn_conductivity_W_per_m_K"]
    )
    depth = np.linspace(0.0, value["horn_thickness_m"], horn_cells + 1)
    start = np.full(nodes, value["material_K"])
    start[: horn_cells + 1] = tissue - flux / ht - flux * depth / value["horn_conductivity_W_per_m_K"]
    pad_part, horn_part = dp * value["pad_capacity_J_per_m3_K"], dh * value["horn_capacity_J_per_m3_K"]
    start[horn_cells] = (pad_part * value["material_K"] + horn_part * value["sole_K"]) / (
        pad_part + horn_part
    )

    def slope(time_s, state):
        temperature, alpha = state[:nodes], np.clip(state[nodes:], 0.0, 1.0)
        pad = temperature[horn_cells:]
        rate = kin["rate_per_s"] * np.exp(
            kin["activation_energy_J_per_mol"] / GAS_CONSTANT * (1.0 / kin["reference_K"] - 1.0 / pad)
        )
        rate = rate * (kin["b"] + alpha ** kin["m"]) * (1.0 - alpha) ** kin["n"]
        along = link * np.diff(temperature)
        net = np.zeros(nodes)
        net[:-1] += along
        net[1:] -= along
        net[0] += ht * (tissue - temperature[0])
        air, radiant, film = (float(v[0]) for v in ambient.at(time_s))
        face = temperature[-1]
        radiative = STEFAN_BOLTZMANN * value["emissivity_ratio"] * (face**2 + radiant**2) * (face + radiant)
        gain = film * (air - face) + radiative * (radiant - face)
        net[-1] += gain / (1.0 + (film + radiative) * value["cover_m2_K_per_W"])
        change = net / mass
        change[horn_cells:] += heat * rate
        return np.r_[change, rate]

    def arrived(_time_s, state):
        return state[nodes:].min() - degree

    arrived.terminal = True
    size = nodes + pad_nodes
    pattern = lil_matrix((size, size))
    for i in range(nodes):
        pattern[i, max(i - 1, 0) : i + 2] = 1
    for i in range(pad_nodes):
        pattern[horn_cells + i, nodes + i] = pattern[nodes + i, horn_cells + i] = 1
        pattern[nodes + i, nodes + i] = 1
    for i in range(min(nodes, size)):
        pattern[i, i] = 1
    solution = solve_ivp(
        slope,
        (0.0, end_s),
        np.r_[start, np.zeros(pad_nodes)],
        method="BDF",
        rtol=rtol,
        atol=1e-10,
        events=arrived,
        jac_sparsity=pattern.tocsr(),
    )
    return float(solution.t_events[0][0])
