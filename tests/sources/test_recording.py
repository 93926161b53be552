"""A recording gives back exactly what was written, and a broken one says what is wrong with it."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import hoofsense
from hoofsense.records import Foot, Instant, Question, RawFrame, Status, Verdict
from hoofsense.sources.recording import (
    PAYLOAD_LIMIT,
    ExpectedVerdict,
    Recording,
    RecordingError,
    expected_verdict_from,
    read_recording,
    recording_names,
    write_recording,
)
from hoofsense.store import StoreError, open_store

START_NS = 1_760_000_000_123_456_789
_INT64_MAX = 2**63 - 1

VERDICTS = (
    ExpectedVerdict(
        START_NS, Foot.LF, Question.POUR, Status.NOT_YET, "KEEP DRYING", "film", 'Wet at the "toe", still.'
    ),
    ExpectedVerdict(
        START_NS + 1,
        Foot.RH,
        Question.HEAT,
        Status.CANNOT_TELL,
        "CANNOT TELL",
        "silent",
        "12 s\nno reading; 5 °C",
    ),
)


def invented_frames(count: int, seed: int = 1) -> list[RawFrame]:
    chance = random.Random(seed)
    frames = []
    for i in range(count):
        at_ns = START_NS + i * 125_000_000 - chance.randrange(10**9)
        stamp = Instant(at_ns, at_ns + chance.randrange(99), i * 125_000_000, "boot-a")
        frames.append(RawFrame(stamp, "ir", "gatt:2a1c", chance.randbytes(chance.choice((0, 5, 13)))))
    return frames


def strange_frames() -> list[RawFrame]:
    texts = ("", "a,b", 'say "x"', "line\nbreak", "lone\rreturn", "\r\n", "nul\0", " µ–é ", "'", "#")
    frames = [RawFrame(Instant(i, i, i, text), text, text, b"\0\xff") for i, text in enumerate(texts)]
    for at_ns in (-_INT64_MAX - 1, -1, 0, _INT64_MAX):
        frames.append(RawFrame(Instant(at_ns, at_ns, at_ns, "b"), "s", "c", bytes(PAYLOAD_LIMIT)))
    return frames


def write(path: Path, frames: list[RawFrame] | Iterator[RawFrame]) -> Recording:
    return write_recording(
        path,
        title="Mild day",
        description="Two feet side by side.",
        frames=frames,
        expected_verdicts=VERDICTS,
        invented=True,
        simulated=True,
        licence="CC0-1.0",
    )


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    write(tmp_path / "mild-day", invented_frames(50))
    return tmp_path / "mild-day"


def test_a_recording_gives_back_exactly_what_was_written(tmp_path: Path) -> None:
    frames = invented_frames(500) + strange_frames()
    written = write(tmp_path / "mild-day", frames)
    read = read_recording(tmp_path / "mild-day")
    assert read == written
    assert (read.name, read.title, read.description) == ("mild-day", "Mild day", "Two feet side by side.")
    assert read.invented and read.simulated
    assert read.expected_verdicts == VERDICTS
    assert list(read.frames()) == frames
    assert list(read.frames()) == frames  # and once more


def test_a_recording_may_be_empty_and_without_verdicts(tmp_path: Path) -> None:
    read = write_recording(tmp_path / "empty", title="Empty", frames=[], invented=False, simulated=False)
    assert list(read.frames()) == []
    assert read.expected_verdicts == ()
    assert not read.invented and not read.simulated
    descriptor = json.loads((tmp_path / "empty" / "datapackage.json").read_text(encoding="utf-8"))
    descriptor["resources"] = descriptor["resources"][:1]
    (tmp_path / "empty" / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    assert read_recording(tmp_path / "empty").expected_verdicts == ()


def test_what_is_invented_or_simulated_says_so_to_people(tmp_path: Path) -> None:
    for name, invented, simulated, said in (
        ("a", True, True, "INVENTED AND SIMULATED"),
        ("b", False, True, "SIMULATED"),
        ("c", False, False, ""),
    ):
        write_recording(tmp_path / name, title="T", frames=[], invented=invented, simulated=simulated)
        descriptor = json.loads((tmp_path / name / "datapackage.json").read_text(encoding="utf-8"))
        assert (descriptor["invented"], descriptor["simulated"]) == (invented, simulated)
        assert descriptor.get("label", "").startswith(said)
        assert ("label" in descriptor) == bool(said)


def test_times_for_people_are_rfc_3339_and_the_exact_ones_are_kept_beside(recorded: Path) -> None:
    first = invented_frames(1)[0].received_at
    lines = (recorded / "frames.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "at,steady_ns,wall_ns,monotonic_ns,boot,source_id,channel,payload"
    # 2025-10-09T08:53:20Z is 1 760 000 000 s after 1970 (date --utc); the first frame comes up to 1 s earlier
    assert lines[1].startswith("2025-10-09T08:53:19.")
    assert f"Z,{first.steady_ns},{first.wall_ns},{first.monotonic_ns},boot-a,ir,gatt:2a1c," in lines[1]
    assert lines[1][23] == "Z"


@pytest.mark.filterwarnings("ignore")
def test_an_independent_validator_accepts_a_recording_and_every_one_that_comes_with_hoofsense(
    tmp_path: Path,
) -> None:
    from frictionless import Package

    write(tmp_path / "mild-day", invented_frames(200))
    write_recording(tmp_path / "empty", title="Empty", frames=[], invented=False, simulated=False)
    demos = Path(hoofsense.__file__).resolve().parent.parent / "demo_recordings"
    descriptors = [
        *tmp_path.glob("*/datapackage.json"),
        *(demos / name / "datapackage.json" for name in recording_names()),
    ]
    for descriptor in descriptors:
        package = Package(str(descriptor))
        report = package.validate()
        assert report.valid, report.to_summary()
        assert [task.name for task in report.tasks] == ["frames", "verdicts"]
        assert package.get_resource("frames").schema.get_field("at").type == "datetime"


def test_the_validator_would_have_found_a_wrong_cell(recorded: Path) -> None:
    from frictionless import Package

    frames = recorded / "frames.csv"
    frames.write_text(
        frames.read_text(encoding="utf-8").replace("2025-10-09T", "9 Oct 2025 ", 1), encoding="utf-8"
    )
    assert not Package(str(recorded / "datapackage.json")).validate().valid


def test_every_recording_that_comes_with_hoofsense_is_read_and_labelled() -> None:
    for name in recording_names():
        recording = read_recording(name)
        assert recording.invented and recording.simulated
        assert sum(1 for _ in recording.frames()) > 0
        assert recording.expected_verdicts


@pytest.mark.parametrize("where", ["hoofsense/demo_recordings", "demo_recordings"])
def test_recordings_are_found_in_a_checkout_and_in_an_installed_wheel(tmp_path: Path, where: str) -> None:
    package = Path(hoofsense.__file__).resolve().parent
    for part in ("__init__.py", "records.py", "sources"):
        source, target = package / part, tmp_path / "hoofsense" / part
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            target.parent.mkdir(exist_ok=True)
            shutil.copy(source, target)
    write(tmp_path / where / "frosty", invented_frames(4))
    write(tmp_path / where / "mild-day", invented_frames(5))
    (tmp_path / where / "not-a-recording").mkdir()
    asking = (
        "from hoofsense.sources.recording import *\n"
        "print(recording_names(), read_recording('frosty').title, "
        "sum(1 for _ in read_recording('mild-day').frames()))"
    )
    answer = subprocess.run(
        [sys.executable, "-c", asking],
        cwd=tmp_path / where,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert answer.stdout == "('frosty', 'mild-day') Mild day 5\n"


def test_a_recording_is_given_by_its_folder_or_its_descriptor(recorded: Path) -> None:
    by_descriptor = read_recording(recorded / "datapackage.json")
    assert read_recording(recorded) == by_descriptor == read_recording(str(recorded))


def test_an_unknown_name_lists_the_known_ones(monkeypatch: pytest.MonkeyPatch, recorded: Path) -> None:
    from hoofsense.sources import recording

    monkeypatch.setattr(recording, "_demo_folders", lambda: (recorded.parent,))
    assert recording_names() == ("mild-day",)
    assert read_recording("mild-day").title == "Mild day"
    with pytest.raises(RecordingError, match=r"no recording 'wild-day': give a folder, or .*\(mild-day\)"):
        read_recording("wild-day")
    monkeypatch.setattr(recording, "_demo_folders", lambda: ())
    with pytest.raises(RecordingError, match=r"\(none\)"):
        read_recording("mild-day")


def test_a_folder_or_file_that_is_no_recording_is_said(tmp_path: Path) -> None:
    (tmp_path / "file.csv").write_text("a,b")
    for path in (tmp_path, tmp_path / "file.csv"):
        with pytest.raises(
            RecordingError, match=r"is not a recording, it has no datapackage\.json: give the"
        ):
            read_recording(path)


def edit_descriptor(
    recorded: Path, edit: dict[str, object], resource: dict[str, object] | None = None
) -> None:
    path = recorded / "datapackage.json"
    descriptor = json.loads(path.read_text(encoding="utf-8"))
    descriptor.update(edit)
    if resource is not None:
        descriptor["resources"][0].update(resource)
    path.write_text(json.dumps(descriptor), encoding="utf-8")


@pytest.mark.parametrize(
    ("edit", "resource", "said"),
    [
        ({"invented": None}, {}, "'invented' is None: say true or false"),
        ({"simulated": "yes"}, {}, "'simulated' is 'yes': say true or false"),
        ({"title": 5}, {}, "title is 5: write it as text"),
        ({}, {"name": "other"}, "there is no resource named 'frames'"),
        ({}, {"path": "../frames.csv"}, "'../frames.csv' of resource 'frames' is not a file inside"),
        ({}, {"path": "/etc/hostname"}, "is not a file inside the recording: write its name alone"),
        ({}, {"path": "http://localhost/frames.csv"}, "is not a file inside the recording"),
        ({}, {"path": ["frames.csv"]}, "is not a file inside the recording"),
        ({}, {"path": "lost.csv"}, r"names lost\.csv, which is not in .*: get the whole recording"),
    ],
)
def test_a_descriptor_that_is_wrong_says_where(
    recorded: Path, edit: dict[str, object], resource: dict[str, object], said: str
) -> None:
    edit_descriptor(recorded, edit, resource)
    with pytest.raises(RecordingError, match=said):
        read_recording(recorded)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b'{"name":\n "x",,}', r"datapackage\.json line 2: .*: correct the JSON"),
        (b"[]", "line 1: a JSON object is needed"),
        (b"{}", "the list of resources is missing"),
        (b'{"name": "\xff"}', "byte 10 is not UTF-8"),
    ],
)
def test_a_descriptor_that_is_not_json_says_on_which_line(recorded: Path, content: bytes, said: str) -> None:
    (recorded / "datapackage.json").write_bytes(content)
    with pytest.raises(RecordingError, match=said):
        read_recording(recorded)


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("frames.csv", ",boot-a,", ",", r"frames\.csv line 2: 7 cells instead of 8"),
        ("frames.csv", ",boot-a,", ",boot-a,x,", r"frames\.csv line 2: 9 cells instead of 8"),
        ("frames.csv", ",boot-a,", ',boot"-a,', r"frames\.csv was changed, it has"),
        ("frames.csv", ",boot-a,", ',"boot-a"x,', r"frames\.csv line 2: .*: the recording is cut or edited"),
        ("frames.csv", ",125000000,", ",12500000x,", r"frames\.csv line 3: invalid literal .*'12500000x'"),
        ("frames.csv", ",125000000,", f",{2**63},", r"frames\.csv line 3: a time does not fit into 64 bits"),
        ("frames.csv", "gatt:2a1c,", "gatt:2a1c,0", r"frames\.csv line \d+: non-hexadecimal number"),
        ("frames.csv", "gatt:2a1c,", "gatt:2a1d,", "frames.csv was changed, its SHA-256 is not the one"),
        ("frames.csv", "steady_ns", "steady_ms", r"frames\.csv line 1: the columns are at,steady_ms,"),
        ("verdicts.csv", "LF", "LX", r"verdicts\.csv line 2: 'LX' is not a valid Foot"),
        ("verdicts.csv", "POUR", "BREW", r"verdicts\.csv line 2: 'BREW' is not one of COVER, POUR, WORK"),
        ("verdicts.csv", "NOT YET", "MAYBE", r"verdicts\.csv line 2: 'MAYBE' is not a valid Status"),
        ("verdicts.csv", "silent", "quiet", r"verdicts\.csv was changed, it has"),
    ],
)
def test_a_damaged_file_says_on_which_line_and_what(
    recorded: Path, file: str, old: str, new: str, said: str
) -> None:
    path = recorded / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
    with pytest.raises(RecordingError, match=said):
        read_recording(recorded)


def test_a_file_cut_anywhere_is_refused(recorded: Path) -> None:
    path = recorded / "frames.csv"
    content = path.read_bytes()
    for cut in range(0, len(content), 97):
        path.write_bytes(content[:cut])
        with pytest.raises(RecordingError, match=r"frames\.csv"):
            read_recording(recorded)


def test_random_damage_raises_only_recording_errors(recorded: Path) -> None:
    chance = random.Random(8)
    for file in ("frames.csv", "verdicts.csv", "datapackage.json"):
        path = recorded / file
        content = path.read_bytes()
        for _ in range(100):
            damaged = bytearray(content)
            damaged[chance.randrange(len(damaged))] ^= 1 << chance.randrange(8)
            path.write_bytes(damaged)
            try:
                read = read_recording(recorded)
            except RecordingError:
                continue
            assert file == "datapackage.json", "a flipped bit in the data went unnoticed"
            assert list(read.frames()) == invented_frames(50)
        path.write_bytes(content)


def test_bytes_that_are_not_text_say_after_which_line(recorded: Path) -> None:
    path = recorded / "frames.csv"
    path.write_bytes(path.read_bytes() + b"\xff\n")
    with pytest.raises(RecordingError, match=r"frames\.csv after line \d+: byte 0xff is not UTF-8"):
        read_recording(recorded)


def test_what_is_there_is_never_overwritten(recorded: Path) -> None:
    before = (recorded / "frames.csv").read_bytes()
    with pytest.raises(RecordingError, match="exists already: choose another name; nothing was changed"):
        write(recorded, [])
    assert (recorded / "frames.csv").read_bytes() == before


def test_a_writing_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    def failing() -> Iterator[RawFrame]:
        yield from invented_frames(3)
        raise StoreError("chunk 1 is damaged")

    with pytest.raises(StoreError):
        write(tmp_path / "mild-day", failing())
    stamp = invented_frames(1)[0].received_at
    with pytest.raises(ValueError, match=f"a payload of 65001 bytes from ir is over {PAYLOAD_LIMIT}"):
        write(tmp_path / "mild-day", [RawFrame(stamp, "ir", "c", bytes(PAYLOAD_LIMIT + 1))])
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingError, match=r"cannot be written .*: choose a folder that can be"):
        write(tmp_path / "file" / "mild-day", [])


@pytest.mark.parametrize("name", ["Mild", "mild day", "-mild", "größe"])
def test_a_name_the_standard_does_not_allow_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="cannot name a recording: use lower-case letters"):
        write(tmp_path / name, [])


def test_an_exported_visit_reads_back_as_the_very_frames_of_the_store(tmp_path: Path) -> None:
    frames = invented_frames(5000) + strange_frames()
    verdict = Verdict(
        START_NS, Foot.LF, Question.POUR, Status.NOT_YET, "KEEP DRYING", "film", "A film.", "Keep on."
    )
    begin = {"visit_id": "a", "horse": "Bramble", "practice": "Invented practice", "invented": True}
    with open_store(tmp_path / "visits.sqlite3") as store:
        store.begin_visit(json.dumps(begin), START_NS, frames)
        store.append([], [], [verdict], "a")
        for name in ("open", "ended"):
            exported = write_recording(
                tmp_path / name,
                title="Bramble",
                frames=store.frames("a"),
                expected_verdicts=[expected_verdict_from(held) for held in store.verdicts("a")],
                invented=store.visits()[0].invented,
                simulated=False,
            )
            assert list(exported.frames()) == frames == list(store.frames("a"))
            assert exported.expected_verdicts == (expected_verdict_from(verdict),)
            if name == "open":
                store.end_visit("a", START_NS)
