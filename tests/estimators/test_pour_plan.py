"""The pour plan: volumes and masses worked by hand on a flat sole, waste, goes, level, and honest gaps."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hoofsense.estimators.pour_plan import (
    WORK_EARLY_RATIO,
    PourSettings,
    plan_against_result,
    pour_plan,
)
from hoofsense.estimators.pour_words import (
    PourTemperatures,
    Signal,
    check_list,
    warm_up_advice,
    widening_ratio,
)
from hoofsense.estimators.sheet_sites import DEPTH_SITES, MID_SOLE_SITES, SheetSite
from hoofsense.geometry.depth_surface import DepthPlace
from hoofsense.geometry.fill_volume import FillShape, Order
from hoofsense.geometry.sole_outline import Length, outline_from, outline_inputs, sole_area_m2
from hoofsense.materials import load_profile
from hoofsense.records import Estimate, Foot
from hoofsense.units import si_from

MATERIAL = load_profile("standard")
U_m = 0.00005
OUTLINE = {
    SheetSite.FOOT_LENGTH: Length(0.135, 0.0003),
    SheetSite.FOOT_WIDTH: Length(0.128, 0.0003),
    SheetSite.FROG_LENGTH: Length(0.088, 0.002),
    SheetSite.FROG_WIDTH: Length(0.048, 0.002),
    SheetSite.WALL_THICKNESS: Length(0.009, 0.0005),
}
DEPTHS = {
    site: Length(1e-3 * mm, U_m)
    for site, mm in zip(DEPTH_SITES, (13.0, 7.0, 8.0, 7.5, 9.0, 8.5), strict=True)
}
FLAT = dict.fromkeys(DEPTH_SITES, Length(0.012, U_m))
AREA_m2 = sole_area_m2(outline_from([i.value for i in outline_inputs(Foot.LF, *OUTLINE.values())]))
SETTINGS = PourSettings(unit_m3=50e-6)
MILD = PourTemperatures(MATERIAL.reference_material_K, MATERIAL.reference_sole_K, MATERIAL.reference_air_K)


def plan(lengths=None, settings=SETTINGS, now=MILD, work=None, foot=Foot.LF):
    return pour_plan(
        foot, {**OUTLINE, **DEPTHS} if lengths is None else lengths, MATERIAL, settings, now, work
    )


def test_a_flat_sole_is_planned_as_worked_by_hand():
    made = plan({**OUTLINE, **FLAT})
    fill_m3 = AREA_m2 * 0.006  # half of 12 mm, everywhere
    to_mix_m3 = 1.08 * fill_m3 + made.pours * 8e-6  # sculpting 8 %, 8 mL in each nozzle
    assert made.volume.value == pytest.approx(to_mix_m3, rel=1e-4)
    assert made.mass.value == pytest.approx(to_mix_m3 * MATERIAL.density_kg_per_m3, rel=1e-4)
    assert made.units == math.ceil(made.volume.high / 50e-6)
    assert made.units * 50e-6 >= made.volume.high > made.volume.value
    assert made.thinnest[1].value == pytest.approx(0.006)
    assert made.fill.recess.value == pytest.approx(0.006)
    assert made.not_measured == ()
    assert (made.volume.unit, made.mass.unit) == ("m3", "kg")


def test_one_go_or_two_follows_from_the_working_time():
    def working(low_s):
        return Estimate("working_time", 2.0 * low_s, low_s, 4.0 * low_s, "s", "cure engine", True, "given")

    one = plan(work=working(300.0))
    assert (one.pours, one.fits) == (1, True)
    # time of a go = volume / rate + handling
    assert one.pour_s == pytest.approx(one.volume.value / 2e-6 + 30.0)
    two = plan(work=working(one.pour_s / 0.8 - 1.0))
    assert (two.pours, two.fits) == (2, True)
    assert two.volume.value == pytest.approx(one.volume.value + 8e-6)  # a second nozzle
    neither = plan(work=working(45.0))
    assert (neither.pours, neither.fits) == (2, False)
    assert any("even in two pours" in line.text for line in neither.check_list)


def test_the_working_time_without_the_engine_is_the_profile_s_own_and_shrinks_in_the_heat():
    mild = plan().work
    at_reference = plan(now=PourTemperatures(MATERIAL.reference_material_K)).work
    assert at_reference.value == pytest.approx(MATERIAL.reference_work_s)
    assert at_reference.low == pytest.approx(WORK_EARLY_RATIO * MATERIAL.reference_work_s)
    # by hand: 52 kJ/mol, 21 to 31 degC: exp(52000/8.314462618 (1/294.15 - 1/304.15)) = 2.01188
    hot = plan(now=PourTemperatures(air_K=304.15, material_K=294.15)).work
    assert hot.value == pytest.approx(MATERIAL.reference_work_s / 2.01188, rel=1e-4)
    assert mild.value < at_reference.value  # the reference sole is warmer than the material
    unknown = plan(now=PourTemperatures())
    assert unknown.work.value is None
    assert not unknown.fits


def test_both_orders_stand_side_by_side_when_there_is_a_trim():
    made = plan(settings=replace(SETTINGS, trim_m=0.004, order=Order.TRIM_FIRST))
    first, second = made.orders
    assert (first.fill.order, second.fill.order) == (Order.POUR_FIRST, Order.TRIM_FIRST)
    assert made.fill == second
    thickness = [dict(each.thickness)[DepthPlace.FROG_APEX].value for each in made.orders]
    assert thickness == pytest.approx([0.0065, 0.0045])  # half of 13, half of 13 - 4
    assert [each.recess.value for each in made.orders] == pytest.approx([0.0025, 0.0045])
    assert first.poured.value > second.poured.value
    assert plan().orders == ()


def test_a_thin_place_is_named_with_the_share_that_would_mend_it():
    made = plan()
    assert made.thinnest[0] is DepthPlace.TOE
    assert made.thinnest[1].value == pytest.approx(0.0005, abs=1e-9)
    assert made.level.value == 0.0
    assert "thinner than 3.0 mm at toe" in made.level.reason
    # 7 - (1 - s) 13 = 3 at s = 9/13
    assert made.share_needed == pytest.approx(9.0 / 13.0)
    assert any("may fail early" in line.text for line in made.check_list)
    mended = plan(settings=replace(SETTINGS, share_ratio=made.share_needed + 0.1))
    assert mended.thinnest[1].value > 0.003
    assert mended.level.low <= mended.level.value <= mended.level.high
    assert mended.level.value > 0.5
    assert any("Hold the foot level within" in line.text for line in mended.check_list)
    assert mended.spill.value > 0.0


def test_no_share_mends_a_place_shallower_than_the_least_thickness():
    shallow = {**OUTLINE, **DEPTHS, SheetSite.TOE: Length(0.0025, U_m)}
    assert plan(shallow).share_needed is None


def test_a_sculpted_fill_has_a_share_of_every_depth_and_no_level_of_its_own():
    made = plan(settings=replace(SETTINGS, shape=FillShape.FOLLOWING))
    assert dict(made.fill.thickness)[DepthPlace.TOE].value == pytest.approx(0.0035)
    assert made.level.value is None
    assert "does not find its own level" in made.level.reason
    assert made.share_needed == pytest.approx(3.0 / 7.0)
    assert not any("below the wall" in line.text for line in made.check_list)


def test_what_was_not_measured_is_named_with_what_it_costs():
    some = {**OUTLINE, **DEPTHS}
    for site in (SheetSite.WALL_THICKNESS, SheetSite.LATERAL_HEEL, SheetSite.FOOT_WIDTH):
        del some[site]
    full, made = plan(), plan(some)
    said = " ".join(made.not_measured)
    assert "Depth at lateral heel was not measured and was taken as medial heel" in said
    assert "Foot width was not measured and was taken as 0.97 of the foot's length" in said
    assert "Wall thickness was not measured and was taken as the usual 9 mm" in said
    assert "times as wide" in said
    wide = made.volume.high - made.volume.low
    assert wide > 1.2 * (full.volume.high - full.volume.low)


def test_length_stands_in_for_width_and_width_for_length():
    only_width = {site: length for site, length in {**OUTLINE, **DEPTHS}.items() if site != "foot length"}
    assert "Foot length was not measured" in plan(only_width).not_measured[0]
    neither = {site: length for site, length in only_width.items() if site != "foot width"}
    with pytest.raises(ValueError, match="measure one or both"):
        plan(neither)


def test_the_mid_sole_depths_are_used_when_read():
    deep = {**OUTLINE, **DEPTHS, **dict.fromkeys(MID_SOLE_SITES, Length(0.0125, U_m))}
    nine, six = plan(deep).volume, plan().volume
    assert nine.value > six.value
    assert nine.high - nine.low < 0.8 * (six.high - six.low)


def test_geometry_no_foot_has_is_refused_with_the_reason():
    with pytest.raises(ValueError, match="check its unit"):
        plan({**OUTLINE, **DEPTHS, SheetSite.FOOT_LENGTH: Length(5.3, U_m)})
    with pytest.raises(ValueError, match="leaves no sole"):
        plan({**OUTLINE, **DEPTHS, SheetSite.FROG_WIDTH: Length(0.085, U_m)})
    with pytest.raises(ValueError, match="frog apex"):
        plan({site: each for site, each in {**OUTLINE, **DEPTHS}.items() if site != "frog apex"})
    with pytest.raises(ValueError, match="reaches the sole"):
        plan(settings=replace(SETTINGS, trim_m=0.013))


@pytest.mark.parametrize(
    ("setting", "value"), [("unit_m3", 0.0), ("dispense_m3_per_s", math.nan), ("nozzle_m3", -1e-6)]
)
def test_settings_that_cannot_be_are_refused(setting, value):
    with pytest.raises(ValueError, match=setting):
        replace(SETTINGS, **{setting: value})


def test_cold_material_is_to_be_warmed_and_hot_material_kept_cool():
    cold = PourTemperatures(si_from(5.0, "Cel"), si_from(2.0, "Cel"), si_from(0.0, "Cel"))
    said = " ".join(warm_up_advice(MATERIAL, cold))
    assert "at 5 °C: warm it to about 21 °C" in said
    assert "The sole is at 2 °C" in said
    assert "shade" in " ".join(warm_up_advice(MATERIAL, PourTemperatures(si_from(33.0, "Cel"))))
    assert "not known" in warm_up_advice(MATERIAL, PourTemperatures())[0]
    assert warm_up_advice(MATERIAL, MILD) == ()
    logged = replace(MATERIAL, logged_low_K=si_from(10.0, "Cel"), logged_high_K=si_from(30.0, "Cel"))
    assert "go by touch" in " ".join(warm_up_advice(logged, replace(MILD, air_K=si_from(-5.0, "Cel"))))


def test_the_check_list_begins_with_the_foot_and_ends_with_the_touch_check():
    lines = plan().check_list
    assert lines[0].signal is Signal.WARNING
    assert "Do not cover" in lines[0].text
    assert "touch check" in lines[-1].text
    assert any(line.text == "Fill until the surface lies 6.5 mm below the wall." for line in lines)
    assert len(lines) <= 14  # one page


def test_a_thick_fill_in_the_heat_carries_a_caution():
    work = plan().work
    level = Estimate("level_tolerance", 1.0, None, None, "deg", "test", True, "given")
    hot, mild = (
        check_list(3, 1, True, work, 0.004, level, 0.015, si_from(air, "Cel")) for air in (35.0, 15.0)
    )
    assert any("heats itself" in line.text and line.signal is Signal.CAUTION for line in hot)
    assert not any("heats itself" in line.text for line in mild)


def test_an_assumed_input_widens_by_the_root_of_its_share():
    # 5 with 3 of it from one input, which would vanish if measured: 5/4
    assert widening_ratio(5.0, 3.0, 0.0) == pytest.approx(1.25)
    assert widening_ratio(5.0, 3.0, 1.0) == 1.0
    assert widening_ratio(5.0, 5.0, 0.0) == math.inf


def test_the_plan_is_held_against_the_pad_that_came_out():
    fill = plan().fill
    measured = {
        SheetSite.PAD_AT_FROG_APEX: Length(0.0066, 0.0001),
        SheetSite.PAD_AT_TOE: Length(0.0060, 0.0001),
        SheetSite.RECESS_BELOW_WALL: Length(0.004, 0.0001),
    }
    apex, toe = plan_against_result(fill, measured)
    assert (apex.site, apex.as_planned) == (SheetSite.PAD_AT_FROG_APEX, True)
    assert apex.difference_m == pytest.approx(0.0001)
    assert (toe.site, toe.as_planned) == (SheetSite.PAD_AT_TOE, False)
    assert plan_against_result(fill, {}) == ()
