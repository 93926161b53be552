"""What a page may send: one mark, or one typed value. Anything else is a ValueError with a sentence.

The visit decides whether a mark fits; here only its form is checked, so that nothing odd is ever recorded.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from dashboards import words
from dashboards.screens.caliper_sheet import TYPED_LIMIT
from hoofsense.records import Foot, Site

_IDENTITY = re.compile(r"[0-9A-Za-z-]{1,64}")
_NAME_LIMIT = 80  # characters of a site's name


def _foot(value: Any) -> bool:
    return isinstance(value, str) and value in Foot.__members__


def _spot(value: Any) -> bool:
    return value is None or (isinstance(value, str) and value in {site.value for site in Site})


def _site(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= _NAME_LIMIT and value.isprintable()


def _yes_no(value: Any) -> bool:
    return isinstance(value, bool)


def _number(value: Any) -> bool:
    return not isinstance(value, bool) and isinstance(value, int | float) and math.isfinite(value)


def _number_or_none(value: Any) -> bool:
    return value is None or _number(value)


def _signs(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(sign, str) and sign in words.SIGNS for sign in value)


def _cover(value: Any) -> bool:
    return isinstance(value, str) and value in words.COVERS


def _order(value: Any) -> bool:
    return isinstance(value, str) and value in words.PLAN_ORDER


def _identity(value: Any) -> bool:
    return isinstance(value, str) and _IDENTITY.fullmatch(value) is not None


_FIELDS: dict[str, dict[str, Callable[[Any], bool]]] = {
    "hand": {"foot": _foot, "site": _spot},
    "fitness": {"foot": _foot, "signs": _signs},
    "heat": {"foot": _foot, "on": _yes_no},
    "look": {"foot": _foot, "dry": _yes_no},
    "mixed": {"foot": _foot, "material_degC": _number_or_none},
    "poured": {"foot": _foot, "thickness_mm": _number, "material_degC": _number_or_none, "cover": _cover},
    "touch": {"foot": _foot, "site": _site, "firm": _yes_no},
    "trimmed": {"foot": _foot},
    "down": {"foot": _foot},
    "next_site": {"foot": _foot, "site": _site},
    "redo": {"foot": _foot},
    "skip": {"foot": _foot},
    "plan": {
        "foot": _foot,
        "share_percent": _number_or_none,
        "trim_mm": _number_or_none,
        "order": _order,
        "material_degC": _number_or_none,
    },
    "undo": {"of": _identity},
}


def mark_sent(body: object) -> dict[str, Any]:
    """The mark a page sent, with exactly the fields of its kind and its own id; ValueError otherwise."""
    if not isinstance(body, Mapping):
        raise ValueError(words.MARK_NOT_UNDERSTOOD.format(why="not an object"))
    kind = body.get("mark")
    fields = _FIELDS.get(kind) if isinstance(kind, str) else None
    if fields is None:
        raise ValueError(words.MARK_NOT_UNDERSTOOD.format(why="no such mark"))
    wanted = {"mark", "id", *fields}
    if set(body) != wanted:
        raise ValueError(
            words.MARK_NOT_UNDERSTOOD.format(why=f"{kind} has fields {', '.join(sorted(wanted))}")
        )
    if not _identity(body["id"]):
        raise ValueError(words.MARK_NOT_UNDERSTOOD.format(why="id"))
    for field, fits in fields.items():
        if not fits(body[field]):
            raise ValueError(words.MARK_NOT_UNDERSTOOD.format(why=field))
    return dict(body)


def typed_sent(body: object) -> str:
    """The typed value a page sent, with the unit its field states; ValueError otherwise."""
    text = body.get("text") if isinstance(body, Mapping) else None
    unit = body.get("unit") if isinstance(body, Mapping) else None
    if not isinstance(text, str) or not text.strip():
        raise ValueError(words.TYPED_EMPTY)
    if len(text) > TYPED_LIMIT or not text.isprintable():
        raise ValueError(words.TYPED_TOO_LONG)
    said = text.strip()
    return f"{said} {unit}" if said[-1].isdigit() and unit in ("mm", "in") else said


_CALLBACK_FIELDS = {"output", "outputs", "inputs", "state", "changedPropIds", "parsedChangedPropsIds"}


def callback_fault(body: object, callbacks: Mapping[str, Any]) -> str | None:
    """Why a callback request cannot be one of this page's, or None. Keeps odd bodies out of Dash."""
    if not isinstance(body, Mapping):
        return "not an object"
    known = callbacks.get(str(body.get("output")))
    if known is None:
        return "no such output"
    if not set(body) <= _CALLBACK_FIELDS:
        return "unknown fields"
    if body.get("outputs") != _outputs_of(str(body["output"])):
        return "outputs"
    for part, needed in (("inputs", True), ("state", False)):
        sent = body.get(part, None if needed else [])
        expected = [(one["id"], one["property"]) for one in known[part]]
        if not isinstance(sent, list) or len(sent) != len(expected):
            return part
        for one, (identity, name) in zip(sent, expected, strict=True):
            if not isinstance(one, Mapping) or one.get("id") != identity or one.get("property") != name:
                return part
    triggers = {f"{one['id']}.{one['property']}" for one in known["inputs"]}
    for part in ("changedPropIds", "parsedChangedPropsIds"):
        changed = body.get(part, [])
        if not isinstance(changed, list) or not all(isinstance(c, str) and c in triggers for c in changed):
            return part
    return None


def _outputs_of(output: str) -> object:
    """What Dash's renderer sends beside a callback's output name: "id.property", or "..a.b...c.d..."."""

    def one(name: str) -> dict[str, str]:
        identity, _, prop = name.rpartition(".")
        return {"id": identity, "property": prop}

    if output.startswith("..") and output.endswith(".."):
        return [one(name) for name in output[2:-2].split("...")]
    return one(output)
