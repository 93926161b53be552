"""The plot of predicted against checked firm times: its figure, its words, its file."""

from __future__ import annotations

import json

from dashboards.figures_cure import checked_figure, checked_sentences
from hoofsense.estimators.cure_calibration import CheckedPour

COLD_K, MILD_K = 271.15, 294.15
CHECKED = (
    CheckedPour("2026-01-20 LF", COLD_K, 4200.0, 3900.0, 4500.0, (1800.0, 4000.0, 9000.0), True),
    CheckedPour("2026-03-14 RF", MILD_K, 1000.0, 960.0, 1080.0, (400.0, 700.0, 900.0), False),
    CheckedPour("2026-04-02 LH", MILD_K, 1100.0, None, 1200.0, None, None),
)


def test_each_pour_is_a_sentence_with_all_that_the_figure_shows() -> None:
    assert checked_sentences(CHECKED) == [
        "2026-01-20 LF, -2 °C: said not before 30, likely 67, safe by 150 min; soft until 65.0, "
        "firm from 75.0 min: as said.",
        "2026-03-14 RF, 21 °C: said not before 7, likely 12, safe by 15 min; soft until 16.0, "
        "firm from 18.0 min: outside of what was said.",
        "2026-04-02 LH, 21 °C: nothing was said before; never felt soft, firm from 20.0 min: cannot be told.",
    ]


def test_the_figure_holds_what_was_said_and_what_was_felt_in_minutes() -> None:
    traces = {trace["name"]: trace for trace in checked_figure(CHECKED)["data"] if "name" in trace}
    said = traces["said before: not before to safe by"]
    assert (said["y"], said["base"], said["x"]) == (
        ["2026-01-20 LF", "2026-03-14 RF"],
        [30.0, 6.67],
        [120.0, 8.33],
    )
    felt = traces["checked: last soft to first firm touch"]
    assert list(zip(felt["y"], felt["x"], strict=True)) == [
        ("2026-01-20 LF", 65.0),
        ("2026-01-20 LF", 75.0),
        ("2026-04-02 LH", 20.0),
    ]
    assert traces["fitted after"]["x"] == [70.0, 16.67, 18.33]


def test_a_missed_pour_has_a_mark_of_its_own_besides_its_colour() -> None:
    traces = {trace["name"]: trace for trace in checked_figure(CHECKED)["data"] if "name" in trace}
    missed = traces["checked, outside of what was said"]
    assert missed["y"] == ["2026-03-14 RF", "2026-03-14 RF"]
    assert missed["marker"]["symbol"] != traces["checked: last soft to first firm touch"]["marker"]["symbol"]


def test_a_figure_of_a_season_stays_small() -> None:
    assert len(json.dumps(checked_figure(CHECKED * 20))) < 20_000
