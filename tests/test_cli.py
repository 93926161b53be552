"""The command line: bad input gets one sentence and a non-zero exit, nothing is lost, --help is light."""

from __future__ import annotations

import json
import shutil
import socket
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hoofsense.cli import main
from hoofsense.sources.recording import read_recording
from hoofsense.store.schema import SCHEMA_VERSION


def called(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def assert_one_sentence(result: Result, *parts: str) -> None:
    assert result.exit_code != 0
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    said = (result.output + result.stderr).strip()
    assert "Traceback" not in said
    assert len(said.splitlines()) <= 4, said
    for part in parts:
        assert part in said, said


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recordings") / "wet-sole"
    result = called("simulate", "sole-not-dry", "--seed", "4", "--save", str(folder))
    assert result.exit_code == 0, result.output
    return folder


def test_an_unknown_recording_lists_the_known_ones() -> None:
    assert_one_sentence(called("replay", "no-such-visit"), "no-such-visit", "mild-two-feet")


def test_an_unknown_scenario_lists_the_known_ones() -> None:
    assert_one_sentence(called("simulate", "no-such-day"), "no-such-day", "freezing-morning")


def test_a_cut_recording_is_refused_by_file_and_line(recording: Path, tmp_path: Path) -> None:
    broken = tmp_path / "wet-sole"
    shutil.copytree(recording, broken)
    frames = broken / "frames.csv"
    frames.write_bytes(frames.read_bytes()[:4000])
    assert_one_sentence(called("replay", str(broken)), "frames.csv")


def test_a_recording_without_its_descriptor_is_refused(tmp_path: Path) -> None:
    assert_one_sentence(called("replay", str(tmp_path)), "datapackage.json")


def test_a_replay_sums_up_verdicts_measurements_and_warnings(recording: Path) -> None:
    result = called("replay", str(recording))
    assert result.exit_code == 0, result.output
    for part in (
        "Verdicts",
        "KEEP DRYING",
        "Measurements",
        "frog apex",
        "Warnings",
        "A groove will not dry",
        "mm",
    ):
        assert part in result.output
    count = len(read_recording(recording).expected_verdicts)
    assert f"Verdicts as recorded: {count} of {count}." in result.output


def test_json_is_one_object_and_nothing_else(recording: Path) -> None:
    result = called("replay", str(recording), "--json")
    said = json.loads(result.stdout)
    assert said["invented"] is True and said["differences"] == []
    assert said["verdicts"][0]["status"] == "NOT YET"
    assert {"at", "foot", "question", "status", "call", "rule", "because", "next_step", "estimates"} <= set(
        said["verdicts"][0]
    )


def test_a_changed_verdict_makes_the_replay_fail(recording: Path, tmp_path: Path) -> None:
    from hoofsense.sources.recording import write_recording

    original = read_recording(recording)
    write_recording(
        tmp_path / "other",
        title=original.title,
        frames=original.frames(),
        expected_verdicts=original.expected_verdicts[1:],
        invented=True,
        simulated=True,
    )
    result = called("replay", str(tmp_path / "other"))
    assert result.exit_code == 1
    assert "change 1: recorded" in result.output


def test_a_port_in_use_gets_one_sentence(recording: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = called("replay", str(recording), "--page", "--port", str(port))
    assert_one_sentence(result, str(port))


def test_a_store_of_a_newer_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "visits.sqlite3"
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
        connection.execute("CREATE TABLE anything (a)")
    connection.close()
    before = path.read_bytes()
    assert_one_sentence(called("visits", "--store", str(path)), "newer")
    assert_one_sentence(called("simulate", "sole-not-dry", "--store", str(path)), "newer")
    assert path.read_bytes() == before


def test_a_file_that_is_no_store_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("hay, 12 bales\n" * 100)
    assert_one_sentence(called("visits", "--store", str(path)), "notes.txt")
    assert path.read_text().startswith("hay")


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--horse", "Invented Horse", "--feet", "LF,XX"), "LF,XX"),
        (("--horse", "Invented Horse", "--material", "no-such-stuff"), "no-such-stuff"),
        ((), "--horse"),
    ],
)
def test_a_visit_that_cannot_begin_says_why(tmp_path: Path, words: tuple[str, ...], part: str) -> None:
    result = called("visit", *words, "--no-page", "--no-bluetooth", "--store", str(tmp_path / "v.sqlite3"))
    assert_one_sentence(result, part)


def test_a_recorded_simulation_is_listed_and_gives_its_verdicts_again(tmp_path: Path) -> None:
    path = str(tmp_path / "visits.sqlite3")
    assert called("simulate", "sole-not-dry", "--store", path).exit_code == 0
    listed = json.loads(called("visits", "--store", path, "--json").stdout)
    assert [v["horse"] for v in listed] == ["Invented Horse C"]
    again = called("visits", listed[0]["visit_id"], "--store", path)
    assert again.exit_code == 0 and "Verdicts as recorded:" in again.output, again.output
    saved = tmp_path / "saved"
    assert called("visits", listed[0]["visit_id"], "--store", path, "--save", str(saved)).exit_code == 0
    assert called("replay", str(saved)).exit_code == 0
    assert_one_sentence(called("visits", "no-such-visit", "--store", path), "no-such-visit")


def test_the_same_simulation_twice_in_one_store_is_refused_and_loses_nothing(tmp_path: Path) -> None:
    path = str(tmp_path / "visits.sqlite3")
    assert called("simulate", "sole-not-dry", "--store", path).exit_code == 0
    assert_one_sentence(called("simulate", "sole-not-dry", "--store", path), "already")
    assert len(json.loads(called("visits", "--store", path, "--json").stdout)) == 1


def test_help_imports_neither_dash_nor_pandas_nor_bleak() -> None:
    code = (
        "import sys\n"
        "sys.argv = ['hoofsense', '--help']\n"
        "import hoofsense.cli\n"
        "try:\n    hoofsense.cli.main()\n"
        "except SystemExit:\n    pass\n"
        "heavy = {'dash', 'pandas', 'bleak', 'numpy', 'scipy', 'plotly', 'serial'} & set(sys.modules)\n"
        "sys.exit(f'imported {heavy}' if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Tells when a sole is dry enough" in done.stdout


def test_a_profile_shows_its_table_and_its_assumptions() -> None:
    told = called("materials", "standard").output
    for part in (
        "firm in 15 min as a pour of 8 mm at 21 °C",
        "bears weight",
        "Assumptions",
        "activation energy",
    ):
        assert part in told
    table = json.loads(called("materials", "standard", "--json").stdout)["table"]
    likely = [
        row["firm"][1]
        for row in table
        if row["material_degC"] == row["air_degC"] and row["sole_degC"] != 30.0
    ]
    assert likely == sorted(likely, reverse=True), "colder air, sole and material are never faster"
    assert_one_sentence(called("materials", "no-such-stuff"), "no-such-stuff")


def test_a_pour_is_predicted_with_the_lever_that_helps_most() -> None:
    cold = ("--air", "0", "--sole", "7", "--material-temperature", "0")
    told = called("predict", *cold).output
    assert "Working time" in told and "What helps most" in told and "Warm" in told
    prediction = json.loads(called("predict", *cold, "--json").stdout)
    gains = [lever["gain_s"] for lever in prediction["levers"]]
    assert gains == sorted(gains, reverse=True) and gains[0] > 0
    assert_one_sentence(called("predict", "--air", "90", "--sole", "7", "--material-temperature", "0"), "90")
