"""HS1, the line a bridge sends over USB serial, a TCP socket or UART over GATT. ASCII.

    $HS1,<seq>,<ms>,<kind>,<channel>,<value>,<unit>*<CRC>\\r\\n

    seq      u32, one more with every line; a new boot starts at 0
    ms       u32, the bridge's clock in milliseconds; wraps after 49.7 days, a new boot starts near 0
    kind     I identity, at boot and once a minute: channel = the bridge's own id, value fw=..., unit boot=...
             M measurement: value a decimal number whose digits are its resolution; empty: no reading
             B button: value 1
             E error: value says what is wrong in words
    channel  name of the sensor: letters, digits, "_" and "-"
    unit     UCUM code (Cel, mm, [in_i], %, Pa, m/s); or hex24, hex52: value is a caliper frame as the
             port sent it, in hex digits (see caliper_port), so that a port can be checked before any trust
    CRC      CRC-16/IBM-3740 over the bytes between "$" and "*", 4 upper-case hex digits

No field holds ",", "*", "$" or a byte outside 0x20 to 0x7E. The payload here is the line without CR LF.

Document: this file, HS1 version 1; firmware_notes/hs1_bridge_line.md says how to send it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

from hoofsense.wire.checked_text import with_crc, without_crc
from hoofsense.wire.decimal_text import decimal_from
from hoofsense.wire.errors import FrameError

MARK = b"HS1"
LINE_END = b"\r\n"
RAW_CALIPER_UNITS = ("hex24", "hex52")
_FIELDS = 7
_U32_DIGITS = re.compile(r"0|[1-9][0-9]{0,9}", re.ASCII)
_U32_MAX = 0xFFFFFFFF
_NAME = re.compile(r"[A-Za-z0-9_-]{1,32}", re.ASCII)
_TEXT = re.compile(r"[ -~]*", re.ASCII)
_SEPARATORS = re.compile(r"[,*$]")


class Kind(Enum):
    IDENTITY = "I"
    MEASUREMENT = "M"
    BUTTON = "B"
    ERROR = "E"


_KINDS = {kind.value: kind for kind in Kind}


@dataclass(frozen=True, slots=True)
class BridgeLine:
    """One line of a bridge; text is the value as written, unit the last field as written."""

    sequence: int
    device_ms: int
    kind: Kind
    channel: str
    text: str = ""
    unit: str = ""


def decode_bridge_line(payload: bytes) -> BridgeLine:
    """The fields of one line without CR LF; FrameError short, checksum, version or field."""
    if payload[:1] != b"$":
        raise FrameError("a bridge line starts with $: connect the bridge again", payload, "short")
    body = without_crc(payload, start=1)
    try:
        fields = body.decode("ascii").split(",")
    except UnicodeDecodeError:
        raise FrameError("a bridge line is ASCII: check the bridge's sender", payload, "field") from None
    if fields[0] != "HS1":
        raise FrameError(f"line of {fields[0]!r}, only HS1 is read: update the bridge", payload, "version")
    if len(fields) != _FIELDS:
        raise FrameError(
            f"{len(fields)} fields where HS1 has {_FIELDS}: check the bridge's sender", payload, "field"
        )
    _, sequence, device_ms, letter, channel, text, unit = fields
    kind = _KINDS.get(letter)
    if kind is None or _NAME.fullmatch(channel) is None or _TEXT.fullmatch(text + unit) is None:
        raise FrameError(
            f"kind {letter!r} of channel {channel!r} is not HS1: check the bridge's sender", payload, "field"
        )
    line = BridgeLine(_u32_from(sequence, payload), _u32_from(device_ms, payload), kind, channel, text, unit)
    if kind is Kind.MEASUREMENT and text and unit not in RAW_CALIPER_UNITS:
        decimal_from(text, payload)
    return line


def value_of(line: BridgeLine, payload: bytes = b"") -> tuple[float | None, float | None]:
    """Value and resolution of a measurement line, (None, None) when it says there is no reading.

    payload  the bytes the line came from, for the FrameError number of a line that was never decoded
    """
    return decimal_from(line.text, payload) if line.text else (None, None)


def encode_bridge_line(line: BridgeLine) -> bytes:
    """Bytes of the line without CR LF; ValueError for fields HS1 cannot carry."""
    for name, number in (("seq", line.sequence), ("ms", line.device_ms)):
        if not 0 <= number <= _U32_MAX:
            raise ValueError(f"{name} {number} is outside 0 to {_U32_MAX}: let it wrap")
    for field in (line.text, line.unit):
        if _SEPARATORS.search(field) or _TEXT.fullmatch(field) is None:
            raise ValueError(
                f"{field!r} holds a separator or a byte that is not printable ASCII: leave it out"
            )
    if _NAME.fullmatch(line.channel) is None:
        raise ValueError(f"channel {line.channel!r}: use 1 to 32 letters, digits, _ and -")
    fields = (str(line.sequence), str(line.device_ms), line.kind.value, line.channel, line.text, line.unit)
    return b"$" + with_crc(MARK + b"," + ",".join(fields).encode("ascii"))


def _u32_from(text: str, payload: bytes) -> int:
    if _U32_DIGITS.fullmatch(text) is None or int(text) > _U32_MAX:
        raise FrameError(f"{text!r} is not a number from 0 to {_U32_MAX}: let it wrap", payload, "number")
    return int(text)
