"""Chunks give back their frames bit for bit, and notice any flipped bit."""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable
from dataclasses import replace

import pytest

from hoofsense.records import RawFrame
from hoofsense.store import frame_chunks
from hoofsense.store.frame_chunks import (
    FRAMES_PER_CHUNK,
    ChunkDamageError,
    FrameChunk,
    pack_frames,
    unpack_frames,
)

Frames = Callable[..., list[RawFrame]]


@pytest.mark.parametrize("count", [1, 2, 100, FRAMES_PER_CHUNK])
def test_any_frames_survive_packing_bit_for_bit(count: int, wild_frames: Frames) -> None:
    frames = wild_frames(count, seed=count)
    chunk = pack_frames("v", 3, frames)
    assert unpack_frames(chunk) == frames
    assert chunk.t0_ns == min(frame.at_ns for frame in frames)
    assert chunk.t1_ns == max(frame.at_ns for frame in frames)


def test_usual_frames_pack_to_a_few_bytes_each(usual_frames: Frames) -> None:
    frames = usual_frames(FRAMES_PER_CHUNK)
    # three 8-byte times and 7 payload bytes go in; random jitter alone is 2.8 + 1.2 bytes of entropy
    assert len(pack_frames("v", 0, frames).body) < 9 * len(frames)


def test_a_chunk_holds_at_least_one_frame_and_at_most_its_limit(usual_frames: Frames) -> None:
    for count in (0, FRAMES_PER_CHUNK + 1):
        with pytest.raises(ValueError, match=f"1 to {FRAMES_PER_CHUNK} frames, got {count}"):
            pack_frames("v", 0, usual_frames(count))


def test_every_flipped_bit_of_the_body_is_noticed(usual_frames: Frames) -> None:
    chunk = pack_frames("v", 0, usual_frames(12))
    for bit in range(8 * len(chunk.body)):
        body = bytearray(chunk.body)
        body[bit // 8] ^= 1 << bit % 8
        with pytest.raises(ChunkDamageError, match="its CRC is"):
            unpack_frames(replace(chunk, body=bytes(body)))


@pytest.mark.parametrize(
    "change",
    [
        {"visit_id": "w"},
        {"number": 1},
        {"n": 11},
        {"t0_ns": 5},
        {"t1_ns": 5},
        {"codec": 2},
        {"crc": 5},
        {"n": -1},
        {"n": 2**40},
        {"body": "text"},
    ],
)
def test_a_change_of_anything_beside_the_body_is_noticed_too(
    change: dict[str, object], usual_frames: Frames
) -> None:
    with pytest.raises(ChunkDamageError):
        unpack_frames(replace(pack_frames("v", 0, usual_frames(12)), **change))  # type: ignore[arg-type]


def test_a_body_with_a_right_crc_and_wrong_content_is_refused_not_believed(usual_frames: Frames) -> None:
    good = pack_frames("v", 0, usual_frames(12))
    chance = random.Random(5)
    plain = zlib.decompress(good.body)
    bodies = [zlib.compress(plain[:cut]) for cut in range(len(plain))]
    bodies += [zlib.compress(plain + b"\0"), b"", chance.randbytes(50), good.body[:-3]]
    table_end = 4 + int.from_bytes(plain[:4], "little")
    unknown_stream = plain[:table_end] + b"\x09" + plain[table_end + 1 :]
    bodies.append(zlib.compress(unknown_stream))
    for body in bodies:
        crc = frame_chunks._crc("v", 0, good.n, good.t0_ns, good.t1_ns, good.codec, body)
        with pytest.raises(ChunkDamageError, match="cannot be decoded"):
            unpack_frames(FrameChunk("v", 0, good.n, good.t0_ns, good.t1_ns, good.codec, crc, body))


def test_a_codec_of_a_later_program_is_named(usual_frames: Frames) -> None:
    good = pack_frames("v", 0, usual_frames(2))
    crc = frame_chunks._crc("v", 0, 2, good.t0_ns, good.t1_ns, 2, good.body)
    with pytest.raises(ChunkDamageError, match="codec 2 is newer than this program's 1"):
        unpack_frames(replace(good, codec=2, crc=crc))
