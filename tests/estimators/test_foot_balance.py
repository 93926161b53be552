"""Balance by the whole interval, wear by a straight line worked by hand, dates by Fieller's interval."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from hoofsense.estimators.foot_balance import (
    NS_PER_WEEK,
    Balance,
    SITE_u_m,
    Target,
    ThicknessAt,
    VisitLengths,
    balance_history,
    foot_balance,
    minimum_reached,
    side_difference,
    wear_line,
    wear_rate,
)
from hoofsense.estimators.sheet_sites import SheetSite
from hoofsense.geometry.propagation import COVERAGE_FACTOR
from hoofsense.geometry.sole_outline import Length

START_NS = 1_773_475_200_000_000_000
WEEKS = (0.0, 1.0, 2.0, 3.0, 4.0)
THICKNESS_MM = (10.0, 9.4, 9.1, 8.3, 8.0)
# By hand: middle 2 wk and 8.96 mm, Sxx 10, Sxy -5.1, slope -0.51; residuals .02 -.07 .14 -.15 .06, SSE 0.051,
# s = sqrt(0.051/3) = 0.130384, s/sqrt(Sxx) = 0.041231, t(95 %, 3) = 2.353363 (any t table: 2.353)
HALF_BY_HAND = 2.353363 * 0.041231


def pad(weeks=WEEKS, mm=THICKNESS_MM, u_mm=0.0):
    return [
        ThicknessAt(START_NS + round(week * NS_PER_WEEK), 1e-3 * each, 1e-3 * u_mm)
        for week, each in zip(weeks, mm, strict=True)
    ]


def weeks_after_start(at_ns):
    return (at_ns - START_NS) / NS_PER_WEEK


def test_wear_has_the_hand_computed_slope_and_t_interval():
    rate = wear_rate(pad())
    assert rate.value == pytest.approx(0.51, abs=1e-9)
    assert rate.high - rate.value == pytest.approx(HALF_BY_HAND, rel=1e-5)
    assert rate.value - rate.low == pytest.approx(HALF_BY_HAND, rel=1e-5)
    assert rate.unit == "mm/wk"


def test_wear_agrees_with_scipy_on_uneven_weeks():
    weeks, mm = (0.0, 0.7, 2.9, 5.1), (9.9, 9.8, 8.4, 7.9)
    line = stats.linregress(weeks, mm)
    rate = wear_rate(pad(weeks, mm))
    assert rate.value == pytest.approx(-line.slope, rel=1e-9)
    assert rate.high - rate.value == pytest.approx(stats.t.ppf(0.95, 2) * line.stderr, rel=1e-9)


def test_readings_in_any_order_give_the_same_wear():
    shuffled = [pad()[k] for k in (3, 0, 4, 1, 2)]
    assert wear_rate(shuffled) == wear_rate(pad())


def test_readings_on_a_line_are_no_more_certain_than_the_caliper():
    straight = pad((0.0, 2.0, 4.0), (10.0, 9.0, 8.0), u_mm=0.1)
    rate = wear_rate(straight)
    assert rate.value == pytest.approx(0.5)
    assert rate.high - rate.value == pytest.approx(COVERAGE_FACTOR * 0.1 / math.sqrt(8.0))


def test_two_readings_rest_on_their_own_uncertainty():
    rate = wear_rate(pad((0.0, 4.0), (10.0, 8.0), u_mm=0.2))
    # u(slope) = sqrt(2) 0.2 / 4
    assert rate.high - rate.value == pytest.approx(COVERAGE_FACTOR * math.sqrt(2.0) * 0.2 / 4.0)
    unknown = wear_rate(pad((0.0, 4.0), (10.0, 8.0)))
    assert (unknown.value, unknown.low, unknown.high) == (pytest.approx(0.5), None, None)
    assert not unknown.within_validity


@pytest.mark.parametrize(
    ("readings", "reason"),
    [([], "two or more"), (pad()[:1], "two or more"), (pad((0.0, 0.2), (9.0, 8.9)), "three days")],
)
def test_wear_that_cannot_be_told_says_what_to_do(readings, reason):
    rate = wear_rate(readings)
    assert rate.value is None
    assert reason in rate.reason
    projection = minimum_reached(readings, 0.003)
    assert (projection.at_ns, projection.earliest_ns, projection.latest_ns) == (None, None, None)
    assert reason in projection.reason


def test_the_pad_reaches_the_minimum_where_its_line_does():
    projection = minimum_reached(pad(), 0.0070)
    # 8.96 - 0.51 (x - 2) = 7.0 at x = 5.843
    assert weeks_after_start(projection.at_ns) == pytest.approx(2.0 + 1.96 / 0.51, abs=1e-9)
    assert projection.within_validity
    for bound_ns in (projection.earliest_ns, projection.latest_ns):
        # Fieller: there the line is exactly t standard errors of the mean response from the minimum
        z = weeks_after_start(bound_ns) - 2.0
        off = 8.96 - 0.51 * z - 7.0
        error = 0.130384 * math.sqrt(1.0 / 5.0 + z**2 / 10.0)
        assert abs(off) == pytest.approx(2.353363 * error, rel=1e-4)
    assert projection.earliest_ns < projection.at_ns < projection.latest_ns


def test_a_far_projection_is_said_to_be_a_guess():
    projection = minimum_reached(pad(), 0.003)
    assert not projection.within_validity
    assert "only a guess" in projection.reason


def test_wear_that_may_be_nothing_has_no_latest_date():
    noisy = pad((0.0, 1.0, 2.0, 3.0), (9.0, 9.4, 8.6, 8.8))
    assert wear_rate(noisy).low < 0.0 < wear_rate(noisy).value
    projection = minimum_reached(noisy, 0.0050)
    assert projection.latest_ns is None
    assert projection.earliest_ns < projection.at_ns
    at_once = minimum_reached(noisy, 0.0089)  # the minimum lies inside the scatter: any date is possible
    assert (at_once.earliest_ns, at_once.latest_ns) == (None, None)


def test_a_pad_already_below_the_minimum_has_a_date_in_the_past():
    certain = minimum_reached(pad(), 0.0095)
    assert certain.earliest_ns < certain.at_ns < certain.latest_ns < pad()[2].at_ns
    noisy = minimum_reached(pad((0.0, 1.0, 2.0, 3.0), (9.0, 9.4, 8.6, 8.8)), 0.0130)
    assert noisy.earliest_ns is None
    assert noisy.at_ns < noisy.latest_ns < START_NS


def test_a_pad_that_hardly_wears_gets_no_date_years_ahead():
    slow = minimum_reached(pad((0.0, 2.0, 4.0), (9.0, 8.99, 8.98)), 0.003)
    assert slow.at_ns is None
    assert "two years" in slow.reason


def test_a_pad_that_grows_has_no_date():
    projection = minimum_reached(pad((0.0, 2.0, 4.0), (8.0, 8.1, 8.3)), 0.003)
    assert projection.at_ns is None
    assert "not seen to wear" in projection.reason


def test_intervals_of_wear_and_of_the_date_hold_nine_times_in_ten():
    rng = np.random.default_rng(11)
    weeks = (0.0, 2.0, 4.0, 6.0, 8.0)
    truth_rate, truth_week = 0.6, (10.0 - 4.0) / 0.6
    rates = dates = 0
    for _ in range(1000):
        mm = [10.0 - truth_rate * week + rng.normal(0.0, 0.25) for week in weeks]
        rate, projection = wear_rate(pad(weeks, mm)), minimum_reached(pad(weeks, mm), 0.004)
        rates += rate.low <= truth_rate <= rate.high
        latest = math.inf if projection.latest_ns is None else weeks_after_start(projection.latest_ns)
        earliest = -math.inf if projection.earliest_ns is None else weeks_after_start(projection.earliest_ns)
        dates += earliest <= truth_week <= latest
    # 900 +/- 9.5 expected
    assert 872 <= rates <= 928
    assert 872 <= dates <= 928


def test_a_side_is_high_only_when_the_whole_interval_says_so():
    def called(medial_mm, lateral_mm, target=Target()):  # noqa: B008
        medial, lateral = (Length(1e-3 * each, 0.0001) for each in (medial_mm, lateral_mm))
        return side_difference("wall height", medial, lateral, target).balance

    assert called(60.0, 60.2) is Balance.ON_TARGET
    assert called(64.0, 60.0) is Balance.MEDIAL_HIGH
    assert called(60.0, 64.0) is Balance.LATERAL_HIGH
    assert called(62.0, 60.0) is Balance.CANNOT_TELL
    assert called(64.0, 60.0, Target(0.004)) is Balance.ON_TARGET  # a horse that stands level that way


def test_the_difference_carries_both_sides_and_the_finding_of_the_spot():
    said = side_difference("wall height", Length(0.060, 0.0003), Length(0.058, 0.0004), Target())
    half = COVERAGE_FACTOR * math.sqrt(0.0003**2 + 0.0004**2 + 2.0 * SITE_u_m**2)
    assert said.difference.value == pytest.approx(0.002)
    assert said.difference.high == pytest.approx(0.002 + half)
    assert "medial minus lateral +2.0 mm" in said.because


def test_swapping_the_sides_swaps_the_answer():
    one, other = Length(0.063, 0.0), Length(0.059, 0.0)
    medial_high = side_difference("wall height", one, other, Target())
    lateral_high = side_difference("wall height", other, one, Target())
    assert (medial_high.balance, lateral_high.balance) == (Balance.MEDIAL_HIGH, Balance.LATERAL_HIGH)
    assert medial_high.difference.value == -lateral_high.difference.value


def test_every_measured_pair_is_compared_and_a_lone_side_asks_for_the_other():
    lengths = {
        SheetSite.WALL_HEIGHT_MEDIAL: Length(0.060, 0.0),
        SheetSite.WALL_HEIGHT_LATERAL: Length(0.060, 0.0),
        SheetSite.PAD_AT_MEDIAL_HEEL: Length(0.006, 0.0),
    }
    walls, heels = foot_balance(lengths)
    assert (walls.what, walls.balance) == ("wall height", Balance.ON_TARGET)
    assert (heels.balance, heels.difference.value) == (Balance.CANNOT_TELL, None)
    assert heels.next_step == "Measure pad at lateral heel."
    with pytest.raises(ValueError, match="no pair 'toes'"):
        foot_balance(lengths, {"toes": Target()})
    with pytest.raises(ValueError, match="tolerance above 0"):
        Target(0.0, 0.0)


def test_the_history_runs_from_the_oldest_visit():
    def visit(week, medial_mm):
        sides = (
            (SheetSite.WALL_HEIGHT_MEDIAL, Length(1e-3 * medial_mm, 0.0)),
            (SheetSite.WALL_HEIGHT_LATERAL, Length(0.060, 0.0)),
        )
        return VisitLengths(START_NS + round(week * NS_PER_WEEK), sides)

    history = balance_history([visit(6.0, 60.1), visit(0.0, 65.0)])
    assert [differences[0].balance for _, differences in history] == [Balance.MEDIAL_HIGH, Balance.ON_TARGET]


def test_thicknesses_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="0 or more"):
        wear_line(pad((0.0, 1.0), (9.0, -1.0)))
    with pytest.raises(ValueError, match="least thickness"):
        minimum_reached(pad(), -0.001)
