"""The coupled cure of a pad: against BDF, its order, conserved energy, and what the study of it showed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from hoofsense.physics.cure_kinetics import nth_order_degree, plateau_degree
from hoofsense.physics.pad_cure import CureCourse, cure_course, reached_s
from hoofsense.physics.poured_pad import Ambient, Fill, side_by_side, steady_ambient

ICE_K = 273.15
LONGEST_s = 172800.0
Pour = Callable[..., tuple[Fill, Ambient]]


def run(
    made: tuple[Fill, Ambient],
    end_s: float,
    step_s: float = 10.0,
    pad: int = 8,
    horn: int = 6,
    **options: Any,
) -> CureCourse:
    fill, ambient = made
    count = round(end_s / step_s)
    return cure_course(
        fill, ambient, step_s * np.arange(count + 1), pad_cells=pad, horn_cells=horn, **options
    )


def firm_s(made: tuple[Fill, Ambient], course: CureCourse, degree: float = 0.80) -> np.ndarray:
    kinetics = made[0].kinetics
    return reached_s(course.time_s, course.lowest_degree, degree, kinetics, course.last_K, LONGEST_s)


# Air, tissue, material, sole (None: cold and bare); firm and weight in minutes, and the slowest place.
# Computed in a study of this model with E = 50 kJ/mol, printed to three figures; "warmed" there means a foot
# whose living tissue is at 30 degC as well as its sole.
STUDY = [
    (-10.0, 8.0, -10.0, None, 165.0, 331.0, "surface"),
    (-10.0, 30.0, 25.0, 30.0, 23.1, 79.0, "surface"),
    (0.0, 12.0, 0.0, None, 81.9, 173.0, "surface"),
    (0.0, 12.0, 25.0, None, 50.2, 139.0, "surface"),
    (0.0, 30.0, 25.0, 30.0, 15.7, 44.0, "surface"),
    (10.0, 18.0, 10.0, None, 34.4, 75.0, "surface"),
    (21.0, 27.0, 21.0, None, 15.0, 26.5, "bond line"),
    (35.0, 34.0, 35.0, None, 6.8, 11.1, "bond line"),
]


def test_firm_and_weight_times_and_the_slowest_place_match_the_study(pour: Pour) -> None:
    made = side_by_side(
        [
            pour(air=air, tissue=tissue, material=material, sole=sole)
            for air, tissue, material, sole, *_ in STUDY
        ]
    )
    course = run(made, 22000.0, stop_degree=0.90)
    firm, weight = firm_s(made, course) / 60.0, firm_s(made, course, 0.90) / 60.0
    for i, (air, _, _, sole, firm_min, weight_min, slowest) in enumerate(STUDY):
        # 1 % for the printed figures; the coldest case was printed 2 % below what every finer grid gives.
        tolerance = 0.022 if air == -10.0 and sole is None else 0.01
        assert firm[i] == pytest.approx(firm_min, rel=tolerance)
        assert weight[i] == pytest.approx(weight_min, rel=tolerance)
        at_firm = int(np.argmax(course.lowest_degree[:, i] >= 0.80))
        first = course.surface_degree[at_firm, i] < course.bond_degree[at_firm, i]
        assert slowest == ("surface" if first else "bond line")


# One lever each at 0 degC, where it takes 82 min without; minutes from the same study, two or three figures.
LEVERS: list[tuple[dict[str, float], float]] = [
    ({"cover": 0.12}, 56.0),  # 5 mm of closed-cell foam
    ({"film": 20.0}, 111.0),  # windy
    ({"radiant": -20.0}, 111.0),  # clear cold sky
    ({"thickness": 3e-3}, 96.0),
    ({"thickness": 5e-3}, 92.0),
    ({"thickness": 15e-3}, 58.0),
]


def test_levers_at_freezing_match_the_study(pour: Pour) -> None:
    made = side_by_side([pour(air=0.0, tissue=12.0, **changes) for changes, _ in LEVERS])
    firm = firm_s(made, run(made, 9000.0)) / 60.0
    assert firm == pytest.approx([minutes for _, minutes in LEVERS], rel=0.02)


def test_a_thick_pad_in_the_heat_runs_hot(pour: Pour) -> None:
    # Computed in the same study: 83 degC inside and 58 degC on the bond line for 15 mm at 35 degC.
    course = run(pour(air=35.0, tissue=34.0, thickness=15e-3), 1200.0)
    assert course.hottest_K[0] - ICE_K == pytest.approx(83.0, abs=0.6)
    assert course.hottest_bond_K[0] - ICE_K == pytest.approx(58.0, abs=0.6)


@pytest.mark.parametrize(("air", "tissue", "end_s"), [(21.0, 27.0, 1200.0), (0.0, 12.0, 6000.0)])
def test_firm_time_lies_within_one_second_of_bdf_and_three_on_the_coarse_grid(
    pour: Pour, bdf: ModuleType, air: float, tissue: float, end_s: float
) -> None:
    # scipy BDF, rtol 1e-8, extrapolated from 12 + 8 and 24 + 16 cells by their known second order.
    made = pour(air=air, tissue=tissue)
    coarse, fine = (bdf.slowest_reaches_s(*made, 0.80, pad, horn, end_s) for pad, horn in ((12, 8), (24, 16)))
    exact = fine + (fine - coarse) / 3.0
    assert firm_s(made, run(made, end_s, 5.0, 12, 8))[0] == pytest.approx(exact, abs=1.0)
    assert firm_s(made, run(made, end_s, 10.0, 8, 6))[0] == pytest.approx(exact, abs=3.0)


def test_errors_fall_with_the_square_of_the_step_and_of_the_cell(pour: Pour) -> None:
    made = pour(material=25.0, sole=15.0)
    by_step = [firm_s(made, run(made, 1200.0, step, 12, 8))[0] for step in (5.0, 2.5, 1.25)]
    by_cell = [firm_s(made, run(made, 1200.0, 1.25, 6 * f, 4 * f))[0] for f in (1, 2, 4)]
    # Splitting costs some order while the step is long against conduction between two nodes: at 5 s the
    # observed order in the step is 1.8 and still rising towards 2.
    assert np.log2(np.diff(by_step)[0] / np.diff(by_step)[1]) == pytest.approx(2.0, abs=0.25)
    assert np.log2(np.diff(by_cell)[0] / np.diff(by_cell)[1]) == pytest.approx(2.0, abs=0.25)


def test_an_insulated_pour_keeps_every_joule(pour: Pour) -> None:
    from hoofsense.physics import pad_cure

    fill, _ = pour(2, material=[35.0, 10.0], sole=[15.0, 30.0], tissue=[15.0, 30.0])
    closed = replace(fill, tissue_W_per_m2_K=np.zeros(2), emissivity_ratio=np.zeros(2))
    walker = pad_cure._Walker(closed, steady_ambient(250.0, 250.0, 0.0), 8, 6, rim=False)

    def energy() -> np.ndarray:
        sensible = np.sum(walker.column.capacity_J_per_m2_K * walker.temperature, axis=0)
        return sensible - np.sum(walker.heat_J_per_m2 * walker.degree, axis=0)

    before = energy()
    for i in range(60):
        walker.step(10.0 * i, 10.0)
    assert walker.degree.min() > 0.1
    assert energy() == pytest.approx(before, rel=1e-12)


def test_a_closed_pad_rises_by_its_adiabatic_rise(pour: Pour) -> None:
    # Computed: 110 J/g over 1.8 J/(g K) is 61.1 K, shared with a sliver of horn.
    fill, _ = pour(material=40.0, sole=40.0, tissue=40.0, horn=1e-5)
    closed = replace(fill, tissue_W_per_m2_K=np.zeros(1), emissivity_ratio=np.zeros(1))
    course = run((closed, steady_ambient(300.0, 300.0, 0.0)), 6000.0)
    risen = course.surface_K[-1, 0] - 313.15
    assert risen == pytest.approx(61.1 * course.lowest_degree[-1, 0], rel=3e-3)


def test_without_heat_and_gradients_each_node_follows_the_closed_form(pour: Pour) -> None:
    made = pour(air=21.0, tissue=21.0, material=21.0, sole=21.0, heat=0.0, b=1.0, m=60.0, n=2.0, rate=1e-3)
    course = run(made, 800.0)
    expected = float(nth_order_degree(2.0, 0.8))
    assert course.surface_degree[-1, 0] == pytest.approx(expected, abs=2e-5)
    assert course.bond_degree[-1, 0] == pytest.approx(expected, abs=2e-5)


@pytest.mark.parametrize("what", ["air", "tissue", "material", "sole", "radiant"])
def test_warmer_is_never_later(pour: Pour, what: str) -> None:
    base = {"air": 5.0, "tissue": 15.0, "material": 10.0, "sole": 12.0, "radiant": 5.0}
    values = np.linspace(-15.0, 35.0, 11)
    made = pour(11, **{**base, what: values})
    course = run(made, 9000.0, 20.0, rim=True)
    assert np.all(np.diff(firm_s(made, course)) < 0.0)
    rims = reached_s(course.time_s, course.rim_degree, 0.8, made[0].kinetics, course.rim_last_K, LONGEST_s)
    assert np.all(np.diff(rims) < 0.0)


def test_members_run_together_are_the_same_as_run_alone(pour: Pour) -> None:
    together = pour(3, air=[0.0, 10.0, 21.0], n=[1.5, 2.0, 2.5], thickness=[5e-3, 8e-3, 12e-3])
    course = run(together, 1800.0, rim=True)
    for i, (air, n, thickness) in enumerate(((0.0, 1.5, 5e-3), (10.0, 2.0, 8e-3), (21.0, 2.5, 12e-3))):
        alone = run(pour(air=air, n=n, thickness=thickness), 1800.0, rim=True)
        assert course.lowest_degree[:, i] == pytest.approx(alone.lowest_degree[:, 0], rel=1e-10)
        assert course.rim_degree[:, i] == pytest.approx(alone.rim_degree[:, 0], rel=1e-10)
        assert course.surface_K[:, i] == pytest.approx(alone.surface_K[:, 0], rel=1e-12)


def test_air_that_changes_is_followed(pour: Pour) -> None:
    fill, _ = pour()
    same = np.full((3, 1), 21.0 + ICE_K)
    films = np.full((3, 1), 8.0)
    times = np.array([0.0, 300.0, 600.0])
    steady = firm_s(
        (fill, steady_ambient(same[0], same[0], 8.0)),
        run((fill, steady_ambient(294.15, 294.15, 8.0)), 2400.0),
    )
    unchanged = (fill, Ambient(times, same, same, films))
    assert firm_s(unchanged, run(unchanged, 2400.0))[0] == pytest.approx(steady[0], abs=1e-6)
    for drop_K, film in ((15.0, 8.0), (0.0, 25.0)):
        air = same - np.array([[0.0], [drop_K], [drop_K]])
        changed = (fill, Ambient(times, air, air, np.array([[8.0], [film], [film]])))
        assert firm_s(changed, run(changed, 2400.0))[0] > steady[0] + 20.0
    late = (fill, Ambient(np.array([2000.0, 2001.0]), same[:2] - [[0.0], [40.0]], same[:2], films[:2]))
    assert firm_s(late, run(late, 2400.0))[0] == pytest.approx(steady[0], abs=0.1)


def test_a_glassy_cure_in_the_cold_stops_at_its_plateau_and_waiting_does_not_help(pour: Pour) -> None:
    made = pour(air=0.0, tissue=2.0, glass_start_K=213.15, glass_full_K=358.15)
    course = run(made, 14400.0, 30.0)
    plateau = float(plateau_degree(course.surface_K[-1, 0], made[0].kinetics)[0])
    assert course.surface_degree[-1, 0] == pytest.approx(plateau, abs=0.06)
    assert firm_s(made, course)[0] == LONGEST_s
    warm = pour(air=30.0, tissue=32.0, glass_start_K=213.15, glass_full_K=358.15)
    assert firm_s(warm, run(warm, 14400.0, 30.0))[0] < 3600.0


def test_the_way_still_to_go_is_extrapolated_at_the_last_temperature(pour: Pour) -> None:
    made = pour(air=21.0, tissue=21.0, material=21.0, sole=21.0, heat=0.0)
    short, whole = run(made, 900.0), run(made, 3600.0)
    assert firm_s(made, short)[0] == pytest.approx(firm_s(made, whole)[0], abs=0.5)
    capped = reached_s(short.time_s, short.lowest_degree, 0.8, made[0].kinetics, short.last_K, 1000.0)
    assert capped[0] == 1000.0


def test_the_course_ends_once_everything_is_past_the_stopping_degree(pour: Pour) -> None:
    course = run(pour(), 7200.0, rim=True, stop_degree=0.8)
    assert course.time_s[-1] < 1800.0
    assert min(course.lowest_degree[-1].min(), course.rim_degree[-1].min()) > 0.8


def test_misuse_is_refused(pour: Pour) -> None:
    fill, ambient = pour()
    with pytest.raises(ValueError, match="start at 0 and rise"):
        cure_course(fill, ambient, np.array([10.0, 20.0]))
    with pytest.raises(ValueError, match="ambient times must rise"):
        Ambient(np.array([1.0, 1.0]), *(np.ones((2, 1)),) * 3)
    with pytest.raises(ValueError, match="finite row"):
        Ambient(np.zeros(1), np.full((1, 1), np.nan), np.ones((1, 1)), np.ones((1, 1)))
    with pytest.raises(ValueError, match="unchanging"):
        side_by_side([])
    with pytest.raises(ValueError, match="sole_K"):
        replace(fill, sole_K=np.array([np.nan]))
