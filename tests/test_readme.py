"""README.md: the job first, then exactly two commands, each one line, naming what is really there."""

from __future__ import annotations

import re
from pathlib import Path

from click.testing import CliRunner

from hoofsense.cli import main
from hoofsense.sources.recording import recording_names

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^```sh\n(.+?)\n```$", README, re.M | re.S)


def test_there_are_exactly_two_commands_of_one_line_each() -> None:
    assert len(COMMANDS) == 2
    assert all("\n" not in command for command in COMMANDS)


def test_the_first_paragraph_states_who_does_what_and_what_the_tool_does() -> None:
    first = README.split("\n\n")[1]
    for word in ("hoof-care practitioner", "pours", "dry", "cured", "caliper", "record"):
        assert word in first


def test_the_first_command_runs_the_main_job_on_a_demo_that_exists() -> None:
    replayed = re.search(r"hoofsense replay (\S+)", COMMANDS[0])
    assert replayed is not None and replayed[1] in recording_names()
    assert "--page" in COMMANDS[0]


def test_every_command_in_the_table_exists() -> None:
    named = set(re.findall(r"^\| `hoofsense ([\w-]+)", README, re.M))
    assert named == set(main.commands)
    for name in named:
        assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0


def test_pictures_and_pages_named_there_are_there() -> None:
    for path in ["DEVELOPERS.md", *re.findall(r"\]\(([\w/.-]+)\)", README)]:
        assert (ROOT / path).is_file(), path


def test_no_text_of_the_project_holds_a_machine_path() -> None:
    forbidden = re.compile(r"/(?:work|root|tmp/bash_jobs)/|/tmp/venv")
    for path in [
        *ROOT.glob("*.md"),
        *(ROOT / "hoofsense").rglob("*.py"),
        *(ROOT / "dashboards").rglob("*.py"),
    ]:
        assert not forbidden.search(path.read_text(encoding="utf-8")), path
