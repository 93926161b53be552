"""Frames to measurements (what the instrument said) and to readings (SI, of a known quantity).

The channel of a frame says how its payload is written; the role of an instrument says what a temperature is
the temperature of. Roles are the person's: "sole", "air", "caliper" or "button", for "instrument/sensor" or
for a whole "instrument". A role for one sensor decides for that sensor alone. A role for an instrument
decides for its unnamed sensors ("temperature", "distance", ...) and leaves those whose name already says what
they are ("ir", "jaw", "air", "rh" of a bridge line, a battery, a button).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from hoofsense.records import Measurement, Quantity, RawFrame, Reading
from hoofsense.units import dimension_of, si_difference_from, value_for
from hoofsense.wire.bridge_line import RAW_CALIPER_UNITS, BridgeLine, Kind, decode_bridge_line, value_of
from hoofsense.wire.bthome import decode_bthome
from hoofsense.wire.caliper_port import CaliperValue, decode_caliper24, decode_caliper52
from hoofsense.wire.errors import FrameError
from hoofsense.wire.gatt import (
    ENVIRONMENTAL_UUIDS,
    calendar_ms,
    decode_battery,
    decode_environmental,
    decode_health_temperature,
)
from hoofsense.wire.gauge_line import decode_gauge_line
from hoofsense.wire.typed import decode_typed

Roles = Mapping[str, str] | tuple[tuple[str, str], ...]

ROLES = ("sole", "air", "caliper", "button")

# Standard uncertainty (k = 1) of an instrument of each class, besides its resolution.
# No instrument's own certificate is known here, so these are common practice from memory: data sheets give
# maximum errors, taken as the half-width a of a rectangular distribution, u = a / sqrt(3) (GUM 4.3.7).
SURFACE_U_K = 0.7  # pocket infrared thermometer, +/-1.2 K near body temperature; emissivity is not in it
AIR_U_K = 0.3  # digital air sensor, +/-0.5 K
HUMIDITY_U_RATIO = 0.03  # digital humidity sensor, +/-3 %RH typical with drift, taken as u itself
DEW_POINT_U_K = 1.0  # from 0.3 K and 0.03 at 20 degC and 50 %: 3 %RH is about 0.9 K of dew point
PRESSURE_U_Pa = 100.0  # digital barometer, +/-1.5 hPa
WIND_U_m_per_s = 0.3  # small cup or vane anemometer, +/-0.5 m/s
CALIPER_U_m = 0.02e-3  # digital caliper, +/-0.03 mm over 150 mm

_CLASS_U = {
    Quantity.TEMPERATURE: SURFACE_U_K,
    Quantity.SURFACE_TEMPERATURE: SURFACE_U_K,
    Quantity.AIR_TEMPERATURE: AIR_U_K,
    Quantity.RELATIVE_HUMIDITY: HUMIDITY_U_RATIO,
    Quantity.DEW_POINT: DEW_POINT_U_K,
    Quantity.PRESSURE: PRESSURE_U_Pa,
    Quantity.WIND_SPEED: WIND_U_m_per_s,
    Quantity.LENGTH: CALIPER_U_m,
    Quantity.BATTERY: 0.0,
    Quantity.BUTTON: 0.0,
}

_SOLE = {"temperature": Quantity.SURFACE_TEMPERATURE}
_AIR = {
    "temperature": Quantity.AIR_TEMPERATURE,
    "humidity": Quantity.RELATIVE_HUMIDITY,
    "pressure": Quantity.PRESSURE,
    "dew_point": Quantity.DEW_POINT,
    "wind": Quantity.WIND_SPEED,
    "speed": Quantity.WIND_SPEED,
}
_ALWAYS = {"battery": Quantity.BATTERY, "button": Quantity.BUTTON}
_NAMED_ON_A_BRIDGE = {
    "ir": Quantity.SURFACE_TEMPERATURE,
    "jaw": Quantity.LENGTH,
    "air": Quantity.AIR_TEMPERATURE,
    "rh": Quantity.RELATIVE_HUMIDITY,
    "battery": Quantity.BATTERY,
}
# What a role makes of a sensor, by the dimension it measures.
_ROLE_BY_DIMENSION = {
    "sole": {"temperature": Quantity.SURFACE_TEMPERATURE},
    "air": {
        "temperature": Quantity.AIR_TEMPERATURE,
        "ratio": Quantity.RELATIVE_HUMIDITY,
        "pressure": Quantity.PRESSURE,
        "speed": Quantity.WIND_SPEED,
    },
    "caliper": {"length": Quantity.LENGTH},
    "button": {"ratio": Quantity.BUTTON},
}
_BEARING_NO_MEASUREMENT = frozenset(("mark", "tick", "clock", "link", "advert:fcd2+sealed"))
_STATED_SENSOR = "jaw"  # a gauge line or a typed value has no sensor name of its own


@dataclass(frozen=True, slots=True)
class _Said:
    """A measurement with the quantity it is of by default; named when a role of the instrument stays off."""

    measurement: Measurement
    default: Quantity | None
    named: bool = False


def measurements_from(frame: RawFrame) -> tuple[Measurement, ...]:
    """What the instrument said in this frame, nothing for marks, ticks, clock steps and link states.

    raises  FrameError only, whatever the bytes and the channel are
    """
    return tuple(said.measurement for said in _said_in(frame))


def readings_from(frame: RawFrame, roles: Roles = ()) -> tuple[Reading, ...]:
    """Readings of the quantities this program works with; see measured_readings_from."""
    return tuple(reading for _, reading in measured_readings_from(frame, roles))


def measured_readings_from(frame: RawFrame, roles: Roles = ()) -> tuple[tuple[Measurement, Reading], ...]:
    """Each reading beside the measurement it was made from, which holds what screening asks for.

    roles    "instrument/sensor" or "instrument" -> one of ROLES; pairs or a mapping
    returns  no reading for a value the instrument does not know, nor for a sensor without a quantity
    raises   FrameError only for frames; ValueError for a role that is none of ROLES
    """
    by_source = roles if isinstance(roles, Mapping) else dict(roles)
    pairs = []
    for said in _said_in(frame):
        measurement = said.measurement
        source = f"{frame.source_id}/{measurement.sensor}"
        quantity = _quantity_of(said, by_source.get(source), by_source.get(frame.source_id), frame)
        if quantity is not None and measurement.value is not None:
            pairs.append((measurement, _reading(measurement, quantity, source, frame)))
    return tuple(pairs)


def _quantity_of(
    said: _Said, sensor_role: str | None, instrument_role: str | None, frame: RawFrame
) -> Quantity | None:
    """What a measurement is of, by its sensor's role, its instrument's role or its default."""
    role = sensor_role or (None if said.named else instrument_role)
    if role is None:
        return said.default
    if role not in _ROLE_BY_DIMENSION:
        raise ValueError(f"role {role!r} is none of {', '.join(ROLES)}: pair the instrument again")
    measurement = said.measurement
    quantity = _ROLE_BY_DIMENSION[role].get(_dimension(measurement.unit, frame))
    if said.default is Quantity.DEW_POINT and quantity is not None:
        quantity = Quantity.DEW_POINT if role == "air" else None
    if quantity is None and sensor_role is not None:
        raise FrameError(
            f"{measurement.sensor} sends {measurement.unit!r}, which is nothing for {role!r}: pair it again",
            frame.payload,
            "unit",
        )
    return quantity


def _reading(measurement: Measurement, quantity: Quantity, source: str, frame: RawFrame) -> Reading:
    assert measurement.value is not None
    try:
        value = value_for(quantity, measurement.value, measurement.unit)
        resolution = si_difference_from(measurement.resolution or 0.0, measurement.unit)
    except ValueError as error:
        raise FrameError(str(error), frame.payload, "unit") from None
    if not math.isfinite(value):
        raise FrameError(
            f"{quantity.value} {measurement.value} {measurement.unit} is not a number: check the sensor",
            frame.payload,
            "number",
        )
    # Resolution: rectangular over one count, GUM F.2.2.1.
    return Reading(
        measured_at_ns=frame.received_at.steady_ns,
        source=source,
        quantity=quantity,
        value=value,
        standard_uncertainty=math.hypot(resolution / math.sqrt(12.0), _CLASS_U[quantity]),
    )


def _dimension(unit: str, frame: RawFrame) -> str:
    try:
        return dimension_of(unit)
    except ValueError as error:
        raise FrameError(str(error), frame.payload, "unit") from None


def _said_in(frame: RawFrame) -> tuple[_Said, ...]:
    kind, _, settings = frame.channel.partition("?")
    kind, _, handle = kind.partition("#")
    decoder = _DECODERS.get(kind)
    if decoder is not None:
        said = decoder(frame.payload)
        return tuple(_with_handle(one, handle) for one in said) if handle else said
    if kind in _BEARING_NO_MEASUREMENT:
        return ()
    try:
        if kind == "line:hs1":
            return _bridge(frame.payload, **_settings_from(settings, ("sign",)))
        if kind == "line:gauge":
            return _gauge(frame.payload, **_settings_from(settings, ("unit", "pattern")))
    except ValueError as error:
        raise FrameError(f"channel {frame.channel!r}: {error}", frame.payload, "channel") from None
    raise FrameError(
        f"channel {frame.channel!r} has no decoder: update this program", frame.payload, "channel"
    )


def _settings_from(text: str, known: tuple[str, ...]) -> dict[str, str]:
    """Settings of a channel, "unit=mm&pattern=..."; a pattern comes last and takes all the rest."""
    text, marked, pattern = text.partition("pattern=")
    settings = dict(part.partition("=")[::2] for part in text.split("&") if part)
    if marked:
        settings["pattern"] = pattern
    for name in settings:
        if name not in known:
            raise ValueError(f"setting {name!r} is none of {', '.join(known)}: set the port up again")
    return settings


def _with_handle(said: _Said, handle: str) -> _Said:
    """The same characteristic can stand in one instrument several times; its handle tells which."""
    m = said.measurement
    named = Measurement(f"{m.sensor}#{handle}", m.value, m.unit, m.resolution, m.sequence, m.device_ms)
    return _Said(named, said.default, said.named)


def _health_temperature(payload: bytes) -> tuple[_Said, ...]:
    said = decode_health_temperature(payload)
    measurement = Measurement(
        sensor="temperature",
        value=said.value,
        unit=said.unit,
        resolution=said.resolution,
        device_ms=None if said.dated is None else calendar_ms(said.dated),
    )
    return (_Said(measurement, _SOLE["temperature"]),)


def _environmental(uuid16: int, payload: bytes) -> tuple[_Said, ...]:
    said = decode_environmental(uuid16, payload)
    measurement = Measurement(said.name, said.value, said.unit, said.resolution)
    return (_Said(measurement, _AIR.get(said.name)),)


def _battery(payload: bytes) -> tuple[_Said, ...]:
    return (_Said(Measurement("battery", float(decode_battery(payload)), "%", 1.0), Quantity.BATTERY, True),)


def _bthome(payload: bytes) -> tuple[_Said, ...]:
    packet = decode_bthome(payload)
    seen: dict[str, int] = {}
    said = []
    for one in packet.objects:
        nth = seen[one.name] = seen.get(one.name, 0) + 1
        sensor = one.name if nth == 1 else f"{one.name}_{nth}"
        measurement = Measurement(sensor, one.value, one.unit, one.resolution, packet.packet_id)
        always = _ALWAYS.get(one.name)
        said.append(_Said(measurement, always or _AIR.get(one.name), always is not None))
    return tuple(said)


def _bridge(payload: bytes, sign: str = "20") -> tuple[_Said, ...]:
    line = decode_bridge_line(payload)
    if line.kind is Kind.IDENTITY:
        return ()
    value: float | None = None
    resolution: float | None = None
    unit, default, named = "1", None, True
    if line.kind is Kind.BUTTON:
        value, default = 1.0, Quantity.BUTTON
    elif line.kind is Kind.MEASUREMENT:
        default = _NAMED_ON_A_BRIDGE.get(line.channel)
        named = default is not None
        if line.unit in RAW_CALIPER_UNITS:
            unit = "mm"
            if line.text:
                length = _caliper(line, payload, int(sign))
                value, unit, resolution = length.value, length.unit, length.resolution
        else:
            unit = line.unit
            value, resolution = value_of(line, payload)
    # An error line says that its sensor has no reading.
    measurement = Measurement(line.channel, value, unit, resolution, line.sequence, line.device_ms)
    return (_Said(measurement, default, named),)


def _caliper(line: BridgeLine, payload: bytes, sign_bit: int) -> CaliperValue:
    """The length in a caliper frame that the bridge passed on as it came; errors carry the whole line."""
    raw = line.text.encode("ascii")
    try:
        return decode_caliper24(raw, sign_bit) if line.unit == "hex24" else decode_caliper52(raw)
    except FrameError as error:
        raise FrameError(error.message, payload, error.reason) from None


def _gauge(payload: bytes, unit: str | None = None, pattern: str | None = None) -> tuple[_Said, ...]:
    said = decode_gauge_line(payload, unit, pattern)
    return (
        _Said(Measurement(_STATED_SENSOR, said.value, said.unit, said.resolution), Quantity.LENGTH, True),
    )


def _typed(payload: bytes) -> tuple[_Said, ...]:
    said = decode_typed(payload)
    return (
        _Said(Measurement(_STATED_SENSOR, said.value, said.unit, said.resolution), Quantity.LENGTH, True),
    )


_DECODERS: dict[str, Callable[[bytes], tuple[_Said, ...]]] = {
    "gatt:2a1c": _health_temperature,
    "gatt:2a1e": _health_temperature,
    "gatt:2a19": _battery,
    **{f"gatt:{uuid16:04x}": partial(_environmental, uuid16) for uuid16 in ENVIRONMENTAL_UUIDS},
    "advert:fcd2": _bthome,
    "typed": _typed,
}
