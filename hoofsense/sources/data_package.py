"""The layout of a recording: a Data Package of raw frames and the verdicts they lead to.

    datapackage.json   descriptor, standard version 2.0
    frames.csv         one raw frame a line, in the order of arrival
    verdicts.csv       one expected change of a verdict a line
    lengths.csv        one caliper reading a line, where there are any: the table hoofsense reads in again

frames.csv: at (RFC 3339 UTC to the millisecond, for people), steady_ns, wall_ns, monotonic_ns, boot,
source_id, channel, payload (hexadecimal). The ns columns are exact and are what is read back; they need
64-bit integers, so open the file as text where a program rounds long numbers.

source: Data Package standard 2.0 (datapackage.org): Data Package, Data Resource, Table Schema; RFC 4180
(with LF as the end of line); RFC 3339
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from hoofsense.records import NS_PER_S

DESCRIPTOR_FILE = "datapackage.json"
FRAMES = "frames"
VERDICTS = "verdicts"
LENGTHS = "lengths"
PROFILE = "https://datapackage.org/profiles/2.0/"
INVENTED_LABEL = "INVENTED AND SIMULATED: no real horse, person or practice; not evidence about any material."
SIMULATED_LABEL = "SIMULATED: these frames come from a simulation, not from instruments."
FRAME_FIELDS = (
    ("at", "datetime", "UTC on the steady clock, for people"),
    ("steady_ns", "integer", "ns since 1970-01-01T00:00:00Z on the steady clock; orders everything"),
    ("wall_ns", "integer", "ns since 1970-01-01T00:00:00Z that the wall clock said"),
    ("monotonic_ns", "integer", "ns that the monotonic clock of the boot said"),
    ("boot", "string", "identity of the boot the monotonic clock belongs to"),
    ("source_id", "string", "the instrument, person or program the frame came from"),
    ("channel", "string", "how to decode the payload"),
    ("payload", "string", "the bytes exactly as they arrived, hexadecimal"),
)
VERDICT_FIELDS = (
    ("at", "datetime", "UTC on the steady clock, for people"),
    ("at_ns", "integer", "ns since 1970-01-01T00:00:00Z on the steady clock"),
    ("foot", "string", "LF, RF, LH or RH"),
    ("question", "string", "what is answered"),
    ("status", "string", "READY, NOT YET, STOP or CANNOT TELL"),
    ("call", "string", "the headline"),
    ("rule", "string", "the rule that decided"),
    ("because", "string", "the reason in a sentence"),
)
LENGTH_FIELDS = (
    ("foot", "string", "LF, RF, LH or RH"),
    ("site", "string", "where it was measured"),
    ("value", "number", "the reading, in its unit"),
    ("unit", "string", "mm, cm or in"),
    ("when", "string", "empty, or: before the pour, before the trim"),
)
FRAME_HEADER = [name for name, _, _ in FRAME_FIELDS]
VERDICT_HEADER = [name for name, _, _ in VERDICT_FIELDS]
_HASH = "sha256"
_NS_PER_MS = 1_000_000


class RecordingError(Exception):
    """A recording cannot be read or written: which file and line, what is wrong, what to do next."""


@dataclass(frozen=True, slots=True)
class ResourceFile:
    """A resource's file with the size and SHA-256 the descriptor promises, where it does."""

    path: Path
    byte_count: int | None
    sha256: str | None


@dataclass(frozen=True, slots=True)
class Descriptor:
    """What datapackage.json says of a recording; verdicts is None when it has none."""

    name: str
    title: str
    description: str
    invented: bool
    simulated: bool
    frames: ResourceFile
    verdicts: ResourceFile | None


def utc_text(at_ns: int) -> str:
    """RFC 3339 UTC to the millisecond below, e.g. 2026-02-03T09:15:00.250Z."""
    second, rest_ns = divmod(at_ns, NS_PER_S)
    return f"{_second_text(second)}.{rest_ns // _NS_PER_MS:03d}Z"


def _second_text(second: int) -> str:
    return datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def descriptor_json(
    *,
    name: str,
    title: str,
    description: str,
    invented: bool,
    simulated: bool,
    licence: str | None,
    span_ns: tuple[int, int] | None,
    frames_file: Path,
    verdicts_file: Path,
    lengths_file: Path | None = None,
) -> str:
    """Text of datapackage.json for the written files.

    licence  identifier of an open licence, e.g. "CC0-1.0", or None where none is given
    span_ns  steady time of the first and last frame, None when there are none
    """
    descriptor: dict[str, object] = {
        "$schema": PROFILE + "datapackage.json",
        "name": name,
        "title": title,
        "description": description,
        "invented": invented,
        "simulated": simulated,
    }
    if invented or simulated:
        descriptor["label"] = INVENTED_LABEL if invented else SIMULATED_LABEL
    if licence is not None:
        descriptor["licenses"] = [{"name": licence}]
    if span_ns is not None:
        descriptor["begins_at"], descriptor["ends_at"] = utc_text(span_ns[0]), utc_text(span_ns[1])
    descriptor["resources"] = [
        _resource(FRAMES, "Raw frames", frames_file, FRAME_FIELDS),
        _resource(VERDICTS, "Expected changes of verdicts", verdicts_file, VERDICT_FIELDS),
        *(
            []
            if lengths_file is None
            else [_resource(LENGTHS, "Caliper readings", lengths_file, LENGTH_FIELDS)]
        ),
    ]
    return json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n"


def _resource(
    name: str, title: str, file: Path, fields: tuple[tuple[str, str, str], ...]
) -> dict[str, object]:
    return {
        "$schema": PROFILE + "dataresource.json",
        "name": name,
        "type": "table",
        "title": title,
        "path": file.name,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": file.stat().st_size,
        "hash": f"{_HASH}:{sha256_of(file)}",
        "schema": {
            "$schema": PROFILE + "tableschema.json",
            "fields": [{"name": field, "type": kind, "description": said} for field, kind, said in fields],
        },
    }


def sha256_of(file: Path) -> str:
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, _HASH).hexdigest()


def read_descriptor(folder: Path) -> Descriptor:
    """The descriptor in a recording's folder, its resource files found.

    raises  RecordingError naming the file and, where there is one, the line
    """
    path = folder / DESCRIPTOR_FILE
    try:
        descriptor = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise RecordingError(
            f"{folder} is not a recording, it has no {DESCRIPTOR_FILE}: give the folder of a Data Package"
        ) from None
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({error.strerror}): check the path") from error
    except UnicodeDecodeError as error:
        raise RecordingError(f"{path}: byte {error.start} is not UTF-8: get the recording again") from error
    except json.JSONDecodeError as error:
        raise RecordingError(
            f"{path} line {error.lineno}: {error.msg}: correct the JSON or get the recording again"
        ) from error
    if not isinstance(descriptor, dict):
        raise RecordingError(f"{path} line 1: a JSON object is needed: get the recording again")
    resources = descriptor.get("resources")
    if not isinstance(resources, list):
        raise RecordingError(f"{path}: the list of resources is missing: get the recording again")
    frames = _resource_file(folder, resources, FRAMES)
    if frames is None:
        raise RecordingError(f"{path}: there is no resource named {FRAMES!r}: get the recording again")
    return Descriptor(
        name=_text(path, descriptor, "name", folder.name),
        title=_text(path, descriptor, "title", folder.name),
        description=_text(path, descriptor, "description", ""),
        invented=_flag(path, descriptor, "invented"),
        simulated=_flag(path, descriptor, "simulated"),
        frames=frames,
        verdicts=_resource_file(folder, resources, VERDICTS),
    )


def _text(path: Path, descriptor: dict[str, object], name: str, otherwise: str) -> str:
    text = descriptor.get(name, otherwise)
    if not isinstance(text, str):
        raise RecordingError(f"{path}: {name} is {text!r}: write it as text")
    return text


def _flag(path: Path, descriptor: dict[str, object], name: str) -> bool:
    flag = descriptor.get(name)
    if not isinstance(flag, bool):
        raise RecordingError(
            f"{path}: {name!r} is {flag!r}: say true or false, so that nobody takes it for what it is not"
        )
    return flag


def _resource_file(folder: Path, resources: list[object], name: str) -> ResourceFile | None:
    path = folder / DESCRIPTOR_FILE
    for resource in resources:
        if not isinstance(resource, dict) or resource.get("name") != name:
            continue
        file = resource.get("path")
        # source: Data Package 2.0, "URL or Path": neither absolute nor leading out of the package
        if (
            not isinstance(file, str)
            or not file
            or "\\" in file
            or ":" in file
            or PurePosixPath(file).is_absolute()
            or ".." in PurePosixPath(file).parts
        ):
            raise RecordingError(
                f"{path}: the path {file!r} of resource {name!r} is not a file inside the recording: write "
                "its name alone"
            )
        byte_count, digest = resource.get("bytes"), resource.get("hash")
        sha256 = None
        if isinstance(digest, str) and digest.startswith(f"{_HASH}:"):
            sha256 = digest.partition(":")[2].lower()
        if not (folder / file).is_file():
            raise RecordingError(
                f"{path} names {file}, which is not in {folder}: get the whole recording again"
            )
        return ResourceFile(folder / file, byte_count if isinstance(byte_count, int) else None, sha256)
    return None


def promise_broken(file: ResourceFile) -> str | None:
    """What differs from the descriptor's size and SHA-256 in words, None when nothing does."""
    size = file.path.stat().st_size
    if file.byte_count is not None and size != file.byte_count:
        return f"it has {size} bytes instead of {file.byte_count}"
    if file.sha256 is not None and sha256_of(file.path) != file.sha256:
        return "its SHA-256 is not the one promised"
    return None
