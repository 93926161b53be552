"""What a person can type at the terminal beside the horse, and the mark or value it stands for. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from hoofsense.foot_events import COVERS
from hoofsense.records import Foot, Site
from hoofsense.visit_marks import SIGNS, TOUCHES

HELP = """\
  LF | RF | LH | RH            take that foot in hand          toe, medial quarter ...  take that spot in hand
  clear                        nothing found on the foot       found smell, heat ...    signs found
  heat on | heat off           hot air                         look dry | look wet      look-and-touch check
  mixed [material °C]          mixing began                    poured MM [film|none|insulated]
  firm | soft                  touch check                     trimmed | down
  stiff | runs                 does it still run?              hard | dents             does a nail dent it?
  12,34 mm                     a caliper value                 redo | skip | next SITE
  undo                         take the last mark back         note TEXT                end
  instruments                  how each instrument is doing    plan                 the foot's pour plan
  table FILE                   read a typed table of lengths in (CSV: foot,site,value,unit)
"""

_VALUE = re.compile(r"^[+-]?\d+([.,]\d+)?\s*(mm|in|cm)$", re.IGNORECASE)
_FEET = {foot.value.lower(): foot for foot in Foot}
_SITES = {site.value: site for site in Site}


def words_to_mark(words: str, foot: str | None, last_mark_id: str | None) -> dict[str, Any] | str:
    """The mark these words stand for, or the text of a typed caliper value.

    foot          the foot in hand, which the mark is about
    last_mark_id  what "undo" takes back
    raises        ValueError with one sentence when the words mean nothing here
    """
    text = " ".join(words.split())
    first, _, rest = text.partition(" ")
    first = first.lower()
    if _VALUE.match(text):
        return text
    if text.lower() in _FEET:
        return {"mark": "hand", "foot": _FEET[text.lower()].value, "site": None}
    if first == "note" and rest:
        return {"mark": "note", "text": rest, "foot": foot}
    if first == "end":
        return {"mark": "end"}
    if first == "undo":
        if last_mark_id is None:
            raise ValueError("There is no mark to take back.")
        return {"mark": "undo", "of": last_mark_id}
    if foot is None:
        raise ValueError("No foot is in hand: type LF, RF, LH or RH first.")
    if text.lower() in _SITES:
        return {"mark": "hand", "foot": foot, "site": text.lower()}
    return {**_foot_mark(text, first, rest), "foot": foot}


def instrument_lines(view: Mapping[str, Any]) -> str:
    """How each instrument is doing, two lines each, from the visit's view."""
    instruments = view.get("instruments") or ()
    if not instruments:
        return "No instrument was heard yet: switch one on, or look with hoofsense instruments."
    return "\n".join(_instrument_lines(one, int(view["at_ms"])) for one in instruments)


def _instrument_lines(one: Mapping[str, Any], at_ms: int) -> str:
    age_s = max(0, at_ms - int(one["at_ms"])) / 1000
    state = "linked" if one["linked"] else "NOT LINKED"
    rate, battery, offset_s = one["rate_per_s"], one["battery_percent"], one["clock_offset_s"]
    facts = [
        f"last {age_s:.0f} s ago",
        "" if rate is None else f"{rate:g}/s",
        "" if battery is None else f"battery {battery} %",
        f"lost {one['lost']}" if one["lost"] else "",
        f"CRC errors {one['crc_errors']}" if one["crc_errors"] else "",
        f"restarts {one['restarts']}" if one["restarts"] else "",
        "" if offset_s is None else f"clock {offset_s:+d} s",
        *(f"{reason} {count}" for reason, count in one["refused"].items()),
        "caliper not checked" if one["checked"] is False else "",
    ]
    trust = "" if one["trusted"] else "  NOT TRUSTED"
    note = f"\n    {one['note']}" if one["note"] and one["note"] != "connected" else ""
    head = f"  {one['source']:<24} {one['what'] or 'nothing yet':<28} {state}{trust}"
    return f"{head}\n    {', '.join(fact for fact in facts if fact)}{note}"


def _foot_mark(text: str, first: str, rest: str) -> dict[str, Any]:
    if first == "clear":
        return {"mark": "fitness", "signs": []}
    if first == "found" and rest:
        signs = [s for s in re.split(r"[,\s]+", rest.lower()) if s]
        strange = [s for s in signs if s not in SIGNS]
        if strange:
            raise ValueError(f"Sign {strange[0]!r} is not one of {', '.join(SIGNS)}.")
        return {"mark": "fitness", "signs": signs}
    if first == "heat" and rest in ("on", "off"):
        return {"mark": "heat", "on": rest == "on"}
    if first == "look" and rest in ("dry", "wet"):
        return {"mark": "look", "dry": rest == "dry"}
    if first == "mixed":
        return {"mark": "mixed", "material_degC": _number(rest, "°C") if rest else None}
    if first == "poured":
        thickness, _, cover = rest.partition(" ")
        if cover and cover not in COVERS:
            raise ValueError(f"Cover {cover!r} is not one of {', '.join(COVERS)}.")
        mm = _number(thickness, "mm") if thickness else None
        return {"mark": "poured", "thickness_mm": mm, "material_degC": None, "cover": cover or "film"}
    for asked, called in TOUCHES.items():
        if first in called and not rest:
            mark = {"mark": "touch", "site": None, "firm": first == called[0]}
            return mark if asked == "firm" else {**mark, "asked": asked}
    if first in ("trimmed", "down", "redo", "skip") and not rest:
        return {"mark": first}
    if first == "next" and rest:
        return {"mark": "next_site", "site": rest}
    raise ValueError(f"{text!r} means nothing here: type help to see the words.")


def _number(text: str, unit: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"{text!r} is not a number of {unit}: type it as 12,5 or 12.5.") from None
