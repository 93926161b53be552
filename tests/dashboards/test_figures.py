"""The trace: thinned, bounded, with limit lines, passes of heat and marks."""

from __future__ import annotations

from dashboards.figures import (
    DEW_MARGIN_degC,
    SURFACE_CAP_degC,
    heat_passes,
    thinned,
    trace_figure,
)

SECOND_NS = 1_000_000_000
NOW_MS = 1_764_000_000_000


def _points(every_ms: int, count: int, value: float = 20.0) -> list[tuple[int, float, float, float]]:
    begin_ms = NOW_MS - every_ms * count
    return [((begin_ms + n * every_ms) * 1_000_000, value, value, value) for n in range(count)]


def test_ten_readings_a_second_become_one_point_with_their_mean() -> None:
    points = [(n * SECOND_NS // 10, 0.0, float(n), 0.0) for n in range(20)]
    assert thinned(points) == [(900, 4.5), (1900, 14.5)]


def test_thinning_leaves_a_silence_empty() -> None:
    kept = thinned([(0, 1.0, 1.0, 1.0), (60 * SECOND_NS, 2.0, 2.0, 2.0)])
    assert kept == [(0, 1.0), (60_000, 2.0)]


def test_a_trace_of_ten_minutes_stays_small_however_often_it_was_read() -> None:
    figure = trace_figure(_points(100, 6000), _points(1000, 600), _points(1000, 600), [], NOW_MS, "light")
    assert len(figure["data"][0]["x"]) <= 601


def test_the_least_margin_runs_above_the_dew_point() -> None:
    figure = trace_figure([], [], _points(1000, 3, 5.7), [], NOW_MS, "light")
    assert figure["data"][3]["y"] == [round(5.7 + DEW_MARGIN_degC, 2)] * 3


def test_the_heat_limit_is_the_guard_s_own_and_is_always_in_sight() -> None:
    figure = trace_figure(_points(1000, 10, 12.0), [], [], [], NOW_MS, "light")
    line = figure["layout"]["shapes"][0]
    assert line["y0"] == line["y1"] == SURFACE_CAP_degC == 60.0
    assert figure["layout"]["yaxis"]["range"][1] > SURFACE_CAP_degC


def test_passes_of_heat_are_bands_and_one_still_going_ends_now() -> None:
    marks = [
        {"label": "Heat on", "at_ms": NOW_MS - 700_000},
        {"label": "Heat off", "at_ms": NOW_MS - 590_000},
        {"label": "Looked and touched: dry", "at_ms": NOW_MS - 100_000},
        {"label": "Heat on", "at_ms": NOW_MS - 20_000},
    ]
    assert heat_passes(marks, NOW_MS) == [
        (NOW_MS - 600_000, NOW_MS - 590_000),
        (NOW_MS - 20_000, NOW_MS),
    ]


def test_other_marks_are_lines_with_a_short_label() -> None:
    marks = [{"label": "Looked and touched: dry", "at_ms": NOW_MS - 100_000}]
    figure = trace_figure([], [], [], marks, NOW_MS, "dark")
    assert [a["text"] for a in figure["layout"]["annotations"]] == ["Heat limit 60 °C", "Looked and touched"]
