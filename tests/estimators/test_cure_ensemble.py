"""The fixed members: exact moments, agreement with far more members, and a reference pour that is on time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hoofsense.estimators import cure_ensemble
from hoofsense.estimators.cure_ensemble import (
    MEMBERS,
    AirPoint,
    CureForecast,
    STEPS_s,
    forecast,
    inputs_of,
)
from hoofsense.estimators.cure_material import reference_fill, solved_material
from hoofsense.estimators.cure_surroundings import cold_sole_K, film_W_per_m2_K
from hoofsense.estimators.fixed_members import fixed_normals
from hoofsense.materials import load_profile
from hoofsense.physics.pad_cure import cure_course, reached_s
from hoofsense.physics.poured_pad import side_by_side
from hoofsense.records import PourConditions

ICE_K = 273.15
STANDARD = load_profile("standard")


def run(air_degC: float = 21.0, material: float = 21.0, members: int = 64, **changes: float) -> CureForecast:
    air_K = ICE_K + air_degC
    pour = PourConditions(0, 0.008, ICE_K + material, cold_sole_K(air_K), cover_m2_K_per_W=3e-4)
    return forecast(STANDARD, replace(pour, **changes), (AirPoint(0.0, air_K),), members=members)  # type: ignore[arg-type]


@pytest.mark.parametrize(("members", "dimensions"), [(64, 24), (256, 24), (256, 3)])
def test_members_have_zero_mean_unit_covariance_and_normal_tails(members: int, dimensions: int) -> None:
    normals = fixed_normals(members, dimensions)
    assert normals.mean(axis=0) == pytest.approx(0.0, abs=1e-12)
    assert normals.T @ normals / members == pytest.approx(np.eye(dimensions), abs=1e-12)
    assert np.quantile(normals, (0.05, 0.95)) == pytest.approx([-1.645, 1.645], abs=0.06)
    assert normals is fixed_normals(members, dimensions)


def test_the_single_member_is_the_centre() -> None:
    assert np.all(fixed_normals(1, 5) == 0.0)


def test_designs_that_cannot_be_laid_out_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 64"):
        fixed_normals(32, 5)
    with pytest.raises(ValueError, match="outside 1 to 24"):
        fixed_normals(64, 25)


@pytest.mark.parametrize("name", ["standard", "fast", "cold-weather"])
def test_every_member_of_every_profile_meets_its_reference_pour(name: str) -> None:
    profile = load_profile(name)
    kinetics, heat, _ = solved_material(profile, 64)
    fill, ambient = reference_fill(profile, kinetics, heat)
    times = np.arange(0.0, 2.5 * profile.reference_firm_s, 5.0)
    course = cure_course(fill, ambient, times, pad_cells=12, horn_cells=8)
    firm = reached_s(course.time_s, course.lowest_degree, profile.firm_degree, kinetics, course.last_K, 1e6)
    assert firm == pytest.approx(profile.reference_firm_s, rel=0.006)
    assert np.ptp(np.log(kinetics.rate_per_s)) > 0.5, "shapes differ, so must their rates"


def test_a_reference_pour_that_no_rate_can_meet_is_refused() -> None:
    frozen = replace(STANDARD, glass_start_K=280.0, glass_full_K=440.0, reference_firm_s=900.0, name="stone")
    with pytest.raises(ValueError, match="no rate makes the reference pour firm"):
        solved_material(frozen, 64)


def test_256_members_agree_with_1024_within_their_own_noise() -> None:
    few, many = run(10.0, 10.0, MEMBERS), run(10.0, 10.0, 1024)
    # Two standard errors of a quantile of 256 independent members: 0.13 at the ends of a spread of 0.45.
    for share, tolerance in ((0.05, 0.08), (0.5, 0.05), (0.95, 0.13)):
        for name in ("ln_work", "ln_firm", "ln_load"):
            one, other = (
                np.quantile(np.atleast_2d(getattr(f, name)).max(axis=0), share) for f in (few, many)
            )
            assert one == pytest.approx(other, abs=tolerance)


def test_arrays_of_a_forecast_cannot_be_written() -> None:
    members = run()
    for name in CureForecast.__slots__:
        with pytest.raises(ValueError, match="read-only"):
            getattr(members, name)[...] = 0.0


def test_the_steps_of_the_forecast_are_fine_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    coarse = run(5.0, 15.0)
    monkeypatch.setattr(cure_ensemble, "STEPS_s", np.arange(0.0, 14400.0 + 1.0, 5.0))
    fine = run(5.0, 15.0)
    assert coarse.ln_firm == pytest.approx(fine.ln_firm, abs=0.003)
    assert coarse.ln_load == pytest.approx(fine.ln_load, abs=0.003)


def test_firm_times_lie_within_three_seconds_of_a_far_finer_solution_in_every_weather() -> None:
    # Air, sole and material in degC; None: as cold as it stands. Reference: extrapolated from 12 + 12 and
    # 24 + 24 cells, which converge with the square of the cell, in steps four times as fine.
    weathers = [
        (-10.0, None, -10.0), (-10.0, 30.0, 25.0), (0.0, None, 0.0), (0.0, None, 25.0), (0.0, 30.0, 25.0),
        (10.0, None, 10.0), (10.0, 25.0, 20.0), (21.0, None, 21.0), (35.0, None, 35.0),
    ]  # fmt: skip
    kinetics, heat, _ = solved_material(STANDARD, 1)
    made = side_by_side(
        [
            inputs_of(
                STANDARD,
                PourConditions(
                    0, 0.008, ICE_K + material, cold_sole_K(ICE_K + air) if sole is None else ICE_K + sole,
                    cover_m2_K_per_W=3e-4,
                ),
                (AirPoint(0.0, ICE_K + air),), kinetics, heat, lambda _: np.zeros(1),
            )
            for air, sole, material in weathers
        ]
    )  # fmt: skip

    def firm(steps_s: np.ndarray, cells: int) -> tuple[np.ndarray, np.ndarray]:
        course = cure_course(
            *made, steps_s, pad_cells=cells, horn_cells=cells, rim=True, stop_degree=STANDARD.firm_degree
        )
        places = (course.lowest_degree, course.last_K), (course.rim_degree, course.rim_last_K)
        middle, rim = (
            reached_s(course.time_s, degree, STANDARD.firm_degree, made[0].kinetics, last_K, 1e6)
            for degree, last_K in places
        )
        return middle, rim

    quarters = np.interp(np.arange(0, 4 * STEPS_s.size - 3) / 4.0, np.arange(STEPS_s.size), STEPS_s)
    middle, rim = firm(STEPS_s, 8)
    (some_middle, some_rim), (many_middle, many_rim) = firm(quarters, 12), firm(quarters, 24)
    exact_middle, exact_rim = (4.0 * many_middle - some_middle) / 3.0, (4.0 * many_rim - some_rim) / 3.0
    assert middle == pytest.approx(exact_middle, abs=3.0)
    assert rim == pytest.approx(exact_rim, abs=3.0, rel=0.0015)


def test_wind_cover_and_thickness_act_as_they_should() -> None:
    still = np.median(run(0.0, 0.0).ln_firm[2])
    cold = ICE_K
    pour = PourConditions(0, 0.008, cold, cold_sole_K(cold), cover_m2_K_per_W=3e-4)
    windy = forecast(STANDARD, pour, (AirPoint(0.0, cold, 5.0),), members=64)
    assert np.median(windy.ln_firm[2]) > still + 0.1
    assert np.median(run(0.0, 0.0, cover_m2_K_per_W=0.12).ln_firm[2]) < still - 0.2
    assert film_W_per_m2_K(None) == 8.0
    assert film_W_per_m2_K(0.0) < film_W_per_m2_K(3.0) < film_W_per_m2_K(10.0) <= film_W_per_m2_K(60.0)


def test_misuse_is_refused() -> None:
    pour = PourConditions(0, 0.008, 294.15, 297.0)
    with pytest.raises(ValueError, match="without air"):
        forecast(STANDARD, pour, ())
    with pytest.raises(ValueError, match="wind"):
        film_W_per_m2_K(-1.0)
