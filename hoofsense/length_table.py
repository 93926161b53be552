"""A typed table of lengths: CSV, one reading a line, every line with its own unit.

    foot,site,value,unit,when
    LF,frog apex,17.2,mm,
    LF,toe,0.496,in,

The first four columns are needed, in any order; "when" is empty for what is so now and says "before the pour"
or "before the trim" for what was measured on the old pad or the untrimmed wall. Semicolons may stand between
the cells and a comma in the number, as spreadsheets write them. RFC 4180, LF or CRLF.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from hoofsense.estimators.caliper_sheet import KNOWN_SITES, SiteValues
from hoofsense.estimators.sheet_sites import PAD_SITES, SheetSite, named_site
from hoofsense.records import Foot
from hoofsense.sources.typed import typed_payload
from hoofsense.units import si_from, value_in
from hoofsense.visit_state import FootState, VisitState
from hoofsense.wire.typed import decode_typed

NEEDED = ("foot", "site", "value", "unit")
COLUMNS = (*NEEDED, "when")
BEFORE_POUR, BEFORE_TRIM = "before the pour", "before the trim"
MOST_ROWS = 1000  # of a table; four feet with every site read a dozen times have fewer
MOST_BYTES = 200_000


@dataclass(frozen=True, slots=True)
class TableRow:
    """One reading of a table: text as a person would type it, e.g. "12,34 mm"."""

    line: int
    foot: Foot
    site: SheetSite
    text: str
    length_m: float
    when: str = ""

    @property
    def unit(self) -> str:
        return self.text.rpartition(" ")[2]


def read_table(path: Path) -> tuple[TableRow, ...]:
    """The rows of a file; ValueError naming the file, the line, what is wrong and what to do."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ValueError(f"{path} cannot be read ({error.strerror}): check the path") from None
    if len(content) > MOST_BYTES:
        raise ValueError(f"{path} has {len(content)} bytes, more than {MOST_BYTES}: it is no such table")
    try:
        return rows_from(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise ValueError(f"{path}: byte {error.start} is not UTF-8: save it as UTF-8 text") from None
    except ValueError as why:
        raise ValueError(f"{path} {why}") from None


def rows_from(text: str) -> tuple[TableRow, ...]:
    """The rows of a table's text; ValueError beginning with the line."""
    head = text.partition("\n")[0]
    delimiter = ";" if head.count(";") > head.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        columns = [cell.strip().lower() for cell in next(reader, [])]
        lacking = [name for name in NEEDED if name not in columns]
        strange = [name for name in columns if name not in COLUMNS]
        if lacking or strange or len(set(columns)) != len(columns):
            wrong = f"no column {lacking[0]!r}" if lacking else f"columns {', '.join(columns)}"
            raise ValueError(f"line 1: {wrong}: name the columns {', '.join(NEEDED)} and, if need be, when")
        rows = tuple(
            _row(reader.line_num, dict(zip(columns, cells, strict=False)), len(cells) == len(columns))
            for cells in reader
            if any(cell.strip() for cell in cells)
        )
    except csv.Error as error:
        raise ValueError(f"line {reader.line_num}: {error}: save the table as plain CSV") from None
    if not rows:
        raise ValueError("line 2: the table has no reading: write one on each line")
    if len(rows) > MOST_ROWS:
        raise ValueError(f"line {rows[MOST_ROWS].line}: more than {MOST_ROWS} readings: split the table")
    return rows


def _row(line: int, cells: dict[str, str], whole: bool) -> TableRow:
    if not whole:
        raise ValueError(f"line {line}: the number of cells is not that of line 1: correct the line")
    said = {name: cell.strip() for name, cell in cells.items()}
    try:
        if said["foot"].upper() not in Foot.__members__:
            raise ValueError(f"foot {said['foot']!r} is not one of LF, RF, LH, RH")
        if not said["unit"]:
            raise ValueError(f"{said['value']} has no unit: write mm, cm or in, none is guessed")
        if said.get("when", "") not in ("", BEFORE_POUR, BEFORE_TRIM):
            raise ValueError(
                f"when is {said['when']!r}: leave it empty, or write {BEFORE_POUR} or {BEFORE_TRIM}"
            )
        text = f"{said['value']} {said['unit']}"
        typed = decode_typed(typed_payload(text))
        return TableRow(
            line,
            Foot(said["foot"].upper()),
            named_site(said["site"].lower()),
            text,
            si_from(typed.value, typed.unit),
            said.get("when", ""),
        )
    except ValueError as why:
        raise ValueError(f"line {line}: {why}") from None


def remarks(rows: Iterable[TableRow]) -> list[str]:
    """What a person should know of a table before it is used: units side by side, readings left out."""
    rows = tuple(rows)
    told = []
    units = sorted({row.unit for row in rows})
    if len(units) > 1:
        counted = ", ".join(f"{sum(row.unit == unit for row in rows)} in {unit}" for unit in units)
        told.append(f"This table mixes units ({counted}); each reading was taken in its own.")
    old = [row for row in rows if row.when]
    if old:
        told.append(f"{len(old)} readings are of the old pad or the untrimmed wall and were left out.")
    return told


def rows_of(state: VisitState) -> tuple[TableRow, ...]:
    """Every reading of a visit's sheets, in the order of feet and sites, in mm."""
    return tuple(row for foot in state.feet for row in _foot_rows(foot))


def _foot_rows(foot: FootState) -> Iterator[TableRow]:
    order = {site: place for place, site in enumerate(KNOWN_SITES)}

    def told(values: Iterable[SiteValues], old: bool) -> Iterator[TableRow]:
        for one in sorted(values, key=lambda each: order[each.site]):
            when = "" if not old else BEFORE_POUR if one.site in PAD_SITES else BEFORE_TRIM
            for length_m in one.values_m:
                yield TableRow(0, foot.foot, one.site, f"{_mm(length_m)} mm", length_m, when)

    yield from told(foot.sheet.set_aside, True)
    yield from told(foot.sheet.measured, False)


def _mm(length_m: float) -> str:
    """To 10 nm: a ten-thousandth of an inch comes back as it went."""
    return f"{value_in(length_m, 'mm'):.5f}".rstrip("0").rstrip(".")


def table_text(rows: Iterable[TableRow]) -> str:
    """The table as CSV; rows_from reads it again."""
    file = io.StringIO(newline="")
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        number, _, unit = row.text.rpartition(" ")
        writer.writerow((row.foot.value, row.site.value, number, unit, row.when))
    return file.getvalue()
