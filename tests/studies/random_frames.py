"""A million random and damaged frames through every decoder: only FrameError may come of them.

    python tests/studies/random_frames.py

Half are random bytes, half good frames with a few bits turned over, bytes cut off or put in, on every
channel and some that do not exist. One in twenty goes through the whole fold too, which may refuse but
never raise, and must never come to a verdict of READY.
"""

from __future__ import annotations

import argparse
import dataclasses
import random
import sys
from collections import Counter

from hoofsense.decoding import measurements_from, readings_from
from hoofsense.materials import load_profile
from hoofsense.records import Instant, RawFrame, Status
from hoofsense.verdicts import decide
from hoofsense.visit import fold
from hoofsense.visit_marks import mark_payload
from hoofsense.visit_state import VisitState
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.bthome import encode_bthome
from hoofsense.wire.checked_text import encode_checked
from hoofsense.wire.errors import FrameError
from hoofsense.wire.gatt import encode_battery, encode_environmental, encode_health_temperature
from hoofsense.wire.typed import encode_typed

FRAMES = 1_000_000
FOLDED_EVERY = 20
DECIDED_EVERY = 2000
START_NS = 1_773_475_200 * 10**9
LONGEST = 64
GOOD = {
    "gatt:2a1c": encode_health_temperature(31.2),
    "gatt:2a1e": encode_health_temperature(31.2, "[degF]"),
    "gatt:2a19": encode_battery(80),
    "gatt:2a6e": encode_environmental(0x2A6E, 12.3),
    "gatt:2a6f": encode_environmental(0x2A6F, 55.0),
    "gatt:2a6d": encode_environmental(0x2A6D, 101_325.0),
    "gatt:2a7b": encode_environmental(0x2A7B, 4.0),
    "gatt:2a70": encode_environmental(0x2A70, 3.0),
    "gatt:2a72#0010": encode_environmental(0x2A72, 3.0),
    "advert:fcd2": encode_bthome(((0x02, 21.5), (0x03, 50.0), (0x01, 90)), packet_id=7),
    "line:hs1": encode_bridge_line(BridgeLine(1, 2, Kind.MEASUREMENT, "jaw", "0004D2", "hex24")),
    "line:hs1?sign=21": encode_bridge_line(BridgeLine(1, 2, Kind.MEASUREMENT, "jaw", "2004D2", "hex24")),
    "line:gauge": b"+012.34mm",
    "line:gauge?unit=mm": b"01A+00012.345",
    "line:gauge?unit=mm&pattern=N{value}~": b"N12.34 x",
    "typed": encode_typed("12,34 mm"),
    "mark": mark_payload({"mark": "heat", "id": "m1", "foot": "LF", "on": True}),
    "tick": encode_checked(""),
    "clock": encode_checked('{"step_ns":5000000000}'),
    "link": encode_checked('{"up":false,"why":"lost"}'),
    "no:such": b"",
    "line:hs1?sign=x": b"$",
}


def damaged(rng: random.Random, payload: bytes) -> bytes:
    """The payload with one to four bits turned over, or bytes cut off or put in."""
    mended = bytearray(payload)
    for _ in range(rng.randrange(1, 5)):
        if mended and rng.random() < 0.7:
            mended[rng.randrange(len(mended))] ^= 1 << rng.randrange(8)
        elif mended and rng.random() < 0.5:
            del mended[rng.randrange(len(mended)) :]
        else:
            mended.insert(rng.randrange(len(mended) + 1), rng.randrange(256))
    return bytes(mended)


def main() -> None:
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--frames", type=int, default=FRAMES)
    asked.add_argument("--seed", type=int, default=1)
    told = asked.parse_args()
    rng = random.Random(told.seed)
    channels = list(GOOD)
    outcomes: Counter[str] = Counter()
    begin = {
        "mark": "begin", "id": "begin", "visit_id": "v", "horse": "h", "practice": "p", "feet": ["LF"],
        "material": dataclasses.asdict(load_profile("standard")), "invented": True,
    }  # fmt: skip

    def instant(number: int) -> Instant:
        at_ns = START_NS + number * 10**8
        return Instant(at_ns, at_ns, number * 10**8, "study")

    state = fold(VisitState(), RawFrame(instant(0), "study", "mark", mark_payload(begin)))
    ready = 0
    for number in range(told.frames):
        channel = rng.choice(channels)
        random_bytes = rng.random() < 0.5
        payload = rng.randbytes(rng.randrange(LONGEST)) if random_bytes else damaged(rng, GOOD[channel])
        frame = RawFrame(instant(number), f"i{number % 5}", channel, payload)
        try:
            outcomes["read" if measurements_from(frame) else "without a measurement"] += 1
            readings_from(frame)
        except FrameError as error:
            outcomes[f"FrameError {error.reason}"] += 1
        if number % FOLDED_EVERY == 0:
            state = fold(state, frame)
        if number % DECIDED_EVERY == 0:
            ready += sum(verdict.status is Status.READY for verdict in decide(state, state.at_ns))
    print(f"{told.frames:,} frames on {len(channels)} channels, nothing but FrameError:")
    for outcome, count in outcomes.most_common():
        print(f"  {outcome:<24} {count:>9,}")
    print(f"verdicts of READY from what was folded: {ready}")
    sys.exit(1 if ready else 0)


if __name__ == "__main__":
    main()
