"""fold: one frame further. The same for live, replay and simulation; what a frame says is settled here.

decide (in verdicts.py) then answers each foot's question. Nothing here reads a clock: a frame's own time is
the time, and the once-a-second tick frame moves it on when every sensor is silent.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

from hoofsense.decoding import measurements_from, reading_from
from hoofsense.estimators.caliper_sheet import value_refusal
from hoofsense.foot_events import after_event
from hoofsense.instrument_health import (
    Health,
    with_clock,
    with_crc_error,
    with_frame,
    with_interruption,
    with_number,
)
from hoofsense.physics.psychrometrics import condensation_point_K, vapour_pressure_Pa
from hoofsense.records import NS_PER_S, AirConditions, Foot, Measurement, Quantity, RawFrame, Reading, Site
from hoofsense.screening import clock_delay_ns, damaged, evidence_is_trusted, screened
from hoofsense.units import value_in
from hoofsense.visit_marks import mark_from, with_mark
from hoofsense.visit_state import Event, InstrumentSeen, TypedBefore, VisitState, with_foot, with_notice
from hoofsense.wire.bridge_line import decode_bridge_line
from hoofsense.wire.checked_text import decode_checked
from hoofsense.wire.errors import FrameError

SCAN_ORDER = (
    Site.TOE,
    Site.MEDIAL_QUARTER,
    Site.LATERAL_QUARTER,
    Site.MEDIAL_SULCUS,
    Site.LATERAL_SULCUS,
)
_AIR_FIELDS = {
    Quantity.AIR_TEMPERATURE: ("air_K", "air_u_K"),
    Quantity.RELATIVE_HUMIDITY: ("relative_humidity_ratio", "relative_humidity_u_ratio"),
    Quantity.PRESSURE: ("pressure_Pa", None),
    Quantity.WIND_SPEED: ("wind_m_per_s", None),
}
PEOPLE = ("page", "terminal")  # they read a display themselves, so no caliper of theirs needs a check
REPEAT_NS = NS_PER_S  # a key pressed twice, or bouncing, sends the same value so soon; our choice
_SEALED = "advert:fcd2+sealed"  # told again, opened, by another frame
_TRACE_OF_AIR = {Quantity.AIR_TEMPERATURE: "air", Quantity.RELATIVE_HUMIDITY: "humidity"}


def fold(state: VisitState, frame: RawFrame) -> VisitState:
    """The visit after one more frame. Never raises on bytes: damage is counted with its reason."""
    at_ns = max(state.at_ns, frame.at_ns)
    state = replace(state, at_ns=at_ns, accepted=())
    if frame.channel == "tick":
        return state
    try:
        if frame.channel == "mark":
            marked = with_mark(state, at_ns, mark_from(frame.payload))
            return replace(marked, typed_before=None)  # the same length said after a mark is meant
        if frame.channel in ("clock", "link"):
            return _with_program_word(state, at_ns, frame)
        measurements = measurements_from(frame)
    except FrameError as why:
        crc = why.reason == "checksum"
        state = _seen(state, frame.source_id, at_ns, health=lambda h: _with_bad_frame(h, at_ns, crc))
        return _damaged(state, at_ns, frame, why)
    state = _seen(
        state, frame.source_id, at_ns, health=lambda h: _with_good_frame(h, at_ns, frame, measurements)
    )
    for measurement in measurements:
        state = _with_measurement(state, at_ns, frame, measurement)
    return state


def _damaged(state: VisitState, at_ns: int, frame: RawFrame, why: FrameError) -> VisitState:
    return replace(state, screening=damaged(state.screening, at_ns, frame.source_id, why))


def _with_bad_frame(health: Health, at_ns: int, crc: bool) -> Health:
    health = with_frame(health, at_ns)
    return with_crc_error(health) if crc else health


def _with_good_frame(
    health: Health, at_ns: int, frame: RawFrame, measurements: tuple[Measurement, ...]
) -> Health:
    kind = frame.channel.partition("?")[0]
    if kind == _SEALED:
        return health
    health = with_frame(health, at_ns)
    if measurements:
        return with_number(health, kind, measurements[0].sequence, measurements[0].device_ms)
    if kind == "line:hs1":  # an identity line measures nothing, but its number counts
        line = decode_bridge_line(frame.payload)
        return with_number(health, kind, line.sequence, line.device_ms)
    return health


def _with_measurement(state: VisitState, at_ns: int, frame: RawFrame, measurement: Measurement) -> VisitState:
    try:
        reading = reading_from(frame, measurement, state.roles)
    except FrameError as why:
        return _damaged(state, at_ns, frame, why)
    if reading is None:
        return state
    state = _measuring(state, frame.source_id, reading.quantity)
    reading = replace(reading, measured_at_ns=at_ns)
    screening, accepted, _ = screened(state.screening, at_ns, frame.source_id, measurement, reading)
    state = replace(state, screening=screening)
    if measurement.device_ms is not None:
        state = _with_clock(state, frame.source_id, measurement.device_ms, reading)
    if not accepted:
        return state
    if reading.quantity is Quantity.LENGTH and state.in_hand is not None:
        state, again = _with_length_looked_at(state, at_ns, frame, reading)
        if again:
            return state
    return _with_reading(state, at_ns, frame.source_id, reading)


def _with_clock(state: VisitState, source: str, device_ms: int, reading: Reading) -> VisitState:
    delay_ns = clock_delay_ns(state.screening, reading.source, reading.quantity)
    old = next(i for i in state.instruments if i.source == source)
    health = with_clock(old.health, device_ms, delay_ns)
    return state if health is old.health else _with_seen(state, old, replace(old, health=health))


def _with_length_looked_at(
    state: VisitState, at_ns: int, frame: RawFrame, reading: Reading
) -> tuple[VisitState, bool]:
    """Warn once of a caliper that has not passed its check; tell whether a typed length is a repeat."""
    source = frame.source_id
    old = next(i for i in state.instruments if i.source == source)
    if state.checked is not None and source not in (*state.checked, *PEOPLE) and not old.warned:
        state = _with_seen(state, old, replace(old, warned=True))
        state = with_notice(
            state,
            at_ns,
            f"The caliper at {source} has not passed its check: run hoofsense caliper-check before its "
            "lengths are relied on.",
        )
    if frame.channel != "typed":
        return state, False
    before, now = state.typed_before, TypedBefore(at_ns, source, reading.value)
    state = replace(state, typed_before=now)
    if before is None or (before.source, before.length_m) != (source, reading.value):
        return state, False
    if at_ns - before.at_ns > REPEAT_NS:
        return state, False
    said = f"{value_in(reading.value, 'mm'):.2f} mm came twice within a second and counts once"
    return with_notice(state, at_ns, f"{said}: send it again if it was meant twice."), True


def _with_program_word(state: VisitState, at_ns: int, frame: RawFrame) -> VisitState:
    try:
        said = json.loads(decode_checked(frame.payload))
    except ValueError as why:
        raise FrameError(f"{frame.channel} frame is not JSON ({why})", frame.payload, "field") from None
    if frame.channel == "clock":
        seconds = said["step_ns"] / 1e9
        return with_notice(
            state, at_ns, f"The computer's clock was set by {seconds:+.1f} s; times here ran on."
        )
    state = _seen(
        state,
        frame.source_id,
        at_ns,
        linked=bool(said["up"]),
        note=str(said.get("why", "")),
        health=with_interruption,
    )
    if not said["up"]:
        state = with_notice(
            state, at_ns, f"{frame.source_id} is not connected: {said.get('why', 'no reason given')}"
        )
    return state


def _with_reading(state: VisitState, at_ns: int, source_id: str, reading: Reading) -> VisitState:
    quantity = reading.quantity
    if quantity is Quantity.BATTERY:
        return _with_battery(state, source_id, reading.value)
    if quantity is Quantity.BUTTON:
        return _with_button(state, at_ns, reading)
    if quantity in _AIR_FIELDS:
        return _with_air(state, at_ns, reading)
    if quantity not in (Quantity.SURFACE_TEMPERATURE, Quantity.LENGTH):
        return state
    if state.in_hand is None or state.material is None:
        return with_notice(
            state, at_ns, f"A {quantity.value} came while no foot was in hand: choose a foot first."
        )
    foot = state.foot_state(state.in_hand)
    if quantity is Quantity.LENGTH:
        why = value_refusal(foot.sheet, reading.value)
        if why is not None:
            return with_notice(state, at_ns, why)
    trusted, _ = evidence_is_trusted(state.screening, source_id, at_ns)
    event = Event(at_ns, state.air, reading=reading, site=state.site, trusted=trusted)
    changed = after_event(foot, event, state.material)
    asked = changed.sheet.held_back
    if asked is not None and asked != foot.sheet.held_back:
        state = with_notice(state, at_ns, asked.question)
    trace = (
        f"surface:{foot.foot.value}"
        if quantity is Quantity.SURFACE_TEMPERATURE
        else f"caliper:{foot.foot.value}"
    )
    return replace(with_foot(state, changed), accepted=(*state.accepted, (trace, reading)))


def _with_air(state: VisitState, at_ns: int, reading: Reading) -> VisitState:
    value_field, doubt_field = _AIR_FIELDS[reading.quantity]
    change = {value_field: reading.value}
    if doubt_field is not None:
        change[doubt_field] = reading.standard_uncertainty
    humidity = reading.quantity is Quantity.RELATIVE_HUMIDITY
    air = replace(
        state.air,
        measured_at_ns=at_ns if reading.quantity is Quantity.AIR_TEMPERATURE else state.air.measured_at_ns,
        humidity_at_ns=at_ns if humidity else state.air.humidity_at_ns,
        **change,
    )
    state = replace(state, air=air)
    if state.material is not None:
        event = Event(at_ns, air)
        feet = tuple(after_event(foot, event, state.material) for foot in state.feet)
        state = replace(state, feet=feet)
    trace = _TRACE_OF_AIR.get(reading.quantity)
    told = () if trace is None else ((trace, reading),)
    if humidity:
        dew = _dew_point_reading(air, at_ns)
        state = replace(state, dew_point=dew)
        told = told if dew is None else (*told, ("dew", dew))
    return replace(state, accepted=(*state.accepted, *told))


def _dew_point_reading(air: AirConditions, at_ns: int) -> Reading | None:
    """The dew (below freezing: frost) point of the air as a reading to draw; None where none can be told."""
    if air.air_K is None or air.relative_humidity_ratio is None:
        return None
    try:
        point_K = condensation_point_K(vapour_pressure_Pa(air.air_K, air.relative_humidity_ratio))
    except ValueError:
        return None
    return Reading(at_ns, "computed/dew", Quantity.DEW_POINT, float(point_K), air.air_u_K)


def _with_button(state: VisitState, at_ns: int, reading: Reading) -> VisitState:
    """A bridge button named foot, spot or heat does what the page's button of that name does."""
    if reading.value == 0 or not state.feet or state.in_hand is None:
        return state
    name = reading.source.rpartition("/")[2]
    feet = [f.foot for f in state.feet]
    if name == "jaw":  # the data key of a caliper: its length follows
        return state
    if name == "foot":
        following: Foot = feet[(feet.index(state.in_hand) + 1) % len(feet)]
        return replace(state, in_hand=following, site=None)
    if name == "spot":
        index = SCAN_ORDER.index(state.site) + 1 if state.site in SCAN_ORDER else 0
        return replace(state, site=SCAN_ORDER[index % len(SCAN_ORDER)])
    if name == "heat":
        foot = state.foot_state(state.in_hand)
        mark = {
            "mark": "heat",
            "id": f"{reading.source}@{at_ns}",
            "foot": foot.foot.value,
            "on": not foot.heat_on,
        }
        return with_mark(state, at_ns, mark)
    return with_notice(state, at_ns, f"Button {name!r} has no meaning here: name it foot, spot or heat.")


def _seen(
    state: VisitState,
    source: str,
    at_ns: int,
    linked: bool = True,
    note: str = "",
    health: Callable[[Health], Health] | None = None,
) -> VisitState:
    old = next((i for i in state.instruments if i.source == source), None)
    before = InstrumentSeen(source, at_ns) if old is None else old
    new = replace(
        before,
        last_ns=at_ns if linked else before.last_ns,
        linked=linked,
        note=note,
        health=before.health if health is None else health(before.health),
    )
    if old is None:
        return replace(state, instruments=(*state.instruments, new))
    return _with_seen(state, old, new)


def _measuring(state: VisitState, source: str, quantity: Quantity) -> VisitState:
    """Once for each quantity an instrument turns out to measure."""
    old = next(i for i in state.instruments if i.source == source)
    if quantity in old.measures:
        return state
    return _with_seen(state, old, replace(old, measures=(*old.measures, quantity)))


def _with_seen(state: VisitState, old: InstrumentSeen, new: InstrumentSeen) -> VisitState:
    return replace(state, instruments=tuple(new if i is old else i for i in state.instruments))


def _with_battery(state: VisitState, source: str, ratio: float) -> VisitState:
    return replace(
        state,
        instruments=tuple(
            replace(i, battery_ratio=ratio) if i.source == source else i for i in state.instruments
        ),
    )
