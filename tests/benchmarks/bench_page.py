"""How soon the page shows its verdict and its chart on a slow phone, and what a tick costs.

Run: python tests/benchmarks/bench_page.py

Real Chromium at phone size with the processor throttled 4 times, 288 000 points of history, three pages open.
Ratios: against a plain Dash page that holds the same verdict and the same figure in its layout, served by the
same waitress without any of our own measures (compression, lasting cache, words before scripts).
"""

from __future__ import annotations

import bisect
import importlib.util
import os
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import waitress
from dash import Dash, dcc, html
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, sync_playwright

from dashboards.figures import trace_figure
from dashboards.server import serve

CHROMIUM = "/usr/bin/chromium"
THROTTLE = 4
ROUNDS = 3
PHONE = {"width": 390, "height": 844}
HISTORY_POINTS = 288_000  # 8 h at 10 Hz
LIVE_S = 12.0
TICK_S = 0.25
NS_PER_MS = 1_000_000
PLAIN_PORT = 8059

_WATCH = """
window.seen = {ages: [], sizes: []};
const watch = () => {
    const call = document.querySelector('.call');
    if (!seen.verdict && call && call.textContent && call.checkVisibility({visibilityProperty: true}))
        seen.verdict = performance.now();
    if (!seen.chart && document.querySelector('#trace .js-line, #plain .js-line'))
        seen.chart = performance.now();
    if (!seen.verdict || !seen.chart) requestAnimationFrame(watch);
};
requestAnimationFrame(watch);
const Real = window.EventSource;
window.EventSource = class extends Real {
    constructor(address) {
        super(address);
        this.addEventListener('message', (event) => {
            seen.ages.push(Date.now() - JSON.parse(event.data).t);
            seen.sizes.push(event.data.length);
        });
    }
};
"""


def _scenes() -> Any:
    path = Path(__file__).parents[1] / "dashboards" / "conftest.py"
    spec = importlib.util.spec_from_file_location("page_scenes", path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


class LongVisit:
    """A visit with hours of history, whose clock is the wall clock."""

    def __init__(self, scenes: Any) -> None:
        self.now = scenes.SCENES["drying"]()
        self.inner = scenes.VisitInMemory(self.now)
        self.inner.now["at_ms"] = time.time_ns() // NS_PER_MS
        end_ns = self.inner.now["at_ms"] * NS_PER_MS
        step_ns = 100 * NS_PER_MS
        count = HISTORY_POINTS // 3
        times = [end_ns - (count - n) * step_ns for n in range(count)]
        self.inner.traces = {
            series: [(at, degC, degC, degC) for at in times]
            for series, degC in (("surface:LF", 31.0), ("air", 8.2), ("dew", 5.7))
        }

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def trace(self, series: str, since_ns: int) -> list[tuple[int, float, float, float]]:
        points = self.inner.traces.get(series, [])
        return list(points[bisect.bisect_left(points, (since_ns, 0.0, 0.0, 0.0)) :])

    def tick(self) -> None:
        """A reading and a verdict with new numbers, dated now."""
        foot = self.inner.now["feet/LF"]
        ms = time.time_ns() // NS_PER_MS - self.inner.now["at_ms"]
        because = f"The medial sulcus warmed only {7 + ms % 40 / 10:.1f} K more than in the first pass."
        surface = {**foot["surface"], "degC": 31.0 + ms % 50 / 10, "at_ms": self.inner.now["at_ms"] + ms}
        changes = {
            "feet/LF": {**foot, "surface": surface, "verdict": {**foot["verdict"], "because": because}}
        }
        self.inner.push(changes, {"surface:LF": surface["degC"], "air": 8.2, "dew": 5.7}, ms=ms)


def _page(context: BrowserContext, address: str, *, slow: bool = True) -> Page:
    page = context.new_page()
    page.add_init_script(_WATCH)
    if slow:
        context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": THROTTLE})
    page.goto(address)
    return page


def _times(driver: Playwright, flags: list[str], address: str) -> tuple[float, float, float, float]:
    """(verdict, chart) cold, then (verdict, chart) warm, ms after navigation began.

    A browser with a profile of its own, as on a phone: it keeps files and compiled scripts. Warm is the third
    visit, when the browser has compiled what it saw twice.
    """
    told: list[float] = []
    with tempfile.TemporaryDirectory() as profile:
        context = driver.chromium.launch_persistent_context(
            profile,
            executable_path=CHROMIUM,
            args=flags,
            viewport=PHONE,  # type: ignore[arg-type]
        )
        told = _visits(context, address)
        context.close()
    return told[0], told[1], told[-2], told[-1]


def _visits(context: BrowserContext, address: str) -> list[float]:
    told: list[float] = []
    for _ in ("cold", "second", "warm"):
        page = _page(context, address)
        deadline_s = time.monotonic() + 60
        while not page.evaluate("seen.verdict && seen.chart"):
            if time.monotonic() > deadline_s:
                raise TimeoutError(f"{address} showed no chart within a minute: is the machine very busy?")
            page.wait_for_timeout(50)
        told += page.evaluate("[seen.verdict, seen.chart]")
        page.wait_for_timeout(1000)  # the browser writes its cache
        page.close()
    return told


def _plain_dash(visit: LongVisit) -> Any:
    """The reference: everything in a Dash layout."""
    since_ns = (visit.view()["at_ms"] - 600_000) * NS_PER_MS
    points = [visit.trace(series, since_ns) for series in ("surface:LF", "air", "dew")]
    figure = trace_figure(*points, [], visit.view()["at_ms"], "light")
    app = Dash("plain", title="plain", add_log_handler=False)
    app.layout = html.Div([html.P("KEEP DRYING", className="call"), dcc.Graph(id="plain", figure=figure)])
    server = waitress.create_server(app.server, host="127.0.0.1", port=PLAIN_PORT, threads=16)
    threading.Thread(target=server.run, daemon=True).start()
    return server


def _live(browser: Browser, visit: LongVisit, address: str) -> None:
    contexts = [browser.new_context(viewport=PHONE) for _ in range(3)]  # type: ignore[arg-type]
    pages = [_page(context, address, slow=n == 0) for n, context in enumerate(contexts)]
    pages[0].wait_for_timeout(4000)  # charts are mounted
    for page in pages:
        page.evaluate("() => { seen.ages = []; seen.sizes = []; }")
    began_s, used_s, ticks = time.monotonic(), time.process_time(), 0
    while time.monotonic() - began_s < LIVE_S:
        visit.tick()
        ticks += 1
        time.sleep(TICK_S)
    used_s = time.process_time() - used_s
    ages = sorted(age for page in pages for age in page.evaluate("seen.ages"))
    sizes = [size for page in pages for size in page.evaluate("seen.sizes")]
    p95 = ages[int(0.95 * len(ages))]
    median = statistics.median(ages)
    print(f"age of a sample, three pages    median {median:4.0f} ms, p95 {p95:4.0f} ms (goal 200)")
    print(f"size of a tick                  mean {statistics.mean(sizes):7.0f} B (goal 512)")
    print(f"processor time of the server    {used_s / ticks * 1e3:7.2f} ms a tick for three pages (goal 2)")
    for context in contexts:
        context.close()


def _restart(browser: Browser, visit: LongVisit, server: Any) -> Any:
    context = browser.new_context(viewport=PHONE)  # type: ignore[arg-type]
    page = _page(context, server.url, slow=False)
    page.wait_for_timeout(1500)
    port = int(server.url.rstrip("/").rpartition(":")[2])
    server.stop()
    page.wait_for_timeout(500)
    page.evaluate("seen.ages = []")
    server = serve(visit, port=port)  # type: ignore[arg-type]
    began_s = time.monotonic()
    while not page.evaluate("seen.ages.length"):
        visit.tick()
        page.wait_for_timeout(20)
    print(f"recovery after a restart        {(time.monotonic() - began_s) * 1e3:7.0f} ms (goal 1000)")
    context.close()
    return server


def main() -> None:
    visit = LongVisit(_scenes())
    server = serve(visit, port=0)  # type: ignore[arg-type]
    plain = _plain_dash(visit)
    flags = ["--disable-dev-shm-usage", *(["--no-sandbox"] if os.geteuid() == 0 else [])]
    stop = threading.Event()

    def beat() -> None:
        while not stop.wait(TICK_S):
            visit.tick()

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=flags)
        beating = threading.Thread(target=beat)
        beating.start()
        ours, reference = [], []
        for _ in range(ROUNDS):
            ours.append(_times(driver, flags, server.url))
            reference.append(_times(driver, flags, f"http://127.0.0.1:{PLAIN_PORT}/"))
        stop.set()
        beating.join()
        print(f"phone size, processor throttled {THROTTLE} times, median of {ROUNDS}")
        rows = zip(
            ("verdict, cold", "chart, cold", "verdict, warm", "chart, warm"),
            (1000, 4500, 1000, 1200),
            strict=True,
        )
        for n, (name, goal) in enumerate(rows):
            mine = statistics.median(one[n] for one in ours)
            plainly = statistics.median(one[n] for one in reference)
            ratio = f"ratio {mine / plainly:.2f} to a plain Dash page ({plainly:.0f} ms)"
            print(f"{name:15} {mine:7.0f} ms   {ratio}; goal {goal}")
        _live(browser, visit, server.url)
        server = _restart(browser, visit, server)
        browser.close()
    server.stop()
    plain.close()


if __name__ == "__main__":
    main()
