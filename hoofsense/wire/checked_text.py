"""Text that a flipped bit cannot change unseen: marks, ticks, clock steps, link states, typed values.

    body   UTF-8, may be empty, may itself contain "*"
    "*"    0x2A
    CRC    4 upper-case hex digits, CRC-16/IBM-3740 over the body

CRC-16/IBM-3740: polynomial 0x1021, initial value 0xFFFF, no reflection, no final XOR; check value
0x29B1 over "123456789" (G. Cook, Catalogue of parametrised CRC algorithms). Any one flipped bit is found,
and so are any two in a body below 4 kB.

Document: this file, version 1.
"""

from __future__ import annotations

from binascii import crc_hqx

from hoofsense.wire.errors import FrameError

_CRC_START = 0xFFFF  # initial value, CRC-16/IBM-3740
_TAIL_LENGTH = 5  # "*" and four hex digits


def crc16(body: bytes) -> int:
    """CRC-16/IBM-3740 of body, 0 to 0xFFFF."""
    return crc_hqx(body, _CRC_START)


def with_crc(body: bytes) -> bytes:
    """Body followed by "*" and its CRC."""
    return b"%b*%04X" % (body, crc16(body))


def without_crc(payload: bytes, start: int = 0) -> bytes:
    """Body, from byte start on, of a payload whose end with_crc made; FrameError short or checksum."""
    if len(payload) < start + _TAIL_LENGTH:
        raise FrameError(
            f"{len(payload)} bytes cannot end in * and four hex digits: send the whole text", payload, "short"
        )
    body = payload[start:-_TAIL_LENGTH]
    if payload[-_TAIL_LENGTH:] != b"*%04X" % crc16(body):
        raise FrameError(
            f"the checksum of this text is {crc16(body):04X}, not what it ends in: send it again",
            payload,
            "checksum",
        )
    return body


def encode_checked(body: str) -> bytes:
    """Checked text of body; ValueError for text UTF-8 cannot carry (lone surrogates)."""
    return with_crc(body.encode("utf-8"))


def decode_checked(payload: bytes) -> str:
    """Body of checked text; FrameError (short, checksum, field) when damaged."""
    body = without_crc(payload)
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FrameError(
            f"byte {error.start} is not UTF-8: send the text as UTF-8", payload, "field"
        ) from None
