"""BTHome version 2 adverts: service data of UUID 0xFCD2, without the UUID. Little-endian.

    0      info u8: b0 encrypted, b1 reserved, b2 sent on a trigger, b3-4 reserved, b5-7 version (2)
    1..    objects: id u8, value; ids ascend; the id alone says the length, so an unknown id ends parsing
           00 packet id u8            08 dew point s16 0.01 degC     44 speed u16 0.01 m/s
           01 battery u8 1 %          2E humidity u8 1 %             45 temperature s16 0.1 degC
           02 temperature s16 0.01    3A button u8 event, 0 = none   57 temperature s8 1 degC
           03 humidity u16 0.01 %     40 distance u16 1 mm           58 temperature s8 0.35 degC
           04 pressure u24 0.01 hPa   41 distance u16 0.1 m          53 text, 54 raw: length u8, bytes
    encrypted: info, AES-CCM ciphertext of the objects, counter u32, 4-byte MIC; 16-byte key;
           nonce = address (as printed, 6 bytes), D2 FC, info, counter; no associated data

Objects of other lengths are stepped over; ids out of order are read all the same (the order is for older
receivers). A packet whose last known object is cut short is refused whole: half a packet is no packet.

Document: bthome.io, BTHome v2 format and encryption pages (read).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoofsense.wire.errors import FrameError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

_ENCRYPTED, _TRIGGERED, _RESERVED_INFO = 0x01, 0x04, 0x1A
_VERSION, _VERSION_SHIFT = 2, 5
_PACKET_ID, _BUTTON, _TEXT, _RAW = 0x00, 0x3A, 0x53, 0x54
_UUID_AS_SENT = b"\xd2\xfc"
_COUNTER_BYTES, _MIC_BYTES, _KEY_BYTES, _ADDRESS_BYTES = 4, 4, 16, 6
_SMALLEST_SEALED = 1 + 2 + _COUNTER_BYTES + _MIC_BYTES  # info, one object of one byte, counter, MIC


@dataclass(frozen=True, slots=True)
class ObjectLayout:
    """How the value of one object id is written: value = count * per_count / divisor, in unit."""

    name: str
    length: int
    signed: bool
    per_count: int
    divisor: int
    unit: str
    resolution: float


def _layout(name: str, length: int, signed: bool, per_count: int, divisor: int, unit: str) -> ObjectLayout:
    return ObjectLayout(name, length, signed, per_count, divisor, unit, per_count / divisor)


OBJECTS = {
    0x01: _layout("battery", 1, False, 1, 1, "%"),
    0x02: _layout("temperature", 2, True, 1, 100, "Cel"),
    0x03: _layout("humidity", 2, False, 1, 100, "%"),
    0x04: _layout("pressure", 3, False, 1, 100, "hPa"),
    0x08: _layout("dew_point", 2, True, 1, 100, "Cel"),
    0x2E: _layout("humidity", 1, False, 1, 1, "%"),
    0x3A: _layout("button", 1, False, 1, 1, "1"),
    0x40: _layout("distance", 2, False, 1, 1, "mm"),
    0x41: _layout("distance", 2, False, 1, 10, "m"),
    0x44: _layout("speed", 2, False, 1, 100, "m/s"),
    0x45: _layout("temperature", 2, True, 1, 10, "Cel"),
    0x57: _layout("temperature", 1, True, 1, 1, "Cel"),
    0x58: _layout("temperature", 1, True, 35, 100, "Cel"),
}
# Length in bytes of objects that are stepped over (light, mass, energy, gas, yes/no states, ...).
_STEPPED_OVER = {
    **dict.fromkeys((0x09, *range(0x0F, 0x12), *range(0x15, 0x2E), 0x2F, 0x46, 0x59, 0x60), 1),
    **dict.fromkeys((0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x12, 0x13, 0x14, 0x3C, 0x3D, 0x3F, 0x43), 2),
    **dict.fromkeys((*range(0x47, 0x4B), 0x51, 0x52, 0x56, 0x5A, 0x5D, 0x5E, 0x5F, 0x61, 0xF0), 2),
    **dict.fromkeys((0x05, 0x0A, 0x0B, 0x42, 0x4B, 0xF2), 3),
    **dict.fromkeys((0x3E, *range(0x4C, 0x51), 0x55, 0x5B, 0x5C, 0x62, 0x63, 0xF1), 4),
}


@dataclass(frozen=True, slots=True)
class BTHomeObject:
    """One value of an advert: value in unit, None for a button that was not pressed."""

    object_id: int
    name: str
    value: float | None
    unit: str
    resolution: float


@dataclass(frozen=True, slots=True)
class BTHomePacket:
    """The objects of one advert in the order sent.

    packet_id   0 to 255, the same in repeats of one advert; None when not sent
    triggered   sent because something happened, not at intervals
    unread_id   the unknown object id that ended parsing, None when all was read
    """

    packet_id: int | None
    triggered: bool
    objects: tuple[BTHomeObject, ...]
    unread_id: int | None = None


def decode_bthome(payload: bytes) -> BTHomePacket:
    """Objects of a plain advert; FrameError short, version, field, or sealed when it is encrypted."""
    info = _info_of(payload)
    if info & _ENCRYPTED:
        raise FrameError("this advert is encrypted: enter the instrument's key", payload, "sealed")
    packet_id: int | None = None
    unread_id: int | None = None
    objects: list[BTHomeObject] = []
    end = len(payload)
    at = 1
    if end == at:
        raise FrameError("this advert holds no object: wait for the next one", payload, "short")
    while at < end:
        object_id = payload[at]
        at += 1
        layout = OBJECTS.get(object_id)
        if layout is not None:
            length = layout.length
        elif object_id == _PACKET_ID:
            length = 1
        elif object_id in _STEPPED_OVER:
            length = _STEPPED_OVER[object_id]
        elif object_id in (_TEXT, _RAW):
            length = 1 + payload[at] if at < end else 1
        else:
            unread_id = object_id
            break
        if at + length > end:
            raise FrameError(
                f"object {object_id:#04x} needs {length} bytes, {end - at} are left: wait for another",
                payload,
                "short",
            )
        if layout is not None:
            count = int.from_bytes(payload[at : at + length], "little", signed=layout.signed)
            value = None if object_id == _BUTTON and count == 0 else count * layout.per_count / layout.divisor
            objects.append(BTHomeObject(object_id, layout.name, value, layout.unit, layout.resolution))
        elif object_id == _PACKET_ID:
            packet_id = payload[at]
        at += length
    return BTHomePacket(packet_id, bool(info & _TRIGGERED), tuple(objects), unread_id)


def encode_bthome(
    values: tuple[tuple[int, float], ...], packet_id: int | None = None, triggered: bool = False
) -> bytes:
    """A plain advert of (object id, value in that object's unit); ids are put in order.

    raises  ValueError for an id not in OBJECTS or a value that does not fit
    """
    info = _VERSION << _VERSION_SHIFT | (_TRIGGERED if triggered else 0)
    payload = bytes((info,))
    if packet_id is not None:
        payload += bytes((_PACKET_ID, packet_id))
    for object_id, value in sorted(values, key=lambda pair: pair[0]):
        layout = OBJECTS.get(object_id)
        if layout is None:
            raise ValueError(f"object {object_id:#04x} is not written here: use one of OBJECTS")
        count = round(value * layout.divisor / layout.per_count)
        try:
            written = count.to_bytes(layout.length, "little", signed=layout.signed)
        except OverflowError:
            raise ValueError(f"{layout.name} {value} {layout.unit} does not fit its object") from None
        payload += bytes((object_id,)) + written
    return payload


def is_sealed(payload: bytes) -> bool:
    """Whether an advert of version 2 is encrypted; FrameError short, version or field."""
    return bool(_info_of(payload) & _ENCRYPTED)


def sealed_counter(payload: bytes) -> int:
    """The counter of an encrypted advert, 0 to 2^32-1: it must rise, or the advert is a replay."""
    if not is_sealed(payload) or len(payload) < _SMALLEST_SEALED:
        raise FrameError("this is no whole encrypted advert: wait for the next one", payload, "short")
    return int.from_bytes(payload[-_COUNTER_BYTES - _MIC_BYTES : -_MIC_BYTES], "little")


def unsealed(payload: bytes, key: bytes, address: bytes) -> bytes:
    """The plain equivalent of an encrypted advert, ready for decode_bthome.

    key      16 bytes; address the sender's 6 bytes in printed order
    raises   FrameError short or sealed (wrong key, wrong address, changed bytes); ValueError for a key
             or address of the wrong length
    """
    sealed_counter(payload)
    counter = payload[-_COUNTER_BYTES - _MIC_BYTES : -_MIC_BYTES]
    ciphertext = payload[1 : -_COUNTER_BYTES - _MIC_BYTES]
    cipher, refused = _cipher_of(key)
    try:
        plain = cipher.decrypt(
            _nonce(payload[:1], counter, address), ciphertext + payload[-_MIC_BYTES:], None
        )
    except refused:
        raise FrameError(
            "this advert does not open with the key given: check key and instrument", payload, "sealed"
        ) from None
    return bytes((payload[0] & ~_ENCRYPTED,)) + plain


def sealed(plain_payload: bytes, key: bytes, address: bytes, counter: int) -> bytes:
    """An encrypted advert of a plain one (see unsealed); counter is a u32 that rises with every advert."""
    info = bytes((plain_payload[0] | _ENCRYPTED,))
    counted = counter.to_bytes(_COUNTER_BYTES, "little")
    cipher, _ = _cipher_of(key)
    closed = cipher.encrypt(_nonce(info, counted, address), plain_payload[1:], None)
    return info + closed[:-_MIC_BYTES] + counted + closed[-_MIC_BYTES:]


def _nonce(info: bytes, counter: bytes, address: bytes) -> bytes:
    if len(address) != _ADDRESS_BYTES:
        raise ValueError(f"an address has 6 bytes, not {len(address)}: give the instrument's own")
    return address + _UUID_AS_SENT + info + counter


def _cipher_of(key: bytes) -> tuple[AESCCM, type[Exception]]:
    """AES-CCM with a 4-byte MIC and the error it raises; imported here, so that plain adverts need none."""
    if len(key) != _KEY_BYTES:
        raise ValueError(f"a key has 16 bytes, not {len(key)}: enter all 32 hex digits")
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

    return AESCCM(key, tag_length=_MIC_BYTES), InvalidTag


def _info_of(payload: bytes) -> int:
    if not payload:
        raise FrameError("an advert without a byte: wait for the next one", payload, "short")
    info = payload[0]
    if info >> _VERSION_SHIFT != _VERSION:
        raise FrameError(
            f"advert of version {info >> _VERSION_SHIFT}, only 2 is read: update the instrument",
            payload,
            "version",
        )
    if info & _RESERVED_INFO:
        raise FrameError(
            f"advert info {info:#04x} uses reserved bits: wait for the next one", payload, "field"
        )
    return info
