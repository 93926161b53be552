"""The margin above the dew point, with the uncertainty of both instruments."""

from __future__ import annotations

import pytest

from hoofsense.estimators.dew_margin import (
    REQUIRED_MARGIN_K,
    SurfaceForecast,
    dew_point_margin,
    dew_point_margin_through,
)
from hoofsense.records import AirConditions

ROOM = AirConditions(air_K=293.15, air_u_K=0.3, relative_humidity_ratio=0.5, relative_humidity_u_ratio=0.03)


def test_the_margin_is_the_surface_minus_the_dew_point() -> None:
    # 20 degC, 50 %: dew point 9.27 degC (psychrolib 2.5)
    margin = dew_point_margin(288.15, 0.5, ROOM)
    assert margin.value == pytest.approx(15.0 - 9.27, abs=0.01)
    assert margin.unit == "K" and margin.within_validity


def test_below_freezing_the_margin_is_to_the_frost_point() -> None:
    # -10 degC, 70 % over water is 77 % over ice: frost point 1.1 K above the -13.96 degC of 70 % over ice
    cold = AirConditions(air_K=263.15, relative_humidity_ratio=0.7)
    margin = dew_point_margin(263.15, 0.5, cold)
    assert margin.value == pytest.approx(-10.0 + 13.96 - 1.1, abs=0.06)


def test_the_low_end_is_never_laxer_than_adding_the_uncertainties() -> None:
    for surface_u in (0.1, 0.5, 2.0):
        for humidity_u in (0.01, 0.05):
            air = AirConditions(
                air_K=293.15, air_u_K=0.1, relative_humidity_ratio=0.6, relative_humidity_u_ratio=humidity_u
            )
            margin = dew_point_margin(290.15, surface_u, air)
            sure = dew_point_margin(290.15, 0.0, air)
            assert margin.value is not None and margin.low is not None
            assert sure.value is not None and sure.low is not None
            dew_u = (sure.value - sure.low) / 1.645
            assert margin.low <= margin.value - surface_u - dew_u + 1e-9


def test_humidity_of_three_percent_costs_about_one_kelvin() -> None:
    margin = dew_point_margin(288.15, 0.0, ROOM)
    assert margin.value is not None and margin.low is not None
    assert (margin.value - margin.low) / 1.645 == pytest.approx(0.95, abs=0.1)


@pytest.mark.parametrize(
    "air",
    [
        AirConditions(),
        AirConditions(air_K=293.15),
        AirConditions(relative_humidity_ratio=0.5),
        AirConditions(air_K=293.15, relative_humidity_ratio=0.0),
        AirConditions(air_K=293.15, relative_humidity_ratio=1.3),
        AirConditions(air_K=100.0, relative_humidity_ratio=0.5),
    ],
)
def test_without_trustworthy_air_there_is_no_margin_but_a_reason(air: AirConditions) -> None:
    margin = dew_point_margin(290.15, 0.5, air)
    assert margin.value is None and not margin.within_validity
    assert ": " in margin.reason
    assert dew_point_margin_through((SurfaceForecast(0.0, 290.0, 0.5),), air).value is None


def test_a_surface_that_is_no_sole_is_refused() -> None:
    with pytest.raises(ValueError, match="screen"):
        dew_point_margin(15.0, 0.5, ROOM)


def test_the_forecast_gives_the_worst_moment_of_the_cure() -> None:
    cooling = (
        SurfaceForecast(0.0, 308.15, 0.5),
        SurfaceForecast(600.0, 295.15, 1.0),
        SurfaceForecast(1200.0, 286.15, 1.5),
        SurfaceForecast(1800.0, 288.15, 1.0),
    )
    worst = dew_point_margin_through(cooling, ROOM)
    assert worst.value == pytest.approx(13.0 - 9.27, abs=0.01)
    assert worst.reason.startswith("in 20 min")
    assert worst.low is not None and worst.low < REQUIRED_MARGIN_K


def test_an_empty_forecast_gives_a_reason() -> None:
    assert dew_point_margin_through((), ROOM).value is None
