"""The caliper sheet: every value at its own site and side, one question for one odd value, honest repeats."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from hoofsense.estimators.caliper_sheet import (
    KNOWN_SITES,
    MOST_REPEATS,
    CALIPER_u_m,
    is_complete,
    lengths_m,
    redone,
    sheet_begun,
    skipped,
    value_refusal,
    with_next_site,
    with_value,
)
from hoofsense.estimators.sheet_sites import (
    AFTER_TRIM,
    BEFORE_POUR,
    DEPTH_SITES,
    MID_SOLE_SITES,
    PAD_SITES,
    USUAL,
    PageSide,
    SheetSite,
    depth_place,
    medial_on_page,
    named_site,
    other_side,
    pad_site,
    page_side,
)
from hoofsense.geometry.depth_surface import DepthPlace
from hoofsense.records import Foot, Site

THREE = ("frog apex", "toe", "medial quarter")


def filled(sheet, *values_mm):
    for value_mm in values_mm:
        sheet = with_value(sheet, 1e-3 * value_mm)
    return sheet


def test_values_land_in_the_practice_s_own_order():
    sheet = filled(sheet_begun(THREE), 14.25, 12.5, 11.0)
    assert [(one.site.value, one.mean_m) for one in sheet.measured] == [
        ("frog apex", 0.01425),
        ("toe", 0.0125),
        ("medial quarter", 0.011),
    ]
    assert sheet.next_site is None
    assert is_complete(sheet)
    assert sheet_begun().sequence == DEPTH_SITES


def test_a_site_named_twice_is_read_twice_when_its_second_turn_comes():
    sheet = filled(sheet_begun(("toe", "frog apex", "toe")), 12.5, 14.0)
    assert sheet.next_site == "toe"
    sheet = filled(sheet, 12.7)
    toe = sheet.at("toe")
    assert toe.values_m == (0.0125, 0.0127)
    assert toe.standard_uncertainty_m == pytest.approx(0.0001)  # GUM 4.2.3: s = 0.2/sqrt 2, over sqrt 2
    assert sheet.next_site is None


def test_redo_takes_the_last_value_again_and_only_that():
    sheet = redone(filled(sheet_begun(THREE), 14.0, 12.5))
    assert (sheet.next_site, sheet.at("toe"), sheet.at("frog apex").mean_m) == ("toe", None, 0.014)
    sheet = redone(sheet)
    assert (sheet.next_site, sheet.measured) == ("frog apex", ())
    assert redone(sheet) == sheet


def test_a_skipped_site_comes_round_again_and_a_chosen_one_goes_first():
    sheet = skipped(sheet_begun(THREE))
    assert sheet.next_site == "toe"
    sheet = filled(with_next_site(sheet, "medial quarter"), 11.0)
    assert sheet.next_site == "frog apex"
    sheet = filled(sheet, 14.0)
    assert sheet.next_site == "toe"
    sheet = skipped(sheet)
    assert sheet.next_site is None
    assert not is_complete(sheet)
    assert skipped(sheet) == sheet


def test_a_value_outside_the_usual_is_asked_about_once_and_kept_when_read_again():
    sheet = filled(sheet_begun(THREE), 52.0)
    assert sheet.at("frog apex") is None
    assert "outside the usual 1 to 40 mm" in sheet.held_back.question
    assert sheet.next_site == "frog apex"
    again = filled(sheet, 52.3)  # agrees: both land, and nothing more is asked
    assert again.at("frog apex").values_m == pytest.approx((0.052, 0.0523))
    assert (again.held_back, again.unusual, again.next_site) == (None, (SheetSite.FROG_APEX,), "toe")


def test_a_slip_is_dropped_when_the_next_reading_is_ordinary():
    sheet = filled(sheet_begun(THREE), 52.0, 14.0)
    assert sheet.at("frog apex").values_m == (0.014,)
    assert (sheet.held_back, sheet.unusual) == (None, ())


def test_a_second_odd_value_is_kept_without_another_question_but_marked():
    sheet = filled(sheet_begun(THREE), 52.0, 60.0)
    assert sheet.at("frog apex").values_m == (0.060,)
    assert sheet.unusual == (SheetSite.FROG_APEX,)
    assert redone(sheet).unusual == ()


def test_a_value_that_stands_out_from_the_foot_s_own_history_is_asked_about():
    history = {"toe": (0.0120, 0.0124, 0.0118, 0.0121)}
    sheet = filled(sheet_begun(THREE, history), 14.0, 18.0)
    assert "stands out from this foot's earlier 12" in sheet.held_back.question
    assert filled(sheet_begun(THREE, history), 14.0, 13.5).held_back is None
    assert filled(sheet_begun(THREE), 14.0, 18.0).held_back is None  # without a history nothing stands out


def test_inches_taken_for_millimetres_are_named_in_the_question():
    sheet = filled(sheet_begun(("foot width",)), 5.1)  # 5.1 in is 129.5 mm
    assert "inches and millimetres" in sheet.held_back.question
    assert "inches" not in filled(sheet_begun(("foot width",)), 65.0).held_back.question


def test_choosing_skipping_or_redoing_drops_the_question():
    asked = filled(sheet_begun(THREE), 52.0)
    assert with_next_site(asked, "toe").held_back is None
    assert with_next_site(asked, "frog apex").held_back is not None
    assert skipped(asked).held_back is None
    fresh = redone(asked)
    assert (fresh.held_back, fresh.next_site) == (None, "frog apex")


@pytest.mark.parametrize("length_m", [-0.001, 0.301, math.nan, math.inf])
def test_a_length_no_caliper_gives_is_refused_with_the_reason(length_m):
    sheet = sheet_begun(THREE)
    assert "zero the caliper" in value_refusal(sheet, length_m)
    with pytest.raises(ValueError, match="zero the caliper"):
        with_value(sheet, length_m)


def test_a_full_sheet_and_a_full_site_refuse_further_values():
    done = filled(sheet_begun(("toe",)), 12.0)
    assert "choose a site" in value_refusal(done, 0.012)
    for _ in range(MOST_REPEATS - 1):
        done = filled(with_next_site(done, "toe"), 12.0)
    assert "enough" in value_refusal(with_next_site(done, "toe"), 0.012)


def test_sequences_that_make_no_sense_are_refused():
    with pytest.raises(ValueError, match="no site 'heel'"):
        sheet_begun(("toe", "heel"))
    with pytest.raises(ValueError, match="at least one"):
        sheet_begun(())
    with pytest.raises(ValueError, match="13 times"):
        sheet_begun(("toe",) * 13)
    with pytest.raises(ValueError, match="no site"):
        sheet_begun(THREE, {"hoof": (0.01,)})


def test_repeats_and_the_caliper_make_one_standard_uncertainty():
    sheet = filled(sheet_begun(("toe", "toe", "toe", "frog apex")), 12.1, 12.3, 12.2, 14.0)
    known = lengths_m(sheet)
    scatter_m = 0.0001  # of 12.1, 12.3, 12.2 mm
    assert known[SheetSite.TOE].standard_uncertainty_m == pytest.approx(
        math.hypot(scatter_m / math.sqrt(3.0), CALIPER_u_m)
    )
    # a single reading borrows the scatter of one reading, pooled over the repeated sites (GUM 4.2.4)
    assert known[SheetSite.FROG_APEX].standard_uncertainty_m == pytest.approx(
        math.hypot(scatter_m, CALIPER_u_m)
    )
    alone = lengths_m(filled(sheet_begun(("toe",)), 12.0))
    assert alone[SheetSite.TOE].standard_uncertainty_m == CALIPER_u_m


@pytest.mark.parametrize("foot", Foot)
def test_medial_lies_where_an_eye_below_the_horse_sees_it(foot):
    # Horse facing +y, up +z, left feet at x < 0. An eye below looks along +z with the toe (+y) up: its right
    # hand is look x up.
    right_of_page = np.cross([0.0, 0.0, 1.0], [0.0, 1.0, 0.0])
    foot_x = -1.0 if foot in (Foot.LF, Foot.LH) else 1.0
    medial = np.array([-foot_x, 0.0, 0.0])  # towards the middle of the horse
    assert medial_on_page(foot) == np.sign(medial @ right_of_page)
    right = medial_on_page(foot) > 0
    assert (page_side(foot, SheetSite.MEDIAL_QUARTER) is PageSide.RIGHT) == right
    assert (page_side(foot, SheetSite.WALL_HEIGHT_LATERAL) is PageSide.LEFT) == right
    assert page_side(foot, SheetSite.FROG_APEX) is PageSide.MIDDLE


def test_left_and_right_feet_are_mirror_images_site_by_site():
    flipped = {PageSide.LEFT: PageSide.RIGHT, PageSide.RIGHT: PageSide.LEFT, PageSide.MIDDLE: PageSide.MIDDLE}
    for site in SheetSite:
        assert page_side(Foot.LF, site) is flipped[page_side(Foot.RF, site)]
        assert page_side(Foot.LF, other_side(site)) is flipped[page_side(Foot.LF, site)]
        assert other_side(other_side(site)) is site


def test_every_site_has_its_usual_range_and_its_words():
    assert set(USUAL) == set(SheetSite) == set(KNOWN_SITES)
    assert all(0.0 <= usual.low_m < usual.high_m <= 0.3 for usual in USUAL.values())
    assert {site.value for site in DEPTH_SITES} < {site.value for site in Site}
    assert json.dumps(list(AFTER_TRIM))[:20] == '["pad at frog apex",'  # names travel as plain text
    assert set(BEFORE_POUR).isdisjoint(PAD_SITES)


def test_sites_on_the_sole_know_their_place():
    assert {depth_place(site) for site in (*DEPTH_SITES, *MID_SOLE_SITES)} == set(DepthPlace)
    assert depth_place(pad_site(SheetSite.MEDIAL_HEEL)) is DepthPlace.MEDIAL_HEEL
    with pytest.raises(ValueError, match="not at one place"):
        depth_place(SheetSite.FOOT_LENGTH)
    with pytest.raises(ValueError, match="no site"):
        pad_site(SheetSite.MID_SOLE_TOE)
    with pytest.raises(ValueError, match="no site"):
        named_site("Toe")
