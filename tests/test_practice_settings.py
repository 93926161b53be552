"""A practice's own way, as plain values: what is left out is as usual, a slip of the pen is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from hoofsense.estimators.foot_balance import Target
from hoofsense.estimators.sheet_sites import AFTER_TRIM, BEFORE_POUR, SheetSite
from hoofsense.geometry.fill_volume import FillShape, Order
from hoofsense.practice_settings import (
    NUMBERS,
    PourWishes,
    PracticeSettings,
    settings_fields,
    settings_from,
    wished,
    wishes_from,
)

OWN: dict[str, Any] = {
    "before_pour": ["frog apex", "toe", "frog apex"],
    "after_trim": ["pad at toe"],
    "pouring": {"share_percent": 60, "trim_mm": 3.5, "shape": "following the sole", "nozzle_mL": 5},
    "balance": {"wall height": {"difference_mm": -1, "tolerance_mm": 1.5}},
}


def test_nothing_said_is_the_usual_way() -> None:
    usual = settings_from({})
    assert usual == PracticeSettings()
    assert (usual.before_pour, usual.after_trim) == (BEFORE_POUR, AFTER_TRIM)


def test_what_is_said_is_taken_in_its_own_unit() -> None:
    own = settings_from(OWN)
    assert own.before_pour == (SheetSite.FROG_APEX, SheetSite.TOE, SheetSite.FROG_APEX)
    assert own.pouring.share_ratio == pytest.approx(0.6)
    assert own.pouring.trim_m == pytest.approx(0.0035)
    assert own.pouring.nozzle_m3 == pytest.approx(5e-6)
    assert own.pouring.shape is FillShape.FOLLOWING
    assert own.pouring.handling_s == PracticeSettings().pouring.handling_s
    assert own.targets == (("wall height", Target(-0.001, 0.0015)),)


@pytest.mark.parametrize("fields", [{}, OWN], ids=["usual", "own"])
def test_written_and_read_again_they_are_the_same(fields: dict[str, Any]) -> None:
    settings = settings_from(fields)
    again = settings_from(json.loads(json.dumps(settings_fields(settings))))
    assert settings_fields(again) == settings_fields(settings)
    assert again.before_pour == settings.before_pour
    for key, number in NUMBERS.items():
        same = pytest.approx(getattr(settings.pouring, number.field), rel=1e-8)
        assert getattr(again.pouring, number.field) == same, key


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"sheet": []}, "have no 'sheet'"),
        ({"before_pour": ["hoof"]}, "no site 'hoof'"),
        ({"before_pour": []}, "names at least one site"),
        ({"before_pour": "toe"}, "write it as a list"),
        ({"after_trim": ["toe"] * 13}, "12 readings are enough"),
        ({"pouring": 3}, "write it as a table"),
        ({"pouring": {"share": 50}}, "have no 'share'"),
        ({"pouring": {"share_percent": 0.5}}, "outside 5 to 100"),
        ({"pouring": {"share_percent": True}}, "outside 5 to 100"),
        ({"pouring": {"trim_mm": "2"}}, "outside 0 to 20"),
        ({"pouring": {"order": "whenever"}}, "write pour before trim or trim before pour"),
        ({"balance": {"ears": {}}}, "no pair 'ears'"),
        ({"balance": {"wall height": {"tolerance_mm": 0}}}, "outside 0.1 to 20"),
        ({"balance": {"wall height": 2}}, "difference_mm and tolerance_mm"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_words(fields: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        settings_from(fields)


def test_a_foot_s_wishes_stand_in_for_the_practice_s_usual() -> None:
    usual = PracticeSettings().pouring
    assert wished(usual, PourWishes()) == usual
    wishes = wishes_from(
        {"share_percent": 70, "trim_mm": 0, "order": "trim before pour", "material_degC": 25}
    )
    assert wishes.material_K == pytest.approx(298.15)
    made = wished(usual, wishes)
    assert (made.share_ratio, made.trim_m, made.order) == (pytest.approx(0.7), 0.0, Order.TRIM_FIRST)
    assert made.least_thickness_m == usual.least_thickness_m
    with pytest.raises(ValueError, match="material_degC 99 is outside"):
        wishes_from({"material_degC": 99})
