"""The pages say what is true: their examples run, their links lead somewhere, each tells how to verify."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest

NOTES = Path(__file__).parents[2] / "firmware_notes"
PAGES = sorted(NOTES.glob("*.md"))
LINK_PAGES = [page for page in PAGES if page.name not in ("README.md", "generic_parts.md")]
HS1_LINE = re.compile(r"\$HS1,\d[^\s\"`]*\*[0-9A-F]{4}")


def test_there_is_a_page_for_every_link() -> None:
    assert {page.stem for page in LINK_PAGES} == {
        "health_thermometer",
        "environmental_sensing",
        "bthome_adverts",
        "uart_over_gatt",
        "caliper_ports",
        "usb_gauge_lines",
        "keyboard_wedge",
        "hs1_bridge_line",
    }


@pytest.mark.parametrize("page", LINK_PAGES, ids=lambda page: page.stem)
def test_every_page_tells_wiring_bytes_quirks_source_and_how_to_verify(page: Path) -> None:
    headings = re.findall(r"^## (\w+)", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert {"Wiring", "Bytes", "Quirks", "Source", "Verify"} <= set(headings)


@pytest.mark.parametrize("page", LINK_PAGES, ids=lambda page: page.stem)
def test_the_examples_of_every_page_come_true(page: Path) -> None:
    outcome = doctest.testfile(str(page), module_relative=False, encoding="utf-8")
    assert outcome.attempted >= 4 and outcome.failed == 0


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_links_between_pages_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        assert (NOTES / target).is_file(), target


def test_every_line_printed_on_the_pages_has_a_right_checksum() -> None:
    from hoofsense.wire.bridge_line import decode_bridge_line

    lines = [line for page in PAGES for line in HS1_LINE.findall(page.read_text(encoding="utf-8"))]
    assert len(lines) >= 5
    for line in lines:
        decode_bridge_line(line.encode())
