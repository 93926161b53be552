"""Past visits become logged pours, a posterior, a profile of one's own, and a page of what was checked."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from hoofsense.calibrating import Lesson, calibrate, logged_pours
from hoofsense.cli import main
from hoofsense.collector import verdict_changes
from hoofsense.estimators.cure_ensemble import AirPoint
from hoofsense.estimators.cure_log import LoggedPour
from hoofsense.estimators.cure_mark_times import DEGREES, modelled_ln_times, point_material, work_scale
from hoofsense.materials import load_profile, sources_of
from hoofsense.records import NS_PER_S, Instant, PourConditions, RawFrame
from hoofsense.store import open_store
from hoofsense.visit_marks import mark_payload
from hoofsense.wire.checked_text import decode_checked, encode_checked
from hoofsense.wire.gatt import encode_environmental

STANDARD = load_profile("standard")
FASTER_ln = 0.25  # the invented batch reacts a quarter faster than the profile says
AIRS_degC = (-2.0, 4.0, 10.0, 16.0, 22.0, 28.0)
ICE_K = 273.15
DAY_s = 86400
START_s = 1_773_475_200  # 2026-03-14T08:00:00Z, an invented day
POURED_s = 60.0


def called(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def true_times_s(air_degC: float) -> np.ndarray:
    """Working, firm and load time at the rim of the invented batch, poured as the visits below tell."""
    kinetics, heat = point_material(STANDARD, np.array([[FASTER_ln / STANDARD.ln_rate_u, 0.0, 0.0, 0.0]]))
    pour = PourConditions(0, 0.008, ICE_K + 20.0, ICE_K + air_degC, cover_m2_K_per_W=3e-4)
    logged = LoggedPour(pour, (AirPoint(0.0, ICE_K + air_degC),), 1.0, 2.0)
    return np.exp(modelled_ln_times(STANDARD, logged, kinetics, heat, work_scale(STANDARD))[:, 0])


class Day:
    """The frames of one invented visit."""

    def __init__(self, number: int, air_degC: float, **begin: Any) -> None:
        self.start_ns, self.air_degC = (START_s + number * DAY_s) * NS_PER_S, air_degC
        self.frames: list[RawFrame] = []
        said = {
            "visit_id": f"invented-{number}", "horse": "Invented Horse T", "practice": "Invented Practice",
            "feet": ["LF"], "roles": {}, "invented": False, "material": asdict(STANDARD),
        }  # fmt: skip
        self.mark(0.0, "begin", **{**said, **begin})

    def frame(self, at_s: float, source: str, channel: str, payload: bytes) -> None:
        at_ns = self.start_ns + round(at_s * NS_PER_S)
        self.frames.append(
            RawFrame(Instant(at_ns, at_ns, round(at_s * NS_PER_S), "test"), source, channel, payload)
        )

    def mark(self, at_s: float, kind: str, **said: Any) -> None:
        mark = {"mark": kind, "id": f"m{len(self.frames)}", **said}
        self.frame(at_s, "page", "mark", mark_payload(mark))

    def air(self, at_s: float) -> None:
        self.frame(at_s, "ambient-1", "gatt:2a6e", encode_environmental(0x2A6E, self.air_degC))

    def poured(self) -> Day:
        self.air(1.0)
        self.mark(2.0, "fitness", foot="LF", signs=[])
        self.air(POURED_s - 1.0)
        self.mark(POURED_s, "poured", foot="LF", thickness_mm=8.0, material_degC=20.0, cover="film")
        self.frame(POURED_s + 1.0, "collector", "tick", encode_checked(""))
        return self

    def touched(self) -> Day:
        """Touched until it is firm, and then until no nail dents it; trimmed and put down."""
        at_s, times_s = POURED_s, true_times_s(self.air_degC)
        for degree, asked in (("firm", {}), ("load", {"asked": "load"})):
            for share in (0.8, 0.92, 1.08):
                at_s = max(at_s + 1.0, POURED_s + share * float(times_s[DEGREES.index(degree)]))
                self.air(at_s - 0.5)
                self.mark(at_s, "touch", foot="LF", site="toe", firm=share > 1.0, **asked)
        self.mark(at_s + 10.0, "trimmed", foot="LF")
        return self

    def kept_in(self, path: Path) -> None:
        self.mark(20_000.0, "end")
        with open_store(path) as store:
            visit_id = store.begin_visit(decode_checked(self.frames[0].payload), self.start_ns)
            store.append(self.frames, (), list(verdict_changes(self.frames)), visit_id)
            store.end_visit(visit_id, self.frames[-1].at_ns)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of a season of pours, one of which nobody touched, another material and an invented visit."""
    path = tmp_path_factory.mktemp("store") / "visits.sqlite3"
    for number, air_degC in enumerate(AIRS_degC):
        Day(number, air_degC).poured().touched().kept_in(path)
    Day(6, 12.0).poured().kept_in(path)
    Day(7, 12.0, material=asdict(load_profile("fast"))).poured().kept_in(path)
    Day(8, 12.0, invented=True).poured().kept_in(path)
    return path


@pytest.fixture(scope="module")
def lesson(kept: Path) -> Lesson:
    return calibrate("standard", kept)


def test_pours_are_read_from_raw_frames_with_what_had_been_said_before(kept: Path) -> None:
    log = logged_pours("standard", kept)
    assert [one.name for one in log.pours] == [f"2026-03-{14 + i} LF" for i in range(6)]
    assert log.visits == 6
    for logged, air_degC in zip(log.pours, AIRS_degC, strict=True):
        work_s, firm_s, load_s = true_times_s(air_degC)
        assert logged.air[0].air_K == pytest.approx(ICE_K + air_degC)
        assert logged.soft_until_s == pytest.approx(0.92 * firm_s)
        assert logged.firm_from_s == pytest.approx(1.08 * firm_s)
        (second,) = logged.seconds
        assert second.degree == "load"
        assert second.reached_s == pytest.approx(1.08 * load_s)
        assert logged.predicted is not None
        assert logged.predicted[0] < logged.predicted[1] < logged.predicted[2]
        assert work_s < firm_s
    assert sorted(log.left_out) == [
        "1 invented visit: add --invented to learn from them in a rehearsal",
        "2026-03-20 LF: a logged pour without any touch says nothing: leave it out",
    ]


def test_a_season_of_pours_teaches_the_batch(lesson: Lesson) -> None:
    found = lesson.calibration
    assert found.ln_rate == pytest.approx(FASTER_ln, abs=0.1)
    assert found.energy.claimed and found.energy.value == pytest.approx(52e3, abs=3e3)
    assert found.shape_n.claimed and found.shape_n.value == pytest.approx(2.0, abs=0.3)
    assert found.covered == 6
    assert lesson.after.reference_firm_s < STANDARD.reference_firm_s
    assert not lesson.earned, "six pours are not ten"
    said = lesson.as_text()
    for part in (
        "6 pours with touches in 6 visits",
        "air -2 to 28 °C",
        "6 of 6",
        "not earned",
        "2026-03-17 LF",
    ):
        assert part in said, said


def test_the_saved_profile_is_the_calibrated_one_with_a_source_for_each_number(
    kept: Path, lesson: Lesson, tmp_path: Path
) -> None:
    mine = tmp_path / "mine.toml"
    result = called("calibrate", "standard", "--store", str(kept), "--save", str(mine), "--json")
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    assert said["pours"] == 6 and said["energy"]["claimed"] is True
    loaded, expected = load_profile(mine), lesson.after
    for name, value in asdict(expected).items():
        if name != "assumptions":
            found = getattr(loaded, name)
            assert found == (pytest.approx(value, rel=1e-7) if isinstance(value, float) else value), name
    sources = {number.field: number for number in sources_of(mine)}
    for name in ("reference_firm_s", "ln_rate_u", "activation_energy_J_per_mol", "shape_n"):
        assert "touches of 6 pours, 2026-03-14 to 2026-03-19" in sources[name].source
        assert not sources[name].assumed
    assert sources["density_kg_per_m3"].assumed, "nobody weighed it"
    again = called("calibrate", "standard", "--store", str(kept), "--save", str(mine))
    assert again.exit_code != 0 and "is there already" in again.stderr
    twice = called("calibrate", str(mine), "--store", str(kept))
    assert twice.exit_code != 0 and "counts those pours once" in twice.stderr


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("fast",), "0 logged pours say too little"),
        (("granite",), "there is no material 'granite'"),
    ],
)
def test_too_few_pours_and_unknown_materials_get_one_sentence(
    kept: Path, words: tuple[str, ...], part: str
) -> None:
    result = called("calibrate", *words, "--store", str(kept))
    said = result.stderr.strip()
    assert result.exit_code != 0 and part in said
    assert "Traceback" not in said and len(said.splitlines()) == 1


def test_the_page_of_predicted_and_checked_asks_no_other_machine(kept: Path, tmp_path: Path) -> None:
    page = tmp_path / "checked.html"
    result = called("calibrate", "standard", "--store", str(kept), "--plot", str(page))
    assert result.exit_code == 0, result.output
    text = page.read_text(encoding="utf-8")
    assert "2026-03-17 LF, 16 °C: said not before" in text
    for asking in ('<script src="', "<link ", '<img src="http'):
        assert asking not in text
