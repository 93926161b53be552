"""The settings file beside the store: one entry for each practice, one for all others, replaced whole."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from hoofsense.cli import main
from hoofsense.estimators.sheet_sites import SheetSite
from hoofsense.practice_file import changed_settings, practice_named, practices_path, write_practice
from hoofsense.practice_settings import PracticeSettings


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return practices_path(tmp_path / "visits.sqlite3")


def test_without_a_file_everything_is_as_usual(path: Path) -> None:
    settings, origin = practice_named(path, "Hill Farm")
    assert settings == PracticeSettings()
    assert origin.startswith("as usual")


def test_a_practice_has_its_own_way_and_the_others_share_one(path: Path) -> None:
    own = changed_settings(PracticeSettings(), "toe, frog apex, toe", None, ["share_percent=55"], [])
    write_practice(path, "Hill Farm", own)
    write_practice(path, "", changed_settings(PracticeSettings(), None, None, ["trim_mm=3"], []))
    settings, origin = practice_named(path, " hill farm ")
    assert settings.before_pour == (SheetSite.TOE, SheetSite.FROG_APEX, SheetSite.TOE)
    assert settings.pouring.share_ratio == pytest.approx(0.55)
    assert origin == "its own"
    shared, origin = practice_named(path, "Dale")
    assert shared.pouring.trim_m == pytest.approx(0.003)
    assert origin == "those of every practice"
    write_practice(path, "Hill Farm", None)
    assert practice_named(path, "Hill Farm")[0].pouring.trim_m == pytest.approx(0.003)
    with pytest.raises(ValueError, match="nothing to forget"):
        write_practice(path, "Hill Farm", None)
    assert [one.name for one in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("text", ["[", "{}", '{"practices": []}', '{"practices": {"": 3}}'])
def test_a_file_that_makes_no_sense_is_named_and_left_alone(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=r"practices\.json is not a file of practices"):
        practice_named(path, "")
    with pytest.raises(ValueError, match=r"practices\.json is not a file of practices"):
        write_practice(path, "", PracticeSettings())
    assert path.read_text(encoding="utf-8") == text


def test_an_entry_that_makes_no_sense_is_told_with_the_file(path: Path) -> None:
    path.write_text(json.dumps({"practices": {"": {"pouring": {"trim_mm": 99}}}}), encoding="utf-8")
    with pytest.raises(ValueError, match=r"practices\.json: trim_mm 99 is outside 0 to 20"):
        practice_named(path, "Dale")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--set", "share_percent"], "has no ="),
        (["--set", "share=50"], "there is no setting 'share'"),
        (["--set", "trim_mm=two"], "is not a number"),
        (["--target", "ears=1"], "there is no pair 'ears'"),
        (["--before-pour", "toe, ear"], "there is no site 'ear'"),
        (["--forget"], "nothing to forget"),
    ],
)
def test_a_slip_at_the_command_line_changes_nothing(path: Path, words: list[str], said: str) -> None:
    store = str(path.with_name("visits.sqlite3"))
    result = CliRunner().invoke(main, ["practice", "--store", store, *words])
    assert result.exit_code == 2 and said in result.output
    assert not path.exists()


def test_the_command_line_shows_and_sets_a_practice(path: Path) -> None:
    store = ["--store", str(path.with_name("visits.sqlite3"))]
    words = [
        "--set",
        "order=trim before pour",
        "--target",
        "wall height=-1,1.5",
        "--after-trim",
        "pad at toe",
    ]
    shown = CliRunner().invoke(main, ["practice", "Dale", *store, *words])
    assert shown.exit_code == 0, shown.output
    assert "Settings of Dale (its own)" in shown.output
    assert "1  pad at toe" in shown.output and "wall height            -1 within 1.5" in shown.output
    told = json.loads(CliRunner().invoke(main, ["practice", "Dale", *store, "--json"]).output)
    assert told["pouring"]["order"] == "trim before pour"
    assert told["balance"] == {"wall height": {"difference_mm": -1.0, "tolerance_mm": 1.5}}
