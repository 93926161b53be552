"""BTHome beacons: adverts become frames, each measurement once.

A beacon repeats an advert until it has something new to say, and BlueZ shows the last advert again whenever
anything about the device changes. So an advert that is byte for byte the one before is the same measurement
when it carries a packet id or a counter; without either it counts as new after REPEAT_NS.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass

from hoofsense.records import NS_PER_S, Instant, RawFrame
from hoofsense.wire.bthome import decode_bthome, is_sealed, unsealed
from hoofsense.wire.errors import FrameError

ADVERT_CHANNEL = "advert:fcd2"
SEALED_CHANNEL = "advert:fcd2+sealed"
REPEAT_NS = NS_PER_S  # beacons send one advert several times within a second (common practice, no source)
BEACONS_KEPT = 256  # of which repeats are known; our choice, bounds the memory

NO_KEY = "its adverts are encrypted: enter its key"
KEY_NEEDS_ADDRESS = "its adverts are encrypted and this system hides its address: read it on Linux"


@dataclass(frozen=True, slots=True)
class Advert:
    """What one advert gave: frames to record, and what the person should know ("" when all is well)."""

    frames: tuple[RawFrame, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class _Last:
    payload: bytes
    at_ns: int


class Beacons:
    """Remembers the last advert of each beacon.

    keys  16 bytes for each address in upper case whose adverts are encrypted
    """

    def __init__(self, keys: Mapping[str, bytes]) -> None:
        self._keys = keys
        self._last: OrderedDict[str, _Last] = OrderedDict()

    def is_repeat(self, address: str, payload: bytes, at_ns: int) -> bool:
        """Whether this advert was recorded already; remembers it when not."""
        last = self._last.get(address)
        if last is not None and last.payload == payload:
            if is_numbered(payload) or at_ns - last.at_ns < REPEAT_NS:
                return True
        self._last[address] = _Last(payload, at_ns)
        self._last.move_to_end(address)
        if len(self._last) > BEACONS_KEPT:
            self._last.popitem(last=False)
        return False

    def advert(self, instant: Instant, source_id: str, address: str, payload: bytes) -> Advert:
        """The frames of an advert that is no repeat: as it came, and opened when there is a key."""
        try:
            if not is_sealed(payload):
                return Advert((RawFrame(instant, source_id, ADVERT_CHANNEL, payload),))
        except FrameError as damage:  # of another version: recorded as it is, decoding says what is wrong
            return Advert((RawFrame(instant, source_id, ADVERT_CHANNEL, payload),), damage.message)
        frames = (RawFrame(instant, source_id, SEALED_CHANNEL, payload),)
        key = self._keys.get(address.upper())
        if key is None:
            return Advert(frames, NO_KEY)
        try:
            plain = unsealed(payload, key, _address_bytes(address))
        except FrameError as damage:
            return Advert(frames, damage.message)
        except ValueError:
            return Advert(frames, KEY_NEEDS_ADDRESS)
        return Advert((*frames, RawFrame(instant, source_id, ADVERT_CHANNEL, plain)))


def is_numbered(payload: bytes) -> bool:
    """Whether an advert carries a packet id or a counter, so that its repeats can be told from new ones."""
    try:
        return is_sealed(payload) or decode_bthome(payload).packet_id is not None
    except FrameError:
        return False


def measured_in(payload: bytes) -> tuple[str, ...]:
    """In words, what a plain advert tells; empty for one that cannot be read."""
    try:
        return tuple(dict.fromkeys(o.name.replace("_", " ") for o in decode_bthome(payload).objects))
    except FrameError:
        return ()


def values_in(payload: bytes) -> str:
    """The values of a plain advert, "temperature 25.06 Cel, humidity 50.55 %"; empty when unreadable."""
    try:
        objects = decode_bthome(payload).objects
    except FrameError:
        return ""
    return ", ".join(f"{o.name} {o.value:g} {o.unit}" for o in objects if o.value is not None)


def battery_in(payload: bytes) -> int | None:
    """Battery of a plain advert in percent; None when it says none or cannot be read."""
    try:
        said = [o.value for o in decode_bthome(payload).objects if o.name == "battery"]
    except FrameError:
        return None
    return None if not said or said[-1] is None else round(said[-1])


def _address_bytes(address: str) -> bytes:
    """The 6 bytes of a printed address; ValueError where the system gives another identifier instead."""
    return bytes.fromhex(address.replace(":", ""))
