"""A visit in memory that behaves like the collector, and a real Chromium that may talk to nobody else."""

from __future__ import annotations

import copy
import importlib.util
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from dashboards.server import RunningServer, serve
from hoofsense.estimators.sheet_sites import AFTER_TRIM, BEFORE_POUR
from hoofsense.plan_keeping import PlanKeeper
from hoofsense.verdicts import decide
from hoofsense.visit import fold
from hoofsense.visit_state import VisitState
from hoofsense.visit_view import view_of

CHROMIUM = Path("/usr/bin/chromium")
CHROMIUM_LINE = "Chromium is missing: sudo apt install chromium"
PLAYWRIGHT_LINE = "the browser's driver is missing: pip install 'hoofsense[test]'"
AXE_LINE = "the accessibility rules are missing: pip install axe-playwright-python"
ARTIFACTS = Path(__file__).parents[2] / "test-artifacts"
PHONE = {"width": 390, "height": 844}
LAPTOP = {"width": 1440, "height": 900}
BEGIN_MS = 1_764_000_000_000  # an arbitrary moment of November 2025
NS_PER_MS = 1_000_000


@dataclass(frozen=True)
class Pushed:
    event_id: int
    at_ns: int
    points: tuple[tuple[str, int, float], ...]
    changes: dict[str, Any]


@dataclass
class VisitInMemory:
    """What the collector offers the page, told by the test instead of by instruments."""

    now: dict[str, Any]
    events: list[Pushed] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)
    typed_texts: list[str] = field(default_factory=list)
    traces: dict[str, list[tuple[int, float, float, float]]] = field(default_factory=dict)
    refuse: str | None = None
    forgotten: int = 0
    changed: threading.Condition = field(default_factory=threading.Condition)

    def view(self) -> dict[str, Any]:
        with self.changed:
            return copy.deepcopy(self.now)

    def oldest_event_id(self) -> int:
        with self.changed:
            return self.forgotten + 1

    def events_after(self, event_id: int, timeout_s: float) -> list[Pushed]:
        with self.changed:
            self.changed.wait_for(
                lambda: bool(self.events) and self.events[-1].event_id > event_id, timeout_s
            )
            return [e for e in self.events if e.event_id > event_id and e.event_id > self.forgotten]

    def trace(self, series: str, since_ns: int) -> list[tuple[int, float, float, float]]:
        with self.changed:
            return [point for point in self.traces.get(series, []) if point[0] >= since_ns]

    def mark(self, mark: dict[str, Any]) -> str:
        if self.refuse is not None:
            raise ValueError(self.refuse)
        self.marks.append(mark)
        return str(mark["id"])

    def typed(self, text: str) -> None:
        if self.refuse is not None:
            raise ValueError(self.refuse)
        self.typed_texts.append(text)

    def push(
        self, changes: dict[str, Any] | None = None, points: dict[str, float] | None = None, ms: int = 250
    ) -> None:
        """One event, ms after the last; changes in the collector's flat keys ("feet/LF")."""
        with self.changed:
            at_ms = int(self.now["at_ms"]) + ms
            told = copy.deepcopy(changes or {})
            self.now = {**self.now, **told, "at_ms": at_ms}
            at_ns = at_ms * NS_PER_MS
            pushed = tuple((series, at_ns, value) for series, value in (points or {}).items())
            for series, _, value in pushed:
                self.traces.setdefault(series, []).append((at_ns, value, value, value))
            number = max([self.forgotten, *(e.event_id for e in self.events[-1:])]) + 1
            self.events.append(Pushed(number, at_ns, pushed, told))
            self.changed.notify_all()

    def become(self, view: dict[str, Any]) -> None:
        """Another visit altogether; its page is so far behind that it needs the whole screen."""
        with self.changed:
            self.forgotten = (self.events[-1].event_id if self.events else self.forgotten) + 2
            self.now, self.traces = view, dried_trace(view)
        self.push()


def estimate(
    name: str, value: float | None, low: float | None, high: float | None, unit: str
) -> dict[str, Any]:
    return {
        "name": name,
        "value": value,
        "low": low,
        "high": high,
        "unit": unit,
        "reason": "",
        "within_validity": True,
    }


def verdict(
    status: str, call: str, because: str, next_step: str, question: str = "", **more: Any
) -> dict[str, Any]:
    said = {"question": question, "status": status, "call": call, "rule": call.lower(), "because": because}
    return {**said, "next_step": next_step, "until_ms": None, "estimates": [], **more}


def heat(status: str = "READY") -> dict[str, Any]:
    calls = {"READY": "HEAT IS SAFE", "NOT YET": "EASE OFF THE HEAT", "STOP": "STOP HEATING"}
    because = {
        "READY": "The quick is predicted to peak at 34.2 °C; the warning is at 41 °C.",
        "NOT YET": "The quick will peak at 41.6 °C even if the gun goes off now; the warning is at 41 °C.",
        "STOP": "The quick will peak at 43.8 °C even if the gun goes off now; 43 °C is the limit.",
    }
    step = {
        "READY": "Keep the gun moving.",
        "NOT YET": "Hold the gun further away and shorten the passes.",
        "STOP": "Gun off. Let the foot cool for 5 minutes before the next pass.",
    }
    return verdict(status, calls[status], because[status], step[status], "Is the foot safe from the heat?")


def foot(stage: str, said: dict[str, Any], **more: Any) -> dict[str, Any]:
    sheet = {"next": "toe", "values": [], "sites": ["toe", "medial quarter", "lateral quarter", "frog apex"]}
    return {
        "stage": stage,
        "heat_on": False,
        "signs": None,
        "verdict": said,
        "heat": heat(),
        "sheet": sheet,
        "surface": {"degC": 31.4, "site": "toe", "at_ms": BEGIN_MS - 400},
        "poured_at_ms": None,
        "marks": [],
        "cautions": [],
        **more,
    }


PREPARE = foot(
    "prepare",
    verdict(
        "NOT YET",
        "LOOK FIRST",
        "Nobody has looked this foot over yet.",
        "Look for smell, discharge, heat, bleeding, cracks and lameness.",
        "Is this foot fit to be covered?",
    ),
    heat=None,
    surface=None,
)
DRYING = foot(
    "dry",
    verdict(
        "NOT YET",
        "KEEP DRYING",
        "The medial sulcus warmed only 7.1 K more than in the first pass; 12 K is needed there.",
        "Heat the medial sulcus for another 25 s, then read it with the gun turned away.",
        "Is the sole dry enough to pour?",
        estimates=[
            estimate("no_film_probability", 0.41, 0.22, 0.63, "1"),
            estimate("dew_point_margin", 24.9, 23.6, 26.2, "K"),
        ],
    ),
    heat_on=True,
    marks=[
        {"id": "m1", "label": "Foot looked over: nothing found", "at_ms": BEGIN_MS - 420_000},
        {"id": "h1", "label": "Heat on", "at_ms": BEGIN_MS - 170_000},
        {"id": "h2", "label": "Heat off", "at_ms": BEGIN_MS - 145_000},
        {"id": "m2", "label": "Heat on", "at_ms": BEGIN_MS - 95_000},
        {"id": "m3", "label": "Heat off", "at_ms": BEGIN_MS - 71_000},
        {"id": "m4", "label": "Heat on", "at_ms": BEGIN_MS - 12_000},
    ],
)
READY = foot(
    "dry",
    verdict(
        "READY",
        "POUR NOW",
        "No film of water at the coldest spot, the lateral sulcus; you looked and touched: dry.",
        "Mix and pour at once: moisture comes back to the surface in a minute or two.",
        "Is the sole dry enough to pour?",
        until_ms=BEGIN_MS + 84_000,
        estimates=[
            estimate("no_film_probability", 0.96, 0.88, 0.99, "1"),
            estimate("dew_point_margin", 31.2, 29.9, 32.5, "K"),
        ],
    ),
    marks=DRYING["marks"],
)
HOT = foot("dry", DRYING["verdict"], heat=heat("STOP"), heat_on=True, marks=DRYING["marks"])
BURNT = foot(
    "dry",
    heat("STOP") | {"question": "Is the sole dry enough to pour?"},
    heat=heat("STOP"),
    marks=DRYING["marks"],
)
CANNOT_TELL = foot(
    "dry",
    verdict(
        "CANNOT TELL",
        "CANNOT TELL",
        "The thermometer has been silent for 12 s; 5 s is the limit.",
        "Bring the thermometer back and read the toe.",
        "Is the sole dry enough to pour?",
        estimates=[estimate("no_film_probability", None, None, None, "1") | {"reason": "No fresh reading."}],
    ),
    heat=verdict(
        "CANNOT TELL", "CANNOT TELL", "No reading for 12 s.", "Gun off until the foot is read again."
    ),
    surface={"degC": 28.9, "site": "toe", "at_ms": BEGIN_MS - 12_000},
)
POURING = foot(
    "pour",
    verdict(
        "READY",
        "POUR AND LEVEL",
        "At least 3.4 min of working time are left.",
        "Keep the foot level while it runs; mark it poured when it is shaped.",
        "How long can I work it?",
        estimates=[estimate("working_time", 260.0, 204.0, 340.0, "s")],
    ),
)
CURING = foot(
    "cure",
    verdict(
        "NOT YET",
        "WAIT",
        "6 min after the pour; firm between 12 and 21 min, slowest at the film side.",
        "Hold the foot; feel it in 6 min.",
        "Can I trim?",
        estimates=[estimate("firm_time", 930.0, 720.0, 1260.0, "s")],
    ),
    poured_at_ms=BEGIN_MS - 360_000,
    cautions=["CAUTION: The fill gives off heat while it cures.", "NOTICE: Cold air slows the rim most."],
    marks=[{"id": "p1", "label": "Poured", "at_ms": BEGIN_MS - 360_000}],
)
TRIMMING = foot(
    "trim",
    verdict(
        "READY",
        "FOOT MAY GO DOWN",
        "Trimmed, firm to the touch and past its safe-by time: between 35 and 58 min after the pour.",
        "Boot or tape the foot, put it down, and mark it down.",
        "Can the foot go down?",
        estimates=[estimate("load_time", 2700.0, 2100.0, 3480.0, "s")],
    ),
    poured_at_ms=BEGIN_MS - 3_600_000,
)
FINISHED = foot(
    "finish",
    verdict(
        "READY",
        "DONE",
        "The foot is down; its record is complete.",
        "Book the next visit.",
        "Can the foot go down?",
    ),
    heat=None,
)
SIGNS_FOUND = foot(
    "prepare",
    verdict(
        "STOP",
        "DO NOT COVER",
        "Found: smell, discharge. A fill over this foot can seal an infection in.",
        "Leave the foot open and refer it to a veterinarian.",
        "Is this foot fit to be covered?",
    ),
    signs=["smell", "discharge"],
    heat=None,
    cautions=[{"signal": "CAUTION", "text": "Do not seal this foot in. Refer it to a veterinarian."}],
)
MEASURED = {
    "next": "lateral quarter",
    "sites": ["toe", "medial quarter", "lateral quarter", "medial heel", "lateral heel", "frog apex"],
    "values": [
        {"site": "toe", "mm": 12.34, "sd_mm": 0.06, "n": 3},
        {"site": "medial quarter", "mm": 14.1, "sd_mm": None, "n": 1},
    ],
}


def visit_view(feet: dict[str, dict[str, Any]], in_hand: str | None = "LF", **more: Any) -> dict[str, Any]:
    return {
        "at_ms": BEGIN_MS,
        "visit_id": "v1",
        "horse": "Clover",
        "practice": "Invented practice",
        "invented": True,
        "mode": "simulation",
        "ended": False,
        "in_hand": {"foot": in_hand, "site": "medial sulcus" if in_hand else None},
        "air": {"degC": 8.2, "rh_percent": 84, "dew_degC": 5.7, "at_ms": BEGIN_MS - 3000},
        "instruments": [
            {
                "source": "gun-1",
                "what": "surface temperature",
                "at_ms": BEGIN_MS - 400,
                "linked": True,
                "battery_percent": 82,
                "refused": {"range": 2, "slope": 1},
                "trusted": True,
                "note": "",
            },
            {
                "source": "post-2",
                "what": "air temperature, humidity",
                "at_ms": BEGIN_MS - 3000,
                "linked": True,
                "battery_percent": None,
                "refused": {},
                "trusted": True,
                "note": "",
            },
            {
                "source": "jaw-3",
                "what": "length",
                "at_ms": BEGIN_MS - 140_000,
                "linked": False,
                "battery_percent": 9,
                "refused": {"damaged": 4},
                "trusted": False,
                "note": "not connected: out of range",
            },
        ],
        "notices": [{"at_ms": BEGIN_MS - 60_000, "text": "LF was taken in hand."}],
        **{f"feet/{name}": told for name, told in feet.items()},
        **more,
    }


SCENES: dict[str, Callable[[], dict[str, Any]]] = {
    "prepare": lambda: visit_view({"LF": PREPARE, "RF": PREPARE}),
    "signs_found": lambda: visit_view({"LF": SIGNS_FOUND, "RF": PREPARE}),
    "drying": lambda: visit_view({"LF": {**DRYING, "sheet": MEASURED}, "RF": PREPARE, "LH": CURING}),
    "ready": lambda: visit_view({"LF": READY, "RF": CURING, "LH": PREPARE, "RH": PREPARE}),
    "too_hot": lambda: visit_view({"LF": HOT, "RF": CURING, "LH": TRIMMING}),
    "too_hot_to_pour": lambda: visit_view({"LF": BURNT, "RF": SIGNS_FOUND}),
    "cannot_tell": lambda: visit_view({"LF": CANNOT_TELL, "RF": CURING}),
    "pouring": lambda: visit_view({"LF": POURING, "RF": TRIMMING}),
    "curing": lambda: visit_view({"LF": CURING, "RF": DRYING}),
    "trimming": lambda: visit_view({"LF": TRIMMING, "RF": CURING}),
    "finished": lambda: visit_view({"LF": FINISHED, "RF": CURING}),
    "no_foot_in_hand": lambda: visit_view({"LF": PREPARE}, in_hand=None),
    "replay": lambda: visit_view({"LF": DRYING}, mode="replay"),
    "ended": lambda: visit_view({"LF": FINISHED}, ended=True),
}


def dried_trace(view: dict[str, Any]) -> dict[str, list[tuple[int, float, float, float]]]:
    """Ten minutes of two hot-air passes over a cold sole, once a second."""
    at_ms, traces = int(view["at_ms"]), dict[str, list[tuple[int, float, float, float]]]()
    surface, target = 12.0, 12.0
    for second in range(600):
        heated = 430 <= second < 455 or 505 <= second < 529 or second >= 588
        target = 52.0 if heated else 14.0
        surface += (target - surface) * (0.06 if heated else 0.02)
        at_ns = (at_ms - (600 - second) * 1000) * NS_PER_MS
        for series, value in (("surface:LF", surface), ("air", 8.2 + second / 1000), ("dew", 5.7)):
            traces.setdefault(series, []).append((at_ns, value, value, value))
    return traces


@pytest.fixture
def visit_of() -> Callable[[str], VisitInMemory]:
    """A visit of a named scene, with ten minutes of trace behind it."""

    def made(scene: str) -> VisitInMemory:
        view = SCENES[scene]()
        return VisitInMemory(view, traces=dried_trace(view))

    return made


@contextmanager
def beating(visit: VisitInMemory, every_s: float = 0.2) -> Iterator[None]:
    """Instruments that go on reading while a page is looked at."""
    stop = threading.Event()

    def beat() -> None:
        while not stop.wait(every_s):
            visit.push(points={"surface:LF": 44.0, "air": 8.8, "dew": 5.7}, ms=round(every_s * 1000))

    thread = threading.Thread(target=beat)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@pytest.fixture
def served() -> Iterator[Callable[..., RunningServer]]:
    """Serve a visit on a free port of this machine; stopped at the end."""
    running: list[RunningServer] = []

    def started(visit: VisitInMemory, **options: Any) -> RunningServer:
        running.append(serve(visit, **{"port": 0, **options}))
        return running[-1]

    yield started
    for server in running:
        server.stop()


def _lacking(line: str) -> None:
    """Skip, or fail where the browser is required."""
    if os.environ.get("CI") == "true" or os.environ.get("HOOFSENSE_REQUIRE_BROWSER") == "1":
        pytest.fail(line)
    pytest.skip(line)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A real Chromium that cannot find any other machine.

    Module scope: Playwright keeps an event loop running in this thread, which other modules must not meet.
    """
    if not CHROMIUM.exists():
        _lacking(CHROMIUM_LINE)
    if importlib.util.find_spec("playwright") is None:
        _lacking(PLAYWRIGHT_LINE)
    from playwright.sync_api import sync_playwright

    flags = [
        "--disable-dev-shm-usage",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--no-first-run",
        "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    ]
    if os.geteuid() == 0:
        flags.append("--no-sandbox")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=flags)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def axe_source() -> str:
    if importlib.util.find_spec("axe_playwright_python") is None:
        _lacking(AXE_LINE)
    return (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


def _empty_script(route: Any) -> None:
    route.fulfill(content_type="text/javascript", body="window.DashRenderer = function () {};")


@dataclass
class Watched:
    """Pages whose every request, error and console message is watched."""

    context: Any
    faults: list[str] = field(default_factory=list)
    allowed: tuple[str, ...] = ()

    def page(self, address: str, *, pictures: bool = False) -> Any:
        """A page of this address. Without pictures the charts' scripts are left out, for speed."""
        page = self.context.new_page()
        if not pictures:
            page.route("**/_dash-component-suites/**", _empty_script)
        page.on("request", self._request)
        page.on("pageerror", lambda error: self.faults.append(f"script error: {error}"))
        page.on("console", self._console)
        page.goto(address)
        return page

    def _request(self, request: Any) -> None:
        if not request.url.startswith(("http://127.0.0.1:", "data:", "blob:http://127.0.0.1:")):
            self.faults.append(f"asked another machine: {request.url}")

    def _console(self, message: Any) -> None:
        if message.type in ("error", "warning") and not any(text in message.text for text in self.allowed):
            self.faults.append(f"console {message.type}: {message.text}")


@pytest.fixture
def watched(chromium: Any, served: Any) -> Iterator[Watched]:
    """Closed before the server is. Any request to another machine, script error or console error fails."""
    context = chromium.new_context(viewport=PHONE, timezone_id="Europe/London", locale="en-GB")
    context.set_default_timeout(8000)
    seen = Watched(context)
    yield seen
    context.close()
    assert seen.faults == []


@pytest.fixture
def scenes() -> dict[str, Callable[[], dict[str, Any]]]:
    return SCENES


FOOT_MM = (135, 128, 88, 48, 9, 17.2, 12.6, 13.9, 14.3, 15.8, 16.1, 61, 64)  # in the order of BEFORE_POUR
PAD_MM = (8.5, 4.2, 5.1, 7.6, 7.1, 7.4, 6.8, 59.1, 59.6)  # in the order of AFTER_TRIM
WEEK_MS = 7 * 24 * 3600 * 1000
MAKER_START_MS = 1_773_475_200_000  # when the frames of tests/conftest.py begin
PLAN_SCENES = {"empty": 0, "measuring": 7, "asks": 5, "planned": 13, "trimmed": 13}  # and sites measured


def _earlier(foot: str) -> dict[str, Any]:
    """Two earlier visits of one foot, in a begin mark's words."""
    then, since = MAKER_START_MS - 6 * WEEK_MS, MAKER_START_MS - 2 * WEEK_MS
    lengths = {
        "pad at toe": [0.0080, 0.0069],
        "wall height medial": [0.0602, 0.0611],
        "wall height lateral": [0.0611, 0.0615],
        "frog apex": [0.0171, 0.0173, 0.0172],
    }
    days = {site: [then, since] for site in lengths} | {"frog apex": [then - 6 * WEEK_MS, then, since]}
    return {"history": {foot: lengths}, "history_ms": {foot: days}, "pad_poured_ms": {foot: then - 1000}}


def _plan_frames(maker: Any, scene: str, foot: str) -> list[Any]:
    orders = {"sheet": [str(s) for s in BEFORE_POUR], "sheet_after_trim": [str(s) for s in AFTER_TRIM]}
    frames = [
        maker.begin(feet=("LF", "RF"), **orders, **_earlier(foot)),
        *maker.air(0.5, 12.0, 60.0),
        maker.mark(0.6, "hand", foot=foot, site=None),
    ]
    if scene == "planned":
        frames += [maker.mark(0.7, "next_site", foot=foot, site="pad at toe"), maker.typed(0.8, "6.4 mm")]
    frames += [maker.typed(1 + 2 * n, f"{mm} mm") for n, mm in enumerate(FOOT_MM[: PLAN_SCENES[scene]])]
    if scene == "asks":
        frames.append(maker.typed(40, "23.4 mm"))
    if scene == "trimmed":
        poured = {"thickness_mm": 8.6, "material_degC": 21, "cover": "film"}
        frames += [
            maker.mark(50, "fitness", foot=foot, signs=[]),
            maker.mark(60, "poured", foot=foot, **poured),
            maker.mark(1500, "trimmed", foot=foot),
            *(maker.typed(1510 + 2 * n, f"{mm} mm") for n, mm in enumerate(PAD_MM)),
        ]
    return frames


@pytest.fixture(scope="session")
def plan_of() -> Callable[..., dict[str, Any]]:
    """plan_of(maker, "planned", "LF") -> the view of a visit whose plan came from real frames."""
    made: dict[tuple[str, str], dict[str, Any]] = {}

    def told(maker: Any, scene: str, foot: str = "LF") -> dict[str, Any]:
        if (scene, foot) not in made:
            state = VisitState()
            for frame in _plan_frames(maker, scene, foot):
                state = fold(state, frame)
            view = view_of(state, decide(state, state.at_ns), "simulation")
            made[scene, foot] = {**view, **PlanKeeper().finished(state)}
        return made[scene, foot]

    return told


@pytest.fixture
def visit_with() -> type[VisitInMemory]:
    return VisitInMemory


@pytest.fixture
def while_beating() -> Callable[[VisitInMemory], Any]:
    return beating
