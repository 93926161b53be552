"""The settings file of the practices, beside the store: practices.json, read when a visit begins.

    {"practices": {"": {...}, "Hill Farm": {"before_pour": [...], "pouring": {"share_percent": 55}}}}

The entry named "" is for every practice without one of its own; what an entry leaves out is as usual.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from hoofsense.practice_settings import (
    CHOICES,
    NUMBERS,
    PracticeSettings,
    settings_fields,
    settings_from,
)
from hoofsense.store import default_store_path

FILE_NAME = "practices.json"
EVERY_PRACTICE = ""


def practices_path(store: Path | None) -> Path:
    """The settings file beside the store (None: the person's own)."""
    return (store or default_store_path()).parent / FILE_NAME


def _entries(path: Path) -> dict[str, Any]:
    try:
        entries = json.loads(path.read_text(encoding="utf-8"))["practices"]
    except FileNotFoundError:
        return {}
    except (ValueError, KeyError, TypeError) as fault:
        raise ValueError(f"{path} is not a file of practices ({fault}): correct it or move it away") from None
    if not isinstance(entries, dict) or not all(isinstance(one, dict) for one in entries.values()):
        raise ValueError(f"{path} is not a file of practices: correct it or move it away")
    return entries


def _key(entries: Mapping[str, Any], practice: str) -> str | None:
    wanted = practice.strip().casefold()
    return next((name for name in entries if name.strip().casefold() == wanted), None)


def practice_named(path: Path, practice: str) -> tuple[PracticeSettings, str]:
    """A practice's settings, and where they come from in words.

    raises  ValueError in one sentence when the file or the entry makes no sense
    """
    entries = _entries(path)
    own = _key(entries, practice)
    key = _key(entries, EVERY_PRACTICE) if own is None else own
    if key is None:
        return PracticeSettings(), "as usual: no settings are kept for it"
    try:
        settings = settings_from(entries[key])
    except ValueError as why:
        raise ValueError(f"{path}: {why}") from None
    return settings, "its own" if own == key and key != EVERY_PRACTICE else "those of every practice"


def write_practice(path: Path, practice: str, settings: PracticeSettings | None) -> None:
    """Keep a practice's settings, or forget them (None); the file is replaced at once and whole."""
    entries = _entries(path)
    key = _key(entries, practice)
    if settings is None:
        if key is None:
            raise ValueError(f"no settings are kept for {practice or 'every practice'}: nothing to forget")
        del entries[key]
    else:
        entries[practice.strip() if key is None else key] = settings_fields(settings)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(prefix=path.name, dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"practices": entries}, file, indent=1, ensure_ascii=False)
            file.write("\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except BaseException:
        os.unlink(beside)
        raise


def changed_settings(
    settings: PracticeSettings,
    before_pour: str | None,
    after_trim: str | None,
    numbers: Sequence[str],
    targets: Sequence[str],
) -> PracticeSettings:
    """The settings with what was said on the command line in their place.

    before_pour, after_trim  sites with commas between; None: as they are
    numbers                  NAME=VALUE of a pouring setting, e.g. share_percent=55
    targets                  PAIR=DIFFERENCE or PAIR=DIFFERENCE,TOLERANCE in mm, e.g. "wall height=0,1.5"
    """
    fields = settings_fields(settings)
    for part, said in (("before_pour", before_pour), ("after_trim", after_trim)):
        if said is not None:
            fields[part] = [site.strip() for site in said.split(",") if site.strip()]
    for text in numbers:
        name, value = _pair(text)
        if name not in (*NUMBERS, *CHOICES):
            raise ValueError(f"there is no setting {name!r}: use {', '.join((*NUMBERS, *CHOICES))}")
        fields["pouring"][name] = value if name in CHOICES else _float(text, value)
    for text in targets:
        what, value = _pair(text)
        difference, _, tolerance = value.partition(",")
        fields["balance"][what] = {"difference_mm": _float(text, difference)}
        if tolerance:
            fields["balance"][what]["tolerance_mm"] = _float(text, tolerance)
    return settings_from(fields)


def _pair(text: str) -> tuple[str, str]:
    name, separator, value = text.partition("=")
    if not separator:
        raise ValueError(f"{text!r} has no =: write it as NAME=VALUE")
    return name.strip(), value.strip()


def _float(text: str, value: str) -> float:
    try:
        return float(value)
    except ValueError:
        raise ValueError(f"{text!r} is not a number: write it as NAME=2.5") from None


def settings_text(practice: str, settings: PracticeSettings, origin: str, path: Path) -> str:
    """The settings on a page of text."""
    fields = settings_fields(settings)
    return "\n".join(
        [
            f"Settings of {practice or 'every practice'} ({origin}), kept in {path}",
            "",
            *_order("Measured before the pour", fields["before_pour"]),
            "",
            *_order("Measured after the trim", fields["after_trim"]),
            "",
            "Pouring",
            *(f"  {name:<22} {_plain(value)}" for name, value in fields["pouring"].items()),
            "",
            "Balance, medial minus lateral in mm (0 within 2 where nothing is set)",
            *(
                f"  {what:<22} {_plain(one['difference_mm'])} within {_plain(one['tolerance_mm'])}"
                for what, one in fields["balance"].items()
            ),
        ]
    ).rstrip()


def _order(heading: str, sites: Sequence[str]) -> list[str]:
    return [heading, *(f"  {number:>2}  {site}" for number, site in enumerate(sites, 1))]


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
