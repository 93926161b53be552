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

# What a sensor measures when nobody gave it a role: by the kind of channel, then by the sensor's name.
_OF_ITSELF = {"battery": Quantity.BATTERY, "button": Quantity.BUTTON}
_BY_DEFAULT: dict[str, dict[str, Quantity]] = {
    "line:hs1": {
        **_OF_ITSELF,
        "ir": Quantity.SURFACE_TEMPERATURE,
        "jaw": Quantity.LENGTH,
        "air": Quantity.AIR_TEMPERATURE,
        "rh": Quantity.RELATIVE_HUMIDITY,
    },
    "gatt:2a1c": {"temperature": Quantity.SURFACE_TEMPERATURE},
    "gatt:2a1e": {"temperature": Quantity.SURFACE_TEMPERATURE},
    "line:gauge": {"jaw": Quantity.LENGTH},
    "typed": {"jaw": Quantity.LENGTH},
}
_OF_THE_AIR = {
    **_OF_ITSELF,
    "temperature": Quantity.AIR_TEMPERATURE,
    "humidity": Quantity.RELATIVE_HUMIDITY,
    "pressure": Quantity.PRESSURE,
    "dew_point": Quantity.DEW_POINT,
    "wind": Quantity.WIND_SPEED,
    "speed": Quantity.WIND_SPEED,
}
_NAMES_SAY_WHAT = frozenset(("line:hs1", "line:gauge", "typed"))
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


def measurements_from(frame: RawFrame) -> tuple[Measurement, ...]:
    """What the instrument said in this frame, nothing for marks, ticks, clock steps and link states.

    A sensor that an instrument has several times is "temperature", "temperature#2", ... in an advert, and
    "temperature#<handle>" when the channel ends in "#<handle>".

    raises  FrameError only, whatever the bytes and the channel are
    """
    kind, settings, handle = _channel_parts(frame.channel)
    decoder = _DECODERS.get(kind)
    if decoder is not None:
        measurements = decoder(frame.payload)
        return tuple(_with_handle(one, handle) for one in measurements) if handle else measurements
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


def readings_from(frame: RawFrame, roles: Roles = ()) -> tuple[Reading, ...]:
    """Readings of the quantities this program works with; see reading_from for roles and errors."""
    readings = (reading_from(frame, measurement, roles) for measurement in measurements_from(frame))
    return tuple(reading for reading in readings if reading is not None)


def reading_from(frame: RawFrame, measurement: Measurement, roles: Roles = ()) -> Reading | None:
    """The reading that one measurement of this frame is; None for a value the instrument does not know
    and for a sensor that is of no quantity here.

    roles    "instrument/sensor" or "instrument" -> one of ROLES; pairs or a mapping
    raises   FrameError unit when the unit does not fit the quantity; ValueError for a role that is none of
             ROLES
    """
    by_source = roles if isinstance(roles, Mapping) else dict(roles)
    source = f"{frame.source_id}/{measurement.sensor}"
    quantity = _quantity_of(frame, measurement, by_source.get(source), by_source.get(frame.source_id))
    if quantity is None or measurement.value is None:
        return None
    try:
        value = value_for(quantity, measurement.value, measurement.unit)
        resolution = si_difference_from(measurement.resolution or 0.0, measurement.unit)
    except ValueError as error:
        raise FrameError(str(error), frame.payload, "unit") from None
    # Resolution: rectangular over one count, GUM F.2.2.1.
    return Reading(
        measured_at_ns=frame.received_at.steady_ns,
        source=source,
        quantity=quantity,
        value=value,
        standard_uncertainty=math.hypot(resolution / math.sqrt(12.0), _CLASS_U[quantity]),
    )


def _quantity_of(
    frame: RawFrame, measurement: Measurement, sensor_role: str | None, instrument_role: str | None
) -> Quantity | None:
    """What a measurement is of: by its sensor's role, else by its instrument's role, else by default."""
    kind, _, _ = _channel_parts(frame.channel)
    name, _, _ = measurement.sensor.partition("#")
    if _is_button(kind, measurement):
        default: Quantity | None = Quantity.BUTTON
    else:
        default = _BY_DEFAULT.get(kind, _OF_THE_AIR).get(name)
    says_what_it_is = default is not None and (kind in _NAMES_SAY_WHAT or default in _OF_ITSELF.values())
    role = sensor_role or (None if says_what_it_is else instrument_role)
    if role is None:
        return default
    if role not in _ROLE_BY_DIMENSION:
        raise ValueError(f"role {role!r} is none of {', '.join(ROLES)}: pair the instrument again")
    try:
        quantity = _ROLE_BY_DIMENSION[role].get(dimension_of(measurement.unit))
    except ValueError as error:
        raise FrameError(str(error), frame.payload, "unit") from None
    if default is Quantity.DEW_POINT and quantity is not None:
        quantity = default if role == "air" else None
    if quantity is None and sensor_role is not None:
        raise FrameError(
            f"{measurement.sensor} in {measurement.unit!r} cannot be the {role!r} instrument: pair it again",
            frame.payload,
            "unit",
        )
    return quantity


def _is_button(kind: str, measurement: Measurement) -> bool:
    """A bridge's button carries the name of the sensor it is on; unlike a measurement it has no digits."""
    return kind == "line:hs1" and measurement.unit == "1" and measurement.resolution is None


def _channel_parts(channel: str) -> tuple[str, str, str]:
    """Kind, settings and handle of "kind#handle?settings"."""
    kind, _, settings = channel.partition("?")
    kind, _, handle = kind.partition("#")
    return kind, settings, handle


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


def _with_handle(m: Measurement, handle: str) -> Measurement:
    return Measurement(f"{m.sensor}#{handle}", m.value, m.unit, m.resolution, m.sequence, m.device_ms)


def _health_temperature(payload: bytes) -> tuple[Measurement, ...]:
    said = decode_health_temperature(payload)
    device_ms = None if said.dated is None else calendar_ms(said.dated)
    return (Measurement("temperature", said.value, said.unit, said.resolution, None, device_ms),)


def _environmental(uuid16: int, payload: bytes) -> tuple[Measurement, ...]:
    said = decode_environmental(uuid16, payload)
    return (Measurement(said.name, said.value, said.unit, said.resolution),)


def _battery(payload: bytes) -> tuple[Measurement, ...]:
    return (Measurement("battery", float(decode_battery(payload)), "%", 1.0),)


def _bthome(payload: bytes) -> tuple[Measurement, ...]:
    packet = decode_bthome(payload)
    seen: dict[str, int] = {}
    measurements = []
    for one in packet.objects:
        nth = seen[one.name] = seen.get(one.name, 0) + 1
        sensor = one.name if nth == 1 else f"{one.name}#{nth}"
        measurements.append(Measurement(sensor, one.value, one.unit, one.resolution, packet.packet_id))
    return tuple(measurements)


def _bridge(payload: bytes, sign: str = "20") -> tuple[Measurement, ...]:
    line = decode_bridge_line(payload)
    value: float | None = None
    resolution: float | None = None
    unit = "1"
    if line.kind is Kind.IDENTITY:
        return ()
    if line.kind is Kind.BUTTON:
        value = 1.0
    elif line.kind is Kind.MEASUREMENT and line.unit not in RAW_CALIPER_UNITS:
        unit = line.unit
        value, resolution = value_of(line, payload)
    elif line.kind is Kind.MEASUREMENT and line.text:
        length = _caliper(line, payload, int(sign))
        value, unit, resolution = length.value, length.unit, length.resolution
    # What is left, an error line or an empty caliper frame, says that its sensor has no reading.
    return (Measurement(line.channel, value, unit, resolution, line.sequence, line.device_ms),)


def _caliper(line: BridgeLine, payload: bytes, sign_bit: int) -> CaliperValue:
    """The length in a caliper frame that the bridge passed on as it came; errors carry the whole line."""
    raw = line.text.encode("ascii")
    try:
        return decode_caliper24(raw, sign_bit) if line.unit == "hex24" else decode_caliper52(raw)
    except FrameError as error:
        raise FrameError(error.message, payload, error.reason) from None


def _gauge(payload: bytes, unit: str | None = None, pattern: str | None = None) -> tuple[Measurement, ...]:
    said = decode_gauge_line(payload, unit, pattern)
    return (Measurement(_STATED_SENSOR, said.value, said.unit, said.resolution),)


def _typed(payload: bytes) -> tuple[Measurement, ...]:
    said = decode_typed(payload)
    return (Measurement(_STATED_SENSOR, said.value, said.unit, said.resolution),)


_DECODERS: dict[str, Callable[[bytes], tuple[Measurement, ...]]] = {
    "gatt:2a1c": _health_temperature,
    "gatt:2a1e": _health_temperature,
    "gatt:2a19": _battery,
    **{f"gatt:{uuid16:04x}": partial(_environmental, uuid16) for uuid16 in ENVIRONMENTAL_UUIDS},
    "advert:fcd2": _bthome,
    "typed": _typed,
}
