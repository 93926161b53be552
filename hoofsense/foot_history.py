"""What earlier visits of the same horse measured on each foot, for a new visit's begin mark.

Only marks and lengths of those visits are folded: temperatures do not change a caliper sheet, and a visit of
an hour is then read in hundredths of a second.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from hoofsense.estimators.caliper_sheet import MOST_HISTORY, SiteValues
from hoofsense.estimators.sheet_sites import PAD_SITES
from hoofsense.records import NS_PER_MS, RawFrame
from hoofsense.store import Store
from hoofsense.visit import fold
from hoofsense.visit_marks import mark_from
from hoofsense.visit_state import FootState, VisitState
from hoofsense.wire.errors import FrameError

DIGITS = 8  # of a length in m, kept in a mark: 10 nm
_BEARING_LENGTHS = ("mark", "typed", "line:gauge", "line:hs1")


def measured_visit(frames: Iterable[RawFrame]) -> VisitState:
    """A visit folded from its marks and lengths alone."""
    state = VisitState()
    for frame in _measuring(frames):
        state = fold(state, frame)
    return state


def _measuring(frames: Iterable[RawFrame]) -> Iterator[RawFrame]:
    calipers: set[str] = set()
    for frame in frames:
        kind = frame.channel.partition("?")[0]
        if kind == "mark":
            calipers |= _calipers(frame)
        if kind in _BEARING_LENGTHS or frame.source_id in calipers:
            yield frame


def _calipers(frame: RawFrame) -> set[str]:
    """Instruments that a begin or instruments mark gives the role of a caliper."""
    try:
        roles = mark_from(frame.payload).get("roles") or {}
    except FrameError:
        return set()
    return {str(name).partition("/")[0] for name, role in roles.items() if role == "caliper"}


def begin_history(store: Store, horse: str, invented: bool) -> dict[str, Any]:
    """The fields "history", "history_ms" and "pad_poured_ms" of a begin mark, by foot; empty ones left out.

    horse     whose visits; names are compared without regard to capitals
    invented  rehearsals know rehearsals, real visits real ones
    raises    StoreError when a visit of this horse cannot be read
    """
    wanted = horse.strip().casefold()
    visits = [
        visit
        for visit in store.visits()
        if visit.ended_ns is not None
        and visit.invented == invented
        and visit.horse.strip().casefold() == wanted
    ][:MOST_HISTORY]
    lengths_m: dict[str, dict[str, list[float]]] = {}
    moments_ms: dict[str, dict[str, list[int]]] = {}
    poured_ms: dict[str, int] = {}
    for visit in reversed(visits):
        state = measured_visit(store.frames(visit.visit_id))
        for foot in state.feet:
            name = foot.foot.value
            for at_ms, one in _dated(foot, state.at_ns // NS_PER_MS):
                lengths_m.setdefault(name, {}).setdefault(str(one.site), []).append(round(one.mean_m, DIGITS))
                moments_ms.setdefault(name, {}).setdefault(str(one.site), []).append(at_ms)
            if foot.pour is not None:
                poured_ms[name] = foot.pour.poured_at_ns // NS_PER_MS
    told = {"history": lengths_m, "history_ms": moments_ms, "pad_poured_ms": poured_ms}
    return {key: value for key, value in told.items() if value}


def _dated(foot: FootState, ended_ms: int) -> Iterator[tuple[int, SiteValues]]:
    """Each site's mean and when it held: the old pad just before the pour, all else at the visit's end."""
    poured_ms = ended_ms if foot.pour is None else foot.pour.poured_at_ns // NS_PER_MS
    for one in foot.sheet.set_aside:
        if one.site in PAD_SITES:
            yield poured_ms - 1, one
    for one in foot.sheet.measured:
        yield ended_ms, one
