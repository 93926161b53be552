"""Bluetooth GATT characteristics: Health Thermometer, Environmental Sensing, Battery. Little-endian.

Temperature Measurement 0x2A1C (indicate only), Intermediate Temperature 0x2A1E (notify), same layout:

    0      flags u8: b0 unit (0 degC, 1 degF), b1 time stamp follows, b2 type follows, b3-7 reserved
    1-4    medfloat32: u24 mantissa (two's complement), s8 exponent, value = mantissa * 10^exponent
    [7]    time stamp: year u16, month, day, hour, minute, second u8; no zone; year, month, day 0 = unknown
    [1]    type u8: a place on a human body; none is a hoof, so it is carried but never believed

    medfloat32 at exponent 0: 0x7FFFFF NaN, 0x800000 NRes (not at this resolution), 0x7FFFFE +INF,
    0x800002 -INF, 0x800001 reserved. All five are "no reading". The exponent is the resolution.

Environmental Sensing 0x181A             Battery 0x180F
    0x2A6E temperature   s16 0.01 degC, 0x8000 not known       0x2A19 level u8, 0 to 100 %
    0x2A6F humidity      u16 0.01 %,    0xFFFF not known
    0x2A6D pressure      u32 0.1 Pa
    0x2A7B dew point     s8  1 degC
    0x2A70 true wind speed, 0x2A72 apparent wind speed: u16 0.01 m/s

Reserved flag bits are refused although the standard lets a receiver ignore them: no published layout uses
them, and a flipped flag would change the unit or the length unseen.

Document: Bluetooth SIG GATT Specification Supplement (read); Health Thermometer Service 1.0 and
IEEE 11073-20601 medfloat32 (from memory).
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from hoofsense.wire.errors import FrameError

_FAHRENHEIT, _STAMPED, _TYPED = 0x01, 0x02, 0x04
_RESERVED_FLAGS = 0xF8

_NOT_A_NUMBER, _NOT_AT_THIS_RESOLUTION = 0x007FFFFF, 0x00800000
_INFINITE, _RESERVED_VALUE, _MINUS_INFINITE = 0x007FFFFE, 0x00800001, 0x00800002
_NO_READING = frozenset((_NOT_A_NUMBER, _NOT_AT_THIS_RESOLUTION, _INFINITE, _RESERVED_VALUE, _MINUS_INFINITE))
_MANTISSA_MASK, _MANTISSA_SIGN = 0xFFFFFF, 0x800000
_EXPONENT_SIGN = 0x80
_EXPONENT_SHIFT = 24  # bits

_HEADER = struct.Struct("<BI")
_STAMP = struct.Struct("<HBBBBB")
_EARLIEST_YEAR, _LATEST_YEAR = 1582, 9999  # GATT Date Time, range of a known year
_DAYS_IN_MONTH = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_FULL_PERCENT = 100


@dataclass(frozen=True, slots=True)
class DeviceDate:
    """A date as the instrument's own clock shows it: no time zone, possibly never set."""

    year: int
    month: int
    day: int
    hour: int
    minute: int
    second: int


@dataclass(frozen=True, slots=True)
class HealthTemperature:
    """One temperature: value in unit ("Cel" or "[degF]"), None when the thermometer has no reading."""

    value: float | None
    unit: str
    resolution: float | None
    dated: DeviceDate | None = None
    body_type: int | None = None


@dataclass(frozen=True, slots=True)
class CharacteristicValue:
    """One value of Environmental Sensing: value in unit, None when the sensor says "not known"."""

    name: str
    value: float | None
    unit: str
    resolution: float


def decode_medfloat32(raw: int) -> tuple[float | None, float | None]:
    """Value and resolution of the 32 raw bits; (None, None) for the five special values."""
    if raw in _NO_READING:
        return None, None
    mantissa = raw & _MANTISSA_MASK
    mantissa -= (mantissa & _MANTISSA_SIGN) << 1
    exponent = raw >> _EXPONENT_SHIFT
    exponent -= (exponent & _EXPONENT_SIGN) << 1
    # By way of decimal text, so that 0x000EB0 with exponent -2 is 37.6 and not its neighbour.
    return float(f"{mantissa}e{exponent}"), float(f"1e{exponent}")


def encode_medfloat32(value: float | None, exponent: int) -> int:
    """Raw bits of value rounded to 10^exponent; None becomes NaN. ValueError when it does not fit."""
    if value is None:
        return _NOT_A_NUMBER
    mantissa = round(value / 10.0**exponent)
    if not (-_MANTISSA_SIGN <= mantissa < _MANTISSA_SIGN and -_EXPONENT_SIGN <= exponent < _EXPONENT_SIGN):
        raise ValueError(
            f"{value} does not fit a 24-bit mantissa at exponent {exponent}: take a larger exponent"
        )
    raw = (exponent & 0xFF) << _EXPONENT_SHIFT | mantissa & _MANTISSA_MASK
    if raw in _NO_READING:
        raise ValueError(f"{value} at exponent {exponent} is a special value: take another exponent")
    return raw


def decode_health_temperature(payload: bytes) -> HealthTemperature:
    """Temperature Measurement or Intermediate Temperature; FrameError short, long or field."""
    if len(payload) < _HEADER.size:
        raise FrameError(
            f"{len(payload)} bytes of temperature, {_HEADER.size} at least: connect the thermometer again",
            payload,
            "short",
        )
    flags, raw = _HEADER.unpack_from(payload)
    if flags & _RESERVED_FLAGS:
        raise FrameError(
            f"temperature flags {flags:#04x} use reserved bits: read it with a newer layout", payload, "field"
        )
    end = _HEADER.size + (_STAMP.size if flags & _STAMPED else 0) + (1 if flags & _TYPED else 0)
    if len(payload) != end:
        raise FrameError(
            f"{len(payload)} bytes of temperature, its flags promise {end}: connect the thermometer again",
            payload,
            "short" if len(payload) < end else "long",
        )
    dated = _date_from(payload, _HEADER.size) if flags & _STAMPED else None
    value, resolution = decode_medfloat32(raw)
    return HealthTemperature(
        value=value,
        unit="[degF]" if flags & _FAHRENHEIT else "Cel",
        resolution=resolution,
        dated=dated,
        body_type=payload[-1] if flags & _TYPED else None,
    )


def _date_from(payload: bytes, offset: int) -> DeviceDate | None:
    """The date at offset, None when the instrument does not know it; FrameError for an impossible one."""
    year, month, day, hour, minute, second = _STAMP.unpack_from(payload, offset)
    possible = (
        (year == 0 or _EARLIEST_YEAR <= year <= _LATEST_YEAR)
        and month <= len(_DAYS_IN_MONTH)
        and day <= (_DAYS_IN_MONTH[month - 1] if month else max(_DAYS_IN_MONTH))
        and hour < 24
        and minute < 60
        and second < 60
    )
    if not possible:
        raise FrameError(
            f"no such date: {year}-{month}-{day} {hour}:{minute}:{second}; set the thermometer's clock",
            payload,
            "field",
        )
    if not (year and month and day):
        return None
    return DeviceDate(year, month, day, hour, minute, second)


def encode_health_temperature(
    value: float | None,
    unit: str = "Cel",
    exponent: int = -1,
    dated: DeviceDate | None = None,
    body_type: int | None = None,
) -> bytes:
    """Bytes of one temperature; value None is sent as NaN. ValueError for another unit than Cel, [degF]."""
    if unit not in ("Cel", "[degF]"):
        raise ValueError(f"unit {unit!r}: a health thermometer sends Cel or [degF]")
    flags = (
        (_FAHRENHEIT if unit == "[degF]" else 0)
        | (_STAMPED if dated is not None else 0)
        | (_TYPED if body_type is not None else 0)
    )
    payload = _HEADER.pack(flags, encode_medfloat32(value, exponent))
    if dated is not None:
        payload += _STAMP.pack(dated.year, dated.month, dated.day, dated.hour, dated.minute, dated.second)
    if body_type is not None:
        payload += bytes((body_type,))
    return payload


def calendar_ms(dated: DeviceDate) -> int:
    """Milliseconds from 1970-01-01 00:00 to dated, both on the instrument's own clock (no zone).

    source  days from the civil calendar by counting years from March (proleptic Gregorian)
    """
    year = dated.year - (dated.month <= 2)
    month_from_march = (dated.month + 9) % 12
    day_of_year = (153 * month_from_march + 2) // 5 + dated.day - 1
    days = 365 * year + year // 4 - year // 100 + year // 400 + day_of_year - 719468
    return (((days * 24 + dated.hour) * 60 + dated.minute) * 60 + dated.second) * 1000


@dataclass(frozen=True, slots=True)
class _Layout:
    name: str
    packing: struct.Struct
    exponent: int  # decimal: one count is 10^exponent
    unit: str
    not_known: int | None


_LAYOUTS = {
    0x2A6E: _Layout("temperature", struct.Struct("<h"), -2, "Cel", -0x8000),
    0x2A6F: _Layout("humidity", struct.Struct("<H"), -2, "%", 0xFFFF),
    0x2A6D: _Layout("pressure", struct.Struct("<I"), -1, "Pa", None),
    0x2A7B: _Layout("dew_point", struct.Struct("<b"), 0, "Cel", None),
    0x2A70: _Layout("wind", struct.Struct("<H"), -2, "m/s", None),
    0x2A72: _Layout("apparent_wind", struct.Struct("<H"), -2, "m/s", None),
}
ENVIRONMENTAL_UUIDS = tuple(_LAYOUTS)


def decode_environmental(uuid16: int, payload: bytes) -> CharacteristicValue:
    """Value of one Environmental Sensing characteristic (uuid16 from ENVIRONMENTAL_UUIDS).

    raises  FrameError short or long; ValueError for a characteristic this module does not read
    """
    layout = _layout_of(uuid16)
    if len(payload) != layout.packing.size:
        raise FrameError(
            f"{len(payload)} bytes of {layout.name}, not {layout.packing.size}: connect the sensor again",
            payload,
            "short" if len(payload) < layout.packing.size else "long",
        )
    (count,) = layout.packing.unpack(payload)
    tenth = 10.0**-layout.exponent  # 1, 10 or 100: exact, so the division rounds correctly
    value = None if count == layout.not_known else count / tenth
    return CharacteristicValue(layout.name, value, layout.unit, 1.0 / tenth)


def encode_environmental(uuid16: int, value: float | None) -> bytes:
    """Bytes of one characteristic; None is "not known". ValueError when that or value has no code."""
    layout = _layout_of(uuid16)
    if value is None:
        if layout.not_known is None:
            raise ValueError(f"{layout.name} has no code for not known: leave the characteristic out")
        return layout.packing.pack(layout.not_known)
    if not math.isfinite(value):
        raise ValueError(f"{layout.name} {value} is not a number: send None when it is not known")
    count = round(value * 10.0**-layout.exponent)
    try:
        packed = layout.packing.pack(count)
    except struct.error as error:
        raise ValueError(f"{layout.name} {value} {layout.unit} does not fit: {error}") from None
    if count == layout.not_known:
        raise ValueError(f"{layout.name} {value} {layout.unit} is the code for not known: send None")
    return packed


def _layout_of(uuid16: int) -> _Layout:
    try:
        return _LAYOUTS[uuid16]
    except KeyError:
        known = ", ".join(f"{uuid:#06x}" for uuid in _LAYOUTS)
        raise ValueError(f"characteristic {uuid16:#06x} is not read here: use one of {known}") from None


def decode_battery(payload: bytes) -> int:
    """Battery level in percent, 0 to 100; FrameError short, long or field."""
    if len(payload) != 1:
        raise FrameError(
            f"{len(payload)} bytes of battery level, not 1: connect the instrument again",
            payload,
            "long" if payload else "short",
        )
    if payload[0] > _FULL_PERCENT:
        raise FrameError(
            f"battery level {payload[0]} % is above 100: replace the battery and look again", payload, "field"
        )
    return payload[0]


def encode_battery(percent: int) -> bytes:
    """Battery level byte; ValueError outside 0 to 100 %."""
    if not 0 <= percent <= _FULL_PERCENT:
        raise ValueError(f"battery level {percent} % is outside 0 to 100: give the percentage")
    return bytes((percent,))
