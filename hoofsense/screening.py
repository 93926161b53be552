"""Is this reading physically possible, new, and of now? Refuses with a counted reason, and says when an
instrument has been refused so often that nothing it sends should decide anything.

Reasons, in the order they are tried:
    damaged    the frame could not be decoded (FrameError), told by damaged()
    unit       the frame's unit does not fit its quantity (FrameError unit), told by damaged()
    duplicate  same packet or line number, or same moment of the instrument's own clock, as one just seen
    late       belongs to the past: the instrument's clock or the receiver's says so
    range      physically impossible here (LIMITS)
    slope      a jump no surface or air makes; held back until the next reading agrees with it, so that a real
               move of the thermometer to another spot is accepted with one reading's delay

Trust: more than REFUSED_LIMIT of the last WINDOW frames of an instrument refused as damaged, unit, range or
slope (readings of one frame count once). Duplicates and late readings are honest and do not count. Trust,
once lost, comes back after RECOVERY_FRAMES without a refusal, or RECOVERY_S without one.

All limits are engineering choices; what each rests on stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hoofsense.records import NS_PER_S, Measurement, Quantity, Reading
from hoofsense.wire.errors import FrameError

WINDOW = 60  # frames; at 1 a second one minute
REFUSED_LIMIT = 3  # of WINDOW: 5 %
RECOVERY_FRAMES = 120  # 1 in 13 frames seen to be bad leaves 120 in a row clean once in 10 000 times
RECOVERY_S = 300.0  # for thermometers read by hand, which take a quarter of an hour for so many
DUPLICATE_WINDOW_S = 4.0  # a BTHome packet id repeats honestly after 256 packets; bthome-ble waits as long
REMEMBERED = 4  # packets looked back for a duplicate: two receivers interleave by one or two
LATE_S = (
    5.0  # behind the least delay seen; radio links repeat for a second or two, notes of the past are older
)
SETTLED_S = 1.5  # a dated instrument must keep pace with the receiver for so long before it is believed
PACE_S = 2.0  # and within so much: its clock shows whole seconds
CLOCK_DRIFT_RATIO = 1e-3  # an instrument's clock may run slow by so much (RC oscillators; from memory)
CLOCK_SET_READINGS = 3  # so many late readings in step with the receiver: its clock was set back
APART_S = 0.5  # and at least so far apart: stored readings come in a burst
_LARGEST_COUNTER_MS = 2**32  # a u32 of milliseconds; a clock beyond it is a calendar, not a counter
_NS_PER_MS = 1_000_000


@dataclass(frozen=True, slots=True)
class Limits:
    """What a quantity can be, in its SI unit: low to high, and how far it can jump.

    A reading may differ from the last accepted one by step + rate * seconds between; step None: any jump.
    """

    low: float
    high: float
    step: float | None
    rate: float = 0.0


LIMITS = {
    # Frozen ground to scorched horn: a nozzle in view is hot, not damaged, and must reach the heat guard.
    # Jump: sweeping off a hot dry spot onto a wet groove or the ground, seen at 10 readings a second.
    Quantity.SURFACE_TEMPERATURE: Limits(223.15, 523.15, 15.0, 20.0),
    Quantity.TEMPERATURE: Limits(223.15, 523.15, 15.0, 20.0),
    # Air where anyone trims, -50 to 60 degC; hot gun exhaust passing a sensor with a time constant of 10 s.
    Quantity.AIR_TEMPERATURE: Limits(223.15, 333.15, 2.0, 1.0),
    Quantity.DEW_POINT: Limits(193.15, 323.15, 3.0, 1.0),
    Quantity.RELATIVE_HUMIDITY: Limits(0.0, 1.0, 0.10, 0.03),
    # 5 000 m to the highest sea-level record, 1084 hPa (from memory); doors and gusts move 1 hPa.
    Quantity.PRESSURE: Limits(50_000.0, 110_000.0, 300.0, 50.0),
    Quantity.WIND_SPEED: Limits(0.0, 75.0, 15.0, 10.0),  # gusts; 75 m/s is beyond hurricane force
    Quantity.LENGTH: Limits(-0.3, 0.3, None),  # a 300 mm jaw; every length is a new one, so any jump
    Quantity.BATTERY: Limits(0.0, 1.0, None),
    Quantity.BUTTON: Limits(0.0, 255.0, None),  # event codes are one byte
}

REASONS = ("damaged", "unit", "duplicate", "late", "range", "slope")
_REASON_AT = {reason: place for place, reason in enumerate(REASONS)}
_RING = (1 << WINDOW) - 1


@dataclass(frozen=True, slots=True)
class _Sensor:
    """What is remembered of one sensor and quantity: values, packets and clock."""

    source: str
    quantity: Quantity
    at_ns: int  # of the last frame, accepted or not
    packets: tuple[tuple[int | None, int | None], ...] = ()  # (sequence, device_ms), newest last
    accepted: tuple[int, float] | None = None  # (ns, value)
    held: tuple[int, float] | None = None
    least_delay_ns: int | None = None  # receiver minus instrument clock
    settling: tuple[int, int] | None = None  # (ns, device ns) a dated instrument is timed from
    late_delay_ns: int = 0
    late_in_step: int = 0


@dataclass(frozen=True, slots=True)
class _Instrument:
    """The last WINDOW frames of one instrument as bits (1 = refused), and all counts since the start."""

    source_id: str
    ring: int = 0
    seen: int = 0
    good: int = 0  # frames since the last refused one
    distrusted: bool = False
    judged_at_ns: int = -1
    refused_at_ns: int = 0
    counts: tuple[int, ...] = (0,) * len(REASONS)


@dataclass(frozen=True, slots=True)
class ScreeningState:
    """All that screening remembers; grows with the number of instruments, never with time."""

    sensors: tuple[_Sensor, ...] = ()
    instruments: tuple[_Instrument, ...] = ()


def screened(
    state: ScreeningState, at_ns: int, source_id: str, measurement: Measurement, reading: Reading
) -> tuple[ScreeningState, bool, str | None]:
    """State after one reading, whether it is accepted, and the reason when it is not.

    at_ns        when its frame was received, steady clock
    source_id    the instrument (the frame's source_id)
    measurement  what the reading was made from: packet number and instrument clock
    """
    sensor = _sensor_of(state, reading, at_ns)
    sensor, reason = _duplicate(sensor, at_ns, measurement)
    if reason is None:
        sensor, reason = _late(sensor, at_ns, measurement, reading)
    contradicted = False
    if reason is None:
        sensor, reason, contradicted = _possible(sensor, at_ns, reading)
    instrument = _instrument_of(state, source_id)
    if (
        contradicted
    ):  # the jump held back before was no move of the thermometer: refused, now that this is known
        instrument = _with_outcome(instrument, at_ns, "slope")
    if reason != "slope":  # a jump is judged by the next reading
        instrument = _with_outcome(instrument, at_ns, reason)
    new = ScreeningState(_with_sensor(state.sensors, sensor), _with_instrument(state.instruments, instrument))
    return new, reason is None, reason


def damaged(state: ScreeningState, at_ns: int, source_id: str, error: FrameError) -> ScreeningState:
    """State after a frame that could not be decoded."""
    reason = "unit" if error.reason == "unit" else "damaged"
    instrument = _with_outcome(_instrument_of(state, source_id), at_ns, reason)
    return ScreeningState(state.sensors, _with_instrument(state.instruments, instrument))


def evidence_is_trusted(state: ScreeningState, source: str, at_ns: int) -> tuple[bool, str]:
    """Whether an instrument ("instrument" or "instrument/sensor") may decide anything now, and why.

    The sentence holds the fact, the limit and, when it may not, the next step.
    """
    names = (source, source.rpartition("/")[0])
    instrument = next((one for one in state.instruments if one.source_id in names), None)
    if instrument is None or instrument.seen == 0:
        return False, f"Nothing was received from {source}, a reading is needed: switch it on and read once."
    refused = instrument.ring.bit_count()
    window = min(instrument.seen, WINDOW)
    if instrument.distrusted and (at_ns - instrument.refused_at_ns) < RECOVERY_S * NS_PER_S:
        why = ", ".join(f"{n} {reason}" for reason, n in zip(REASONS, instrument.counts, strict=True) if n)
        return False, (
            f"{refused} of the last {window} frames from {instrument.source_id} were refused ({why} in all), "
            f"{REFUSED_LIMIT} of {WINDOW} is the limit: check its battery, cable and distance, then "
            f"take {RECOVERY_FRAMES} good readings or wait {RECOVERY_S / 60.0:.0f} min without a bad one."
        )
    return True, (
        f"{refused} of the last {window} frames from {instrument.source_id} were refused, "
        f"{REFUSED_LIMIT} of {WINDOW} is the limit."
    )


def refused_counts(state: ScreeningState) -> tuple[tuple[str, str, int], ...]:
    """(instrument, reason, how often since the start), only what happened."""
    return tuple(
        (instrument.source_id, reason, count)
        for instrument in state.instruments
        for reason, count in zip(REASONS, instrument.counts, strict=True)
        if count
    )


def clock_delay_ns(state: ScreeningState, source: str, quantity: Quantity) -> int | None:
    """Least delay seen between a sensor's own clock and ours, ns; None without a clock or before it settled.

    source  "instrument/sensor", as in Reading
    """
    for sensor in state.sensors:
        if sensor.quantity is quantity and sensor.source == source:
            return sensor.least_delay_ns
    return None


def _duplicate(sensor: _Sensor, at_ns: int, said: Measurement) -> tuple[_Sensor, str | None]:
    packet = (said.sequence, said.device_ms)
    if packet == (None, None):
        return sensor, None
    if packet in sensor.packets:
        # The same moment of its own clock is the same reading however late it comes again; a bare packet
        # number comes round again honestly.
        if said.device_ms is not None or at_ns - sensor.at_ns <= DUPLICATE_WINDOW_S * NS_PER_S:
            return replace(sensor, at_ns=max(at_ns, sensor.at_ns)), "duplicate"
        return sensor, None
    return replace(sensor, packets=(*sensor.packets, packet)[-REMEMBERED:]), None


def _late(sensor: _Sensor, at_ns: int, said: Measurement, reading: Reading) -> tuple[_Sensor, str | None]:
    """Whether the reading is of the past; keeps the least delay between the instrument's clock and ours."""
    late_ns = int(LATE_S * NS_PER_S)
    if at_ns < sensor.at_ns - late_ns or reading.measured_at_ns < at_ns - late_ns:
        return sensor, "late"
    if said.device_ms is None:
        return replace(sensor, at_ns=at_ns), None
    device_ns = said.device_ms * _NS_PER_MS
    delay_ns = at_ns - device_ns
    if sensor.least_delay_ns is None:
        if said.device_ms >= _LARGEST_COUNTER_MS:
            return _settled(sensor, at_ns, device_ns)
        return replace(sensor, at_ns=at_ns, least_delay_ns=delay_ns), None
    if _restarted(sensor, said):
        return replace(sensor, at_ns=at_ns, least_delay_ns=delay_ns, late_in_step=0), None
    allowed_ns = sensor.least_delay_ns + int((at_ns - sensor.at_ns) * CLOCK_DRIFT_RATIO)
    if delay_ns - allowed_ns <= late_ns:
        least_ns = min(delay_ns, allowed_ns)
        return replace(sensor, at_ns=at_ns, least_delay_ns=least_ns, late_in_step=0), None
    apart = at_ns - sensor.at_ns >= APART_S * NS_PER_S
    in_step = apart and abs(delay_ns - sensor.late_delay_ns) <= PACE_S * NS_PER_S
    times = sensor.late_in_step + 1 if in_step else 1
    if times >= CLOCK_SET_READINGS:
        return replace(sensor, at_ns=at_ns, least_delay_ns=delay_ns, late_in_step=0), None
    return replace(sensor, at_ns=at_ns, late_delay_ns=delay_ns, late_in_step=times), "late"


def _settled(sensor: _Sensor, at_ns: int, device_ns: int) -> tuple[_Sensor, str | None]:
    """A dated instrument may first send what it stored, oldest first: it runs ahead of the receiver then."""
    if sensor.settling is None:
        return replace(sensor, at_ns=at_ns, settling=(at_ns, device_ns)), "late"
    received_ns, told_ns = at_ns - sensor.settling[0], device_ns - sensor.settling[1]
    if abs(told_ns - received_ns) > PACE_S * NS_PER_S:
        return replace(sensor, at_ns=at_ns, settling=(at_ns, device_ns)), "late"
    if received_ns < SETTLED_S * NS_PER_S:
        return replace(sensor, at_ns=at_ns), "late"
    return replace(sensor, at_ns=at_ns, settling=None, least_delay_ns=at_ns - device_ns), None


def _restarted(sensor: _Sensor, said: Measurement) -> bool:
    """A new boot restarts line number and clock together; a u32 clock wraps by more than half its range."""
    sequence, device_ms = sensor.packets[-2] if len(sensor.packets) > 1 else sensor.packets[-1]
    if device_ms is None or said.device_ms is None or said.device_ms >= device_ms:
        return False
    if device_ms < _LARGEST_COUNTER_MS and device_ms - said.device_ms > _LARGEST_COUNTER_MS // 2:
        return True
    return sequence is not None and said.sequence is not None and said.sequence < sequence


def _possible(sensor: _Sensor, at_ns: int, reading: Reading) -> tuple[_Sensor, str | None, bool]:
    """Range and slope; the last answer is True when a jump held back before is now known to be false."""
    limits = LIMITS[reading.quantity]
    now = (at_ns, reading.value)
    if not limits.low <= reading.value <= limits.high:
        return sensor, "range", False
    if limits.step is None or sensor.accepted is None or _agrees(limits, sensor.accepted, now):
        return replace(sensor, accepted=now, held=None), None, sensor.held is not None
    if sensor.held is None:
        return replace(sensor, held=now), "slope", False
    if _agrees(limits, sensor.held, now):
        return replace(sensor, accepted=now, held=None), None, False
    return replace(sensor, held=now), "slope", True


def _agrees(limits: Limits, before: tuple[int, float], now: tuple[int, float]) -> bool:
    assert limits.step is not None
    return abs(now[1] - before[1]) <= limits.step + limits.rate * max(now[0] - before[0], 0) / NS_PER_S


def _with_outcome(instrument: _Instrument, at_ns: int, reason: str | None) -> _Instrument:
    """The instrument after one more judged reading; duplicates and late readings are only counted."""
    if reason in ("duplicate", "late"):
        return _with_count(instrument, reason)
    refused = reason is not None
    recovered = at_ns - instrument.refused_at_ns >= RECOVERY_S * NS_PER_S
    ring = 0 if recovered else instrument.ring
    same_frame = at_ns == instrument.judged_at_ns
    ring = ring | refused if same_frame else (ring << 1 | refused) & _RING
    good = 0 if refused else instrument.good + (not same_frame)
    still_out = instrument.distrusted and good < RECOVERY_FRAMES and not recovered
    distrusted = ring.bit_count() > REFUSED_LIMIT or still_out
    judged = _Instrument(
        instrument.source_id,
        ring,
        instrument.seen + (not same_frame),
        good,
        distrusted,
        at_ns,
        at_ns if refused else instrument.refused_at_ns,
        instrument.counts,
    )
    return _with_count(judged, reason) if reason is not None else judged


def _with_count(instrument: _Instrument, reason: str) -> _Instrument:
    place = _REASON_AT[reason]
    counts = instrument.counts
    return replace(instrument, counts=(*counts[:place], counts[place] + 1, *counts[place + 1 :]))


def _sensor_of(state: ScreeningState, reading: Reading, at_ns: int) -> _Sensor:
    for sensor in state.sensors:
        if sensor.quantity is reading.quantity and sensor.source == reading.source:
            return sensor
    return _Sensor(reading.source, reading.quantity, at_ns)


def _instrument_of(state: ScreeningState, source_id: str) -> _Instrument:
    for instrument in state.instruments:
        if instrument.source_id == source_id:
            return instrument
    return _Instrument(source_id)


def _with_sensor(sensors: tuple[_Sensor, ...], new: _Sensor) -> tuple[_Sensor, ...]:
    for place, sensor in enumerate(sensors):
        if sensor.quantity is new.quantity and sensor.source == new.source:
            return (*sensors[:place], new, *sensors[place + 1 :])
    return (*sensors, new)


def _with_instrument(instruments: tuple[_Instrument, ...], new: _Instrument) -> tuple[_Instrument, ...]:
    for place, instrument in enumerate(instruments):
        if instrument.source_id == new.source_id:
            return (*instruments[:place], new, *instruments[place + 1 :])
    return (*instruments, new)
