"""Conduction against textbook series, half-spaces, conserved energy and its order of convergence."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.physics.heat_conduction import (
    Layer,
    TridiagonalSolver,
    conducted_W_per_m2,
    contact_K,
    half_space_convection_K,
    half_space_K,
    plane_wall_roots,
    plane_wall_share,
    two_layer_column,
)


@pytest.mark.parametrize(
    ("biot", "zeta", "weight"),
    [
        (0.1, 0.3111, 1.0161),
        (0.5, 0.6533, 1.0701),
        (1.0, 0.8603, 1.1191),
        (2.0, 1.0769, 1.1785),
        (5.0, 1.3138, 1.2402),
        (10.0, 1.4289, 1.2620),
    ],
)
def test_plane_wall_roots_match_the_textbook_table(biot: float, zeta: float, weight: float) -> None:
    # F. P. Incropera and D. P. DeWitt, table 5.1, four decimals (from memory).
    root = plane_wall_roots(biot, 1)[0]
    assert root == pytest.approx(zeta, abs=5e-5)
    assert 4.0 * np.sin(root) / (2.0 * root + np.sin(2.0 * root)) == pytest.approx(weight, abs=1e-4)


def test_a_wall_cooling_at_biot_one_has_the_computed_surface() -> None:
    # Computed elsewhere: Bi = 1, 10 mm, from 30 to 0 degC, three decimals. The diffusivity there is that of
    # the default pad, 0.20 / (1080 * 1800), which rounds to the 1.029e-7 m2/s that is written beside it.
    diffusivity = 0.20 / (1080.0 * 1800.0)
    for seconds, surface in ((300.0, 17.541), (600.0, 13.869), (1200.0, 8.781)):
        fourier = diffusivity * seconds / 0.010**2
        assert 30.0 * float(plane_wall_share(1.0, 1.0, fourier)) == pytest.approx(surface, abs=6e-4)


def test_two_half_spaces_meet_at_the_effusivity_weighted_mean() -> None:
    # Computed: effusivities 623.5 and 935.4, 21 degC on 0 degC meet at 8.399 degC.
    assert contact_K(294.15, 623.5, 273.15, 935.4) - 273.15 == pytest.approx(8.399, abs=1e-3)


def test_half_space_with_a_held_face_follows_the_error_function() -> None:
    # erfc(0.5) = 0.4795, handbook table, four decimals: depth equal to sqrt(diffusivity time).
    diffusivity, seconds = 1e-7, 400.0
    depth = np.sqrt(diffusivity * seconds)
    assert half_space_K(depth, seconds, 0.0, 1.0, diffusivity) == pytest.approx(0.4795, abs=5e-5)


def test_a_short_time_wall_is_a_convecting_half_space() -> None:
    # Two independent closed forms: the series of the wall and the half-space, before heat has crossed it.
    diffusivity, thickness, film_over_k, seconds = 1.029e-7, 0.010, 100.0, 20.0
    wall = 1.0 - plane_wall_share(
        film_over_k * thickness, np.array([1.0, 0.8, 0.6]), diffusivity * seconds / 1e-4
    )
    depth = np.array([0.0, 0.002, 0.004])
    half = half_space_convection_K(depth, seconds, 0.0, 1.0, film_over_k, diffusivity)
    assert wall == pytest.approx(half, abs=1e-8)


def uniform_wall(cells: int, members: int = 1) -> tuple[Layer, int]:
    one = np.ones(members)
    return Layer(0.010 * one, 0.20 * one, 0.20 / 1.029e-7 * one), cells


def wall_surface(cells: int, step_s: float, seconds: float) -> float:
    """Surface of an insulated-convecting wall (Bi = 1) by the column's own pieces, 30 degC to 0."""
    layer, _ = uniform_wall(cells)
    half = Layer(0.5 * layer.thickness_m, layer.conductivity_W_per_m_K, layer.capacity_J_per_m3_K)
    column = two_layer_column(half, cells // 2, half, cells // 2)
    extra = np.zeros((column.nodes, 1))
    extra[-1] = 20.0  # h = Bi k / L
    gamma = 1.0 - 1.0 / np.sqrt(2.0)
    solver = TridiagonalSolver(column, gamma * step_s, extra)
    temperature = np.full((column.nodes, 1), 30.0)
    for _ in range(round(seconds / step_s)):
        first = solver.solve(conducted_W_per_m2(column, temperature) - extra * temperature)
        base = temperature + (1.0 - gamma) * step_s * first
        temperature = base + gamma * step_s * solver.solve(conducted_W_per_m2(column, base) - extra * base)
    return float(temperature[-1, 0])


def test_the_column_converges_to_the_series_with_second_order() -> None:
    exact = 30.0 * float(plane_wall_share(1.0, 1.0, 1.029e-7 * 600.0 / 1e-4))
    errors = [
        abs(wall_surface(cells, step, 600.0) - exact) for cells, step in ((4, 60.0), (8, 30.0), (16, 15.0))
    ]
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert orders == pytest.approx(2.0, abs=0.25)
    assert errors[-1] < 0.02


def test_conduction_moves_heat_and_makes_none() -> None:
    layer, _ = uniform_wall(5, members=3)
    column = two_layer_column(layer, 5, layer, 7)
    temperature = np.sin(np.arange(column.nodes * 3.0)).reshape(column.nodes, 3)
    assert conducted_W_per_m2(column, temperature).sum(axis=0) == pytest.approx(0.0, abs=1e-12)


def test_the_tridiagonal_solver_agrees_with_a_dense_one_for_every_member() -> None:
    members, weight = 3, 7.0
    lower = Layer(np.array([0.008, 0.01, 0.012]), np.array([0.3, 0.35, 0.4]), np.array([2.0e6, 2.5e6, 3.0e6]))
    upper = Layer(
        np.array([0.004, 0.008, 0.015]), np.array([0.15, 0.2, 0.25]), np.array([1.8e6, 1.9e6, 2.0e6])
    )
    column = two_layer_column(lower, 3, upper, 4)
    extra = 5.0 * np.abs(np.cos(np.arange(column.nodes * members))).reshape(column.nodes, members)
    right = np.sin(np.arange(column.nodes * members * 1.0)).reshape(column.nodes, members)
    solved = TridiagonalSolver(column, weight, extra).solve(right.copy())
    for m in range(members):
        matrix = np.diag(column.capacity_J_per_m2_K[:, m] + weight * extra[:, m])
        for i, link in enumerate(column.conductance_W_per_m2_K[:, m]):
            matrix[i : i + 2, i : i + 2] += weight * link * np.array([[1.0, -1.0], [-1.0, 1.0]])
        assert solved[:, m] == pytest.approx(np.linalg.solve(matrix, right[:, m]), rel=1e-11)


def test_layers_without_substance_are_refused() -> None:
    good, _ = uniform_wall(4)
    bad = Layer(np.zeros(1), good.conductivity_W_per_m_K, good.capacity_J_per_m3_K)
    with pytest.raises(ValueError, match="above 0"):
        two_layer_column(good, 4, bad, 4)
    with pytest.raises(ValueError, match="at least one cell"):
        two_layer_column(good, 0, good, 4)
    with pytest.raises(ValueError, match="effusivity"):
        contact_K(294.15, 0.0, 273.15, 900.0)
    with pytest.raises(ValueError, match="Biot"):
        plane_wall_roots(0.0, 1)
