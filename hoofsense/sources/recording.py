"""Recordings: visits kept as Data Packages, read back as the very frames that arrived.

A recording is read lazily, but its files are first compared with the size and SHA-256 its descriptor
promises, so a damaged recording is refused before its first frame.
"""

from __future__ import annotations

import csv
import importlib.resources
import os
import re
import shutil
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import hoofsense
from hoofsense.records import Foot, Instant, Question, RawFrame, Status, Verdict
from hoofsense.sources.data_package import (
    DESCRIPTOR_FILE,
    FRAME_HEADER,
    VERDICT_HEADER,
    Descriptor,
    RecordingError,
    ResourceFile,
    descriptor_json,
    promise_broken,
    read_descriptor,
    utc_text,
)

DEMO_FOLDER = "demo_recordings"
PAYLOAD_LIMIT = 65_000  # bytes; hexadecimal in one CSV field, which Python reads up to 131 072 characters
_INT64_MIN, _INT64_MAX = -(2**63), 2**63 - 1
_Row = tuple[str | int, ...]
_NAME = re.compile(r"[a-z0-9][a-z0-9._-]*")  # source: Data Package 2.0, "name": lower case, url-usable

__all__ = [
    "ExpectedVerdict",
    "Recording",
    "RecordingError",
    "expected_verdict_from",
    "read_recording",
    "recording_names",
    "write_recording",
]


@dataclass(frozen=True, slots=True)
class ExpectedVerdict:
    """A change of a verdict that replaying the recording must give."""

    at_ns: int
    foot: Foot
    question: Question
    status: Status
    call: str
    rule: str
    because: str


def expected_verdict_from(verdict: Verdict) -> ExpectedVerdict:
    """What a recording keeps of a verdict."""
    return ExpectedVerdict(
        verdict.at_ns,
        verdict.foot,
        verdict.question,
        verdict.status,
        verdict.call,
        verdict.rule,
        verdict.because,
    )


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording on disk whose files are what its descriptor promises.

    name               short name, as recording_names lists it
    invented           nothing in it is real           simulated  its frames come from a simulation
    expected_verdicts  changes in their order, empty when the recording holds none
    """

    name: str
    title: str
    description: str
    invented: bool
    simulated: bool
    expected_verdicts: tuple[ExpectedVerdict, ...]
    frames_file: Path

    def frames(self) -> Iterator[RawFrame]:
        """Every frame in the order it arrived; RecordingError naming the line that cannot be read."""
        return _frames(self.frames_file)


def recording_names() -> tuple[str, ...]:
    """Names of the recordings that come with hoofsense, from a checkout or an installed wheel."""
    return tuple(sorted(_demo_recordings()))


def _demo_folders() -> tuple[Path, ...]:
    in_wheel = Path(str(importlib.resources.files("hoofsense"))) / DEMO_FOLDER
    in_checkout = Path(hoofsense.__file__).resolve().parent.parent / DEMO_FOLDER
    return in_wheel, in_checkout


def _demo_recordings() -> dict[str, Path]:
    for folder in _demo_folders():
        if folder.is_dir():
            return {path.parent.name: path.parent for path in folder.glob(f"*/{DESCRIPTOR_FILE}")}
    return {}


def read_recording(path_or_name: str | Path) -> Recording:
    """The recording in a folder, or the one of that name that comes with hoofsense.

    path_or_name  a folder, its datapackage.json, or one of recording_names()
    raises        RecordingError in one sentence: which file, which line, what is wrong, what to do next
    """
    descriptor = read_descriptor(_folder_of(path_or_name))
    _check_promise(descriptor)
    verdicts = () if descriptor.verdicts is None else tuple(_expected_verdicts(descriptor.verdicts.path))
    return Recording(
        descriptor.name,
        descriptor.title,
        descriptor.description,
        descriptor.invented,
        descriptor.simulated,
        verdicts,
        descriptor.frames.path,
    )


def _folder_of(path_or_name: str | Path) -> Path:
    path = Path(path_or_name).expanduser()
    if path.name == DESCRIPTOR_FILE and path.is_file():
        return path.parent
    if (path / DESCRIPTOR_FILE).is_file():
        return path
    demos = _demo_recordings()
    if str(path_or_name) in demos:
        return demos[str(path_or_name)]
    if path.exists():
        raise RecordingError(
            f"{path} is not a recording, it has no {DESCRIPTOR_FILE}: give the folder of a Data Package"
        )
    known = ", ".join(sorted(demos)) or "none"
    raise RecordingError(
        f"there is no recording {str(path_or_name)!r}: give a folder, or one that comes with hoofsense "
        f"({known})"
    )


def _check_promise(descriptor: Descriptor) -> None:
    """Refuse changed files, by the line that cannot be read where there is one: that says more than a sum."""
    for file, read in ((descriptor.frames, _frames), (descriptor.verdicts, _expected_verdicts)):
        if file is None:
            continue
        broken = _broken(file)
        if broken is not None:
            for _ in read(file.path):
                pass
            raise RecordingError(f"{file.path} was changed, {broken}: get the recording again")


def _broken(file: ResourceFile) -> str | None:
    try:
        return promise_broken(file)
    except OSError as error:
        raise RecordingError(f"{file.path} cannot be read ({error.strerror}): check its rights") from error


def _rows(path: Path, header: list[str]) -> Iterator[tuple[int, list[str]]]:
    """(line number, cells) of each line below the header, every line as wide as the header."""
    line = 1
    try:
        with path.open(encoding="utf-8", newline="") as opened:
            reader = csv.reader(opened, strict=True)
            found = next(reader, [])
            if found != header:
                raise RecordingError(
                    f"{path} line 1: the columns are {','.join(found) or 'missing'} instead of "
                    f"{','.join(header)}: get the recording again"
                )
            width = len(header)
            for cells in reader:
                line = reader.line_num
                if len(cells) != width:
                    raise RecordingError(
                        f"{path} line {line}: {len(cells)} cells instead of {width}: the recording is cut or "
                        "edited, get it again"
                    )
                yield line, cells
    except csv.Error as error:
        raise RecordingError(
            f"{path} line {line + 1}: {error}: the recording is cut or edited, get it again"
        ) from error
    except UnicodeDecodeError as error:
        raise RecordingError(
            f"{path} after line {line}: byte {error.object[error.start]:#04x} is not UTF-8: get the "
            "recording again"
        ) from error
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({error.strerror}): check its rights") from error


def _frames(path: Path) -> Iterator[RawFrame]:
    for line, (_, steady, wall, monotonic, boot, source_id, channel, payload) in _rows(path, FRAME_HEADER):
        try:
            instant = Instant(int(steady), int(wall), int(monotonic), boot)
            if not (
                _INT64_MIN <= instant.steady_ns <= _INT64_MAX
                and _INT64_MIN <= instant.wall_ns <= _INT64_MAX
                and _INT64_MIN <= instant.monotonic_ns <= _INT64_MAX
            ):
                raise ValueError("a time does not fit into 64 bits")
            frame = RawFrame(instant, source_id, channel, bytes.fromhex(payload))
        except ValueError as error:
            raise _unreadable(path, line, error) from error
        yield frame


def _expected_verdicts(path: Path) -> Iterator[ExpectedVerdict]:
    for line, (_, at, foot, question, status, call, rule, because) in _rows(path, VERDICT_HEADER):
        try:
            if question not in Question.__members__:
                raise ValueError(f"{question!r} is not one of {', '.join(Question.__members__)}")
            verdict = ExpectedVerdict(
                int(at), Foot(foot), Question[question], Status(status), call, rule, because
            )
        except ValueError as error:
            raise _unreadable(path, line, error) from error
        yield verdict


def _unreadable(path: Path, line: int, error: ValueError) -> RecordingError:
    return RecordingError(f"{path} line {line}: {error}: the recording is cut or edited, get it again")


def write_recording(
    path: str | Path,
    *,
    title: str,
    frames: Iterable[RawFrame],
    expected_verdicts: Sequence[ExpectedVerdict] = (),
    invented: bool,
    simulated: bool,
    description: str = "",
    licence: str | None = None,
    lengths: str = "",
) -> Recording:
    """Write a recording into the new folder path, whose name becomes the recording's name.

    frames     in the order they arrived, for instance Store.frames(visit_id)
    licence    identifier of an open licence, e.g. "CC0-1.0"; None where none is given
    lengths    text of the table of caliper readings (length_table.table_text); empty: none is written
    returns    the recording, read back
    raises     RecordingError when the folder exists or cannot be written (then nothing is left behind);
               ValueError for a name that is not lower case and url-usable, or a payload over 65 000 bytes
    """
    folder = Path(path).expanduser().absolute()
    if not _NAME.fullmatch(folder.name):
        raise ValueError(
            f"{folder.name!r} cannot name a recording: use lower-case letters, digits, '.', '_' and '-'"
        )
    if folder.exists():
        raise RecordingError(f"{folder} exists already: choose another name; nothing was changed")
    part = folder.with_name(folder.name + ".part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        frames_file, verdicts_file = part / "frames.csv", part / "verdicts.csv"
        span_ns = _write_frames(frames_file, frames)
        _write_verdicts(verdicts_file, expected_verdicts)
        lengths_file = part / "lengths.csv" if lengths else None
        if lengths_file is not None:
            lengths_file.write_text(lengths, encoding="utf-8", newline="\n")
        text = descriptor_json(
            name=folder.name,
            title=title,
            description=description,
            invented=invented,
            simulated=simulated,
            licence=licence,
            span_ns=span_ns,
            frames_file=frames_file,
            verdicts_file=verdicts_file,
            lengths_file=lengths_file,
        )
        (part / DESCRIPTOR_FILE).write_text(text, encoding="utf-8", newline="\n")
        os.replace(part, folder)
    except OSError as error:
        raise RecordingError(
            f"{folder} cannot be written ({error.strerror}): choose a folder that can be, or free some space"
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return read_recording(folder)


def _write_frames(path: Path, frames: Iterable[RawFrame]) -> tuple[int, int] | None:
    """Steady time of the first and the last frame written, None when there are none."""
    first_ns: int | None = None
    last_ns = 0

    def rows() -> Iterator[_Row]:
        nonlocal first_ns, last_ns
        for frame in frames:
            instant = frame.received_at
            if len(frame.payload) > PAYLOAD_LIMIT:
                raise ValueError(
                    f"a payload of {len(frame.payload)} bytes from {frame.source_id} is over "
                    f"{PAYLOAD_LIMIT}: leave that frame out"
                )
            last_ns = instant.steady_ns
            first_ns = last_ns if first_ns is None else first_ns
            yield (
                utc_text(instant.steady_ns),
                instant.steady_ns,
                instant.wall_ns,
                instant.monotonic_ns,
                instant.boot,
                frame.source_id,
                frame.channel,
                frame.payload.hex(),
            )

    _write_rows(path, FRAME_HEADER, rows())
    return None if first_ns is None else (first_ns, last_ns)


def _write_verdicts(path: Path, verdicts: Iterable[ExpectedVerdict]) -> None:
    rows = (
        (
            utc_text(verdict.at_ns),
            verdict.at_ns,
            verdict.foot.value,
            verdict.question.name,
            verdict.status.value,
            verdict.call,
            verdict.rule,
            verdict.because,
        )
        for verdict in verdicts
    )
    _write_rows(path, VERDICT_HEADER, rows)


def _write_rows(path: Path, header: list[str], rows: Iterable[_Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as opened:
        plain = csv.writer(opened, lineterminator="\n")
        quoting = csv.writer(opened, lineterminator="\n", quoting=csv.QUOTE_ALL)
        plain.writerow(header)
        for row in rows:
            # the plain writer leaves a lone CR bare, which a reader takes for the end of the line
            (quoting if any("\r" in str(cell) for cell in row) else plain).writerow(row)
