"""A typed table of lengths: its own unit on every line, never a guess, and back as it went."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hoofsense.estimators.sheet_sites import SheetSite
from hoofsense.length_table import TableRow, read_table, remarks, rows_from, rows_of, table_text
from hoofsense.records import Foot
from hoofsense.visit_state import VisitState

Folded = Callable[..., VisitState]
HEAD = "foot,site,value,unit\n"
AFTER = ["pad at toe"]
TYPED = ("6.1 mm", "0.4865 in", "12.4 mm", "61 mm")


def test_each_line_is_taken_in_its_own_unit() -> None:
    rows = rows_from(HEAD + "LF,frog apex,17.2,mm\nLF,Toe,0.5,in\nrf,foot length,13.5,cm\n")
    assert [(row.foot, row.site, round(1e3 * row.length_m, 6)) for row in rows] == [
        (Foot.LF, SheetSite.FROG_APEX, 17.2),
        (Foot.LF, SheetSite.TOE, 12.7),  # the inch is 25.4 mm by definition
        (Foot.RF, SheetSite.FOOT_LENGTH, 135.0),
    ]
    assert "mixes units (1 in cm, 1 in in, 1 in mm)" in remarks(rows)[0]
    assert remarks(rows[:1]) == []


def test_a_spreadsheet_s_semicolons_decimal_commas_and_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = tmp_path / "lengths.csv"
    path.write_bytes("\ufeffunit;foot;value;site\r\nmm;LF;17,20;frog apex\r\n;;;\r\n".encode())
    (row,) = read_table(path)
    assert (row.text, row.length_m) == ("17,20 mm", pytest.approx(0.0172))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1: no column 'foot'"),
        ("foot,site,value\n", "line 1: no column 'unit'"),
        (HEAD, "line 2: the table has no reading"),
        ("foot,site,value,unit,colour\n", "line 1: columns"),
        (HEAD + "LF,toe,12.3,\n", "line 2: 12.3 has no unit"),
        (HEAD + "LF,toe,12.3 mm,in\n", "line 2: '12.3 mm in' is not a length"),
        (HEAD + "LF,toe,12.3,furlong\n", "line 2: '12.3 furlong' is not a length"),
        (HEAD + "LF,toe,1234,mm\n", "line 2: 1234 mm is outside 0 to 300 mm"),
        (HEAD + "XX,toe,12.3,mm\n", "line 2: foot 'XX' is not one of LF"),
        (HEAD + "LF,ear,12.3,mm\n", "line 2: there is no site 'ear'"),
        (HEAD + "LF,toe,12.3,mm\nLF,toe,12.3\n", "line 3: the number of cells"),
        (HEAD + 'LF,"toe,12.3,mm\n', "line 2: unexpected end of data"),
        (HEAD.strip() + ",when\nLF,toe,12,mm,yesterday\n", "line 2: when is 'yesterday'"),
        (HEAD + "LF,toe,12,mm\n" * 1001, "line 1002: more than 1000"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(text: str, said: str) -> None:
    with pytest.raises(ValueError) as refused:
        rows_from(text)
    assert str(refused.value).startswith(said)


def test_a_file_that_is_no_table_is_refused_by_its_name(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="cannot be read"):
        read_table(tmp_path / "none.csv")
    path = tmp_path / "odd.csv"
    path.write_bytes(b"foot,site\xff")
    with pytest.raises(ValueError, match=r"odd\.csv: byte 9 is not UTF-8"):
        read_table(path)
    path.write_bytes(b"x" * 300_000)
    with pytest.raises(ValueError, match="more than 200000"):
        read_table(path)


def test_a_visit_s_readings_come_back_from_their_table(maker: Any, folded: Folded) -> None:
    frames = [
        maker.begin(
            sheet=["pad at toe", "toe", "toe", "wall height medial"], sheet_after_trim=["pad at toe"]
        ),
        *(
            maker.typed(2.0 * n, text)
            for n, text in enumerate(("6.1 mm", "0.4865 in", "12.4 mm", "61 mm"), 1)
        ),
        maker.mark(20, "fitness", foot="LF", signs=[]),
        maker.mark(30, "poured", foot="LF", thickness_mm=8, material_degC=20, cover="film"),
        maker.mark(999, "trimmed", foot="LF"),
        maker.typed(1000, "8.25 mm"),
    ]
    rows = rows_of(folded(frames))
    again = rows_from(table_text(rows))
    assert [(r.site.value, r.text, r.when) for r in again] == [
        ("wall height medial", "61 mm", "before the trim"),
        ("pad at toe", "6.1 mm", "before the pour"),
        ("toe", "12.3571 mm", ""),
        ("toe", "12.4 mm", ""),
        ("pad at toe", "8.25 mm", ""),
    ]
    assert [r.length_m for r in again] == pytest.approx([r.length_m for r in rows], abs=1e-9)
    assert "2 readings are of the old pad" in remarks(again)[0]


def test_a_table_read_in_is_one_mark_that_can_be_taken_back(maker: Any, folded: Folded) -> None:
    rows = [{"site": "toe", "value": "12.3 mm"}, {"site": "frog apex", "value": "1.72 cm"}]
    frames = [maker.begin(), maker.mark(1, "table", foot="LF", rows=rows)]
    sheet = folded(frames).foot_state(Foot.LF).sheet
    assert {one.site.value: round(1e3 * one.mean_m, 6) for one in sheet.measured} == {
        "toe": 12.3, "frog apex": 17.2,
    }  # fmt: skip
    assert folded([*frames, maker.mark(2, "undo", of="m2")]).foot_state(Foot.LF).sheet.measured == ()


def test_a_reading_of_a_table_that_stands_out_is_asked_about_and_left_out(maker: Any, folded: Folded) -> None:
    rows = [{"site": "toe", "value": "123 mm"}, {"site": "frog apex", "value": "17.2 mm"}]
    state = folded([maker.begin(), maker.mark(1, "table", foot="LF", rows=rows)])
    assert [one.site.value for one in state.foot_state(Foot.LF).sheet.measured] == ["frog apex"]
    assert "123.00 mm at toe is outside the usual" in state.notices[-1][1]
    twice = [rows[0], rows[0]]
    kept = folded([maker.begin(), maker.mark(1, "table", foot="LF", rows=twice)]).foot_state(Foot.LF).sheet
    assert kept.unusual == (SheetSite.TOE,)


@pytest.mark.parametrize(
    "rows", [[], "toe", [{"site": "toe", "value": "12.3"}], [{"site": "ear", "value": "12 mm"}], [{}], [3]]
)
def test_a_table_mark_that_makes_no_sense_changes_nothing(maker: Any, folded: Folded, rows: Any) -> None:
    state = folded([maker.begin(), maker.mark(1, "table", foot="LF", rows=rows)])
    assert state.foot_state(Foot.LF).sheet.measured == ()
    assert state.notices


def test_a_row_knows_its_unit() -> None:
    assert TableRow(2, Foot.LF, SheetSite.TOE, "12.3 mm", 0.0123).unit == "mm"
