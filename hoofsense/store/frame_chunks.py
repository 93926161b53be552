"""Chunks: the frames of a finished visit, packed column by column, checked by a CRC.

Body of codec 1, all of it inside one zlib stream (RFC 1950), little-endian:

    u32  length of the stream table     JSON [[boot, source_id, channel], ...] in UTF-8
    u16[n]  which stream each frame belongs to
    i64[n]  steady_ns, as differences to the frame before (modulo 2^64, the first to 0)
    i64[n]  wall_ns - steady_ns, as differences likewise
    i64[n]  monotonic_ns - steady_ns, as differences likewise
    u32[n]  payload lengths
    bytes   payloads, gathered by stream, in order inside each stream

Columns of numbers are stored as byte planes (all lowest bytes first), which compresses far better.
The CRC-32 (ISO 3309, as in zlib) covers visit, number, n, t0, t1, codec and the packed body, because one
flipped bit passes the database's own integrity check.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoofsense.records import Instant, RawFrame

CODEC = 1
FRAMES_PER_CHUNK = 4096  # our choice: about 8 min at 8 frames/s is what one damaged chunk can cost
_ZLIB_LEVEL = 6
_LENGTH = struct.Struct("<I")
_HEADER = struct.Struct("<IIqqI")  # number, n, t0_ns, t1_ns, codec


@dataclass(frozen=True, slots=True)
class FrameChunk:
    """Up to FRAMES_PER_CHUNK frames of one visit, packed.

    number  0, 1, ... in the order of arrival       n       how many frames
    t0_ns   earliest steady_ns inside               t1_ns   latest steady_ns inside
    """

    visit_id: str
    number: int
    n: int
    t0_ns: int
    t1_ns: int
    codec: int
    crc: int
    body: bytes


@dataclass(frozen=True, slots=True)
class FrameColumns:
    """The n frames of a chunk as columns, for whoever needs numbers rather than frames.

    streams    (boot, source_id, channel) of each stream   stream_of  shape (n,), index into streams
    steady_ns, wall_ns, monotonic_ns  shape (n,), int64     payloads   n payloads
    """

    streams: tuple[tuple[str, str, str], ...]
    stream_of: NDArray[np.int64]
    steady_ns: NDArray[np.int64]
    wall_ns: NDArray[np.int64]
    monotonic_ns: NDArray[np.int64]
    payloads: list[bytes]


class ChunkDamageError(ValueError):
    """A chunk does not hold what its CRC promises, or cannot be decoded by this program."""


def _crc(visit_id: str, number: int, n: int, t0_ns: int, t1_ns: int, codec: int, body: bytes) -> int:
    header = visit_id.encode() + _HEADER.pack(number, n, t0_ns, t1_ns, codec)
    return zlib.crc32(body, zlib.crc32(header))


def _planes(column: NDArray[np.generic]) -> bytes:
    return column.view(np.uint8).reshape(len(column), column.itemsize).T.tobytes()


def _differences(column: NDArray[np.int64]) -> bytes:
    return _planes(np.diff(column, prepend=np.int64(0)).astype("<i8"))


def pack_frames(visit_id: str, number: int, frames: Sequence[RawFrame]) -> FrameChunk:
    """One chunk of 1 to FRAMES_PER_CHUNK frames, in their order; loss-free bit for bit."""
    n = len(frames)
    if not 0 < n <= FRAMES_PER_CHUNK:
        raise ValueError(f"a chunk holds 1 to {FRAMES_PER_CHUNK} frames, got {n}")
    streams: dict[tuple[str, str, str], int] = {}
    stream_of = [
        streams.setdefault((f.received_at.boot, f.source_id, f.channel), len(streams)) for f in frames
    ]
    payloads: list[list[bytes]] = [[] for _ in streams]
    for stream, frame in zip(stream_of, frames, strict=True):
        payloads[stream].append(frame.payload)
    steady = np.array([f.received_at.steady_ns for f in frames], dtype=np.int64)
    wall = np.array([f.received_at.wall_ns for f in frames], dtype=np.int64)
    monotonic = np.array([f.received_at.monotonic_ns for f in frames], dtype=np.int64)
    table = json.dumps(list(streams), ensure_ascii=False, separators=(",", ":")).encode()
    plain = b"".join(
        (
            _LENGTH.pack(len(table)),
            table,
            _planes(np.array(stream_of, dtype="<u2")),
            _differences(steady),
            _differences(wall - steady),
            _differences(monotonic - steady),
            _planes(np.array([len(f.payload) for f in frames], dtype="<u4")),
            *(payload for gathered in payloads for payload in gathered),
        )
    )
    body = zlib.compress(plain, _ZLIB_LEVEL)
    t0_ns, t1_ns = int(steady.min()), int(steady.max())
    crc = _crc(visit_id, number, n, t0_ns, t1_ns, CODEC, body)
    return FrameChunk(visit_id, number, n, t0_ns, t1_ns, CODEC, crc, body)


def unpack_frames(chunk: FrameChunk) -> list[RawFrame]:
    """The frames of a chunk, in their order; raises as unpack_columns."""
    columns = unpack_columns(chunk)
    numbers = columns.stream_of.tolist()
    boots, sources, channels = (
        [stream[field] for stream in columns.streams] for field in range(len(columns.streams[0]))
    )
    instants = map(
        Instant,
        columns.steady_ns.tolist(),
        columns.wall_ns.tolist(),
        columns.monotonic_ns.tolist(),
        [boots[i] for i in numbers],
    )
    frames = map(
        RawFrame, instants, [sources[i] for i in numbers], [channels[i] for i in numbers], columns.payloads
    )
    return list(frames)


def unpack_columns(chunk: FrameChunk) -> FrameColumns:
    """The columns of a chunk.

    raises  ChunkDamageError when the CRC does not fit, the codec is not known or the body makes no sense
    """
    check_chunk(chunk)
    if chunk.codec != CODEC:
        raise ChunkDamageError(f"its codec {chunk.codec} is newer than this program's {CODEC}")
    try:
        return _decoded(zlib.decompress(chunk.body), chunk.n)
    except (zlib.error, struct.error, ValueError, TypeError) as error:
        raise ChunkDamageError(f"its body cannot be decoded ({error})") from error


def check_chunk(chunk: FrameChunk) -> None:
    """Raise ChunkDamageError unless the CRC fits; far cheaper than decoding."""
    try:
        found = _crc(chunk.visit_id, chunk.number, chunk.n, chunk.t0_ns, chunk.t1_ns, chunk.codec, chunk.body)
    except (struct.error, TypeError):
        raise ChunkDamageError("its header is out of range") from None
    if found != chunk.crc:
        raise ChunkDamageError(f"its CRC is {found:08X} instead of {chunk.crc:08X}")


class _Columns:
    """Reads columns of n numbers one after the other."""

    def __init__(self, plain: bytes, n: int) -> None:
        self.plain = plain
        self.n = n
        self.at = 0

    def take(self, size: int) -> bytes:
        taken = self.plain[self.at : self.at + size]
        if len(taken) != size:
            raise ValueError(f"{size} bytes expected at {self.at}, {len(taken)} left")
        self.at += size
        return taken

    def numbers(self, kind: str) -> NDArray[np.int64]:
        dtype = np.dtype(kind)
        planes = np.frombuffer(self.take(self.n * dtype.itemsize), dtype=np.uint8)
        rows = np.ascontiguousarray(planes.reshape(dtype.itemsize, self.n).T)
        return rows.view(dtype).reshape(self.n).astype(np.int64)


def _decoded(plain: bytes, n: int) -> FrameColumns:
    columns = _Columns(plain, n)
    (table_length,) = _LENGTH.unpack(columns.take(_LENGTH.size))
    table = json.loads(columns.take(table_length))
    streams = tuple((str(boot), str(source), str(channel)) for boot, source, channel in table)
    stream_of = columns.numbers("<u2")
    steady = np.cumsum(columns.numbers("<i8"))
    wall = np.cumsum(columns.numbers("<i8")) + steady
    monotonic = np.cumsum(columns.numbers("<i8")) + steady
    lengths = columns.numbers("<u4")
    if int(stream_of.max()) >= len(streams):
        raise ValueError(f"stream {int(stream_of.max())} of {len(streams)} is named")
    if int(lengths.sum()) != len(plain) - columns.at:
        raise ValueError(f"payloads of {int(lengths.sum())} bytes expected, {len(plain) - columns.at} left")
    gathered = np.argsort(stream_of, kind="stable")
    ends = np.empty(n, dtype=np.int64)
    ends[gathered] = np.cumsum(lengths[gathered]) + columns.at
    spans = zip((ends - lengths).tolist(), ends.tolist(), strict=True)
    return FrameColumns(streams, stream_of, steady, wall, monotonic, [plain[a:b] for a, b in spans])
