"""A pour planned from a typed table, as text and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hoofsense.cli import main

LINES = (
    "LF,foot length,135,mm", "LF,foot width,128,mm", "LF,frog length,88,mm", "LF,frog width,48,mm",
    "LF,wall thickness,9,mm", "LF,frog apex,17.2,mm", "LF,toe,12.6,mm", "LF,medial quarter,13.9,mm",
    "LF,lateral quarter,14.3,mm", "LF,medial heel,15.8,mm", "LF,lateral heel,16.1,mm",
    "LF,wall height medial,64,mm", "LF,wall height lateral,60,mm",
)  # fmt: skip


@pytest.fixture
def planned(tmp_path: Path):  # type: ignore[no-untyped-def]
    def run(lines: tuple[str, ...], *words: str) -> Result:
        path = tmp_path / "lengths.csv"
        path.write_text("\n".join(("foot,site,value,unit", *lines)), encoding="utf-8")
        store = ("--store", str(tmp_path / "visits.sqlite3"))
        return CliRunner().invoke(main, ["plan", str(path), *store, *words])

    return run


def test_the_plan_fits_on_one_page_of_text(planned) -> None:  # type: ignore[no-untyped-def]
    result = planned(LINES, "--material-temperature", "21")
    assert result.exit_code == 0, result.output
    assert len(result.output.splitlines()) < 60
    for said in (
        "Mix ",
        "Units        1 of 200 mL",
        "Pours        one",
        "Level ",
        "pour before trim *",
        "WARNING",
    ):
        assert said in result.output
    assert "wall height: medial minus lateral +4.0 mm" in result.output
    assert "medial side higher" in result.output


def test_json_holds_the_same_plan(planned) -> None:  # type: ignore[no-untyped-def]
    (told,) = json.loads(planned(LINES, "--json", "--trim", "0", "--share", "60").output)
    assert told["foot"] == "LF" and told["plan"]["units"] == 1 and told["remarks"] == []
    assert told["settings"]["share_percent"] == 60 and told["plan"]["orders"] == []


def test_what_is_missing_is_named_and_what_stands_out_is_asked_about(planned) -> None:  # type: ignore[no-untyped-def]
    little = planned(("LF,toe,12.6,mm",))
    assert little.exit_code == 0
    assert "CANNOT TELL: Measure the foot's length or width, the depth at the frog apex." in little.output
    odd = planned((*LINES, "LF,toe,125,mm"), "--material-temperature", "21")
    assert "! 125.00 mm at toe is outside the usual 1 to 40 mm: read it once more." in odd.output
    gaps = planned(LINES[:7], "--material-temperature", "21")
    assert "Depth at medial heel was not measured" in gaps.output


@pytest.mark.parametrize(
    ("lines", "words", "said"),
    [
        (("LF,toe,12.6,",), (), "line 2: 12.6 has no unit"),
        (LINES, ("--foot", "RH"), "has no reading of RH: name one of LF"),
        (LINES, ("--share", "900"), "share_percent 900.0 is outside"),
        (LINES, ("--material", "jelly"), "there is no material 'jelly'"),
    ],
)
def test_bad_input_ends_in_one_sentence(planned, lines, words, said) -> None:  # type: ignore[no-untyped-def]
    result = planned(lines, *words)
    assert result.exit_code == 2
    assert result.output.startswith("hoofsense: ") and said in result.output
    assert result.output.count("\n") == 1
