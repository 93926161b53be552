"""The demo recordings: invented, labelled so, and replayed to the very verdicts they were recorded with."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hoofsense.records import Question, Status
from hoofsense.replaying import replay_recording
from hoofsense.sources.recording import read_recording, recording_names

DEMOS = Path(__file__).parent.parent / "demo_recordings"
NAMES = (
    "freezing-morning",
    "mild-two-feet",
    "sensor-drops-out",
    "sole-not-dry",
    "unfit-and-overheated",
)


def test_every_demo_is_listed() -> None:
    assert recording_names() == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_demo_replays_to_its_recorded_verdicts(name: str) -> None:
    outcome = replay_recording(name, speed=None, as_json=True)
    assert outcome.compared == len(outcome.verdicts) > 0
    assert not outcome.differences, "\n".join(outcome.differences)
    assert outcome.state.invented and outcome.state.ended


@pytest.mark.parametrize("name", NAMES)
def test_a_demo_says_that_it_is_invented_and_simulated(name: str) -> None:
    recording = read_recording(name)
    assert recording.invented and recording.simulated
    package = json.loads((DEMOS / name / "datapackage.json").read_text(encoding="utf-8"))
    assert "Invented and simulated" in package["description"]


def test_the_demos_show_what_each_is_for() -> None:
    def said(name: str) -> set[tuple[str, Status, str]]:
        return {(v.question.name, v.status, v.call) for v in read_recording(name).expected_verdicts}

    mild = said("mild-two-feet")
    assert ("POUR", Status.READY, "POUR NOW") in mild and ("LOAD", Status.READY, "FOOT MAY GO DOWN") in mild
    assert ("TRIM", Status.READY, "READY TO TRIM") in said("freezing-morning")
    wet = said("sole-not-dry")
    assert ("POUR", Status.NOT_YET, "KEEP DRYING") in wet
    assert not any(status is Status.READY for question, status, _ in wet if question != Question.HEAT.name)
    rules = {v.rule for v in read_recording("sensor-drops-out").expected_verdicts}
    assert {"thermometer_lost", "air_stale"} <= rules
    unfit = said("unfit-and-overheated")
    assert ("COVER", Status.STOP, "DO NOT COVER") in unfit
    assert any(status is Status.STOP for question, status, _ in unfit if question == "HEAT")
