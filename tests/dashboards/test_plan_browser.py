"""The screen that measures and plans, in a real Chromium: seen, pressed, heard, printed."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser

ACTION_PX, NAVIGATION_PX = 72, 56  # gloves (our own rule; WCAG 2.2 AAA asks for 44)
PHONE = {"width": 390, "height": 844}
LAPTOP = {"width": 1440, "height": 900}
ARTIFACTS = Path(__file__).parents[2] / "test-artifacts"
SCENES = (("empty", "LF"), ("asks", "LF"), ("planned", "LF"), ("trimmed", "RF"))

_AXE = """
() => axe.run(document, {resultTypes: ['violations']}).then(
    (found) => found.violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html).join(' | ')}`)
)
"""
_TOO_SMALL = """
([action, navigation]) => {
    const shown = (one) => one.checkVisibility() && one.getBoundingClientRect().width > 0;
    const small = [];
    for (const [selector, least] of [
        ['button.action, .chip span, .measured input, .measured select', action],
        ['.nav-button, nav a, summary', navigation],
    ]) {
        for (const one of [...document.querySelectorAll(selector)].filter(shown)) {
            const box = one.getBoundingClientRect();
            if (box.height < least || (box.width < least && !one.matches('summary, input, select')))
                small.push(`${one.outerHTML.slice(0, 80)} ${box.width}x${box.height}`);
        }
    }
    return small;
}
"""
_OVERFLOW = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
_DRAWN = """
() => {
    const version = document.querySelector('[data-slot-on=plan]').dataset.version;
    return [...document.querySelectorAll('[data-figure]')].filter((one) => one.dataset.drawn === version)
        .filter((one) => one.getBoundingClientRect().height > 150).map((one) => one.dataset.figure);
}
"""
_HEARD = """
window.heard = [];
window.AudioContext = class extends window.AudioContext {
    constructor() { super(); window.opened = (window.opened || 0) + 1; }
};
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (at) {
    window.heard.push(this.frequency.value);
    start.call(this, at);
};
window.said = [];
const voices = [
    {name: 'far', lang: 'en-GB', localService: false, voiceURI: 'far', default: true},
    {name: 'near', lang: 'en-GB', localService: true, voiceURI: 'near', default: false},
];
Object.defineProperty(window, 'SpeechSynthesisUtterance', {
    value: class { constructor(text) { this.text = text; } },
});
Object.defineProperty(window, 'speechSynthesis', {value: {
    getVoices: () => voices, cancel: () => {}, speak: (one) => window.said.push([one.voice.name, one.text]),
}});
"""


def test_every_scene_has_no_violation_targets_for_gloves_and_its_pictures(
    watched: Any, plan_of: Any, maker: Any, visit_with: Any, served: Any, axe_source: str
) -> None:
    visit = visit_with(dict(plan_of(maker, "empty")))
    page = watched.page(served(visit).url + "plan", pictures=True)
    page.evaluate(axe_source)
    ARTIFACTS.mkdir(exist_ok=True)
    faults: list[str] = []
    drawn: dict[str, list[str]] = {}
    for scene, foot in SCENES:
        visit.become(dict(plan_of(maker, scene, foot)))
        wanted = {"planned": 2, "trimmed": 3}.get(scene, 1)
        _until(lambda wanted=wanted: visit.push() or len(page.evaluate(_DRAWN)) >= wanted)  # type: ignore[misc]
        drawn[scene] = page.evaluate(_DRAWN)
        for fold in page.locator("summary").all():
            if fold.is_visible():
                fold.click()
        for label, size in (("phone", PHONE), ("laptop", LAPTOP)):
            page.set_viewport_size(size)
            visit.push()
            _until(lambda: page.evaluate("document.body.dataset.link") == "live")
            found = page.evaluate(_AXE) + page.evaluate(_TOO_SMALL, [ACTION_PX, NAVIGATION_PX])
            too_wide_px = page.evaluate(_OVERFLOW)
            found += [f"{too_wide_px} px too wide"] if too_wide_px else []
            faults += [f"{scene}, {label}: {one}" for one in found]
            page.screenshot(path=ARTIFACTS / f"plan-{scene}-{label}.png", full_page=True)
    assert faults == []
    assert drawn["planned"] == ["foot", "pad"] and drawn["trimmed"] == ["foot", "pad", "result"]


def test_the_plan_prints_on_one_page_in_the_dark_too(
    watched: Any, plan_of: Any, maker: Any, visit_with: Any, served: Any, axe_source: str
) -> None:
    visit = visit_with(dict(plan_of(maker, "trimmed")))
    server = served(visit)
    watched.context.add_cookies([{"name": "theme", "value": "dark", "url": server.url}])
    page = watched.page(server.url + "plan", pictures=True)
    page.set_viewport_size(PHONE)
    _until(lambda: visit.push() or len(page.evaluate(_DRAWN)) == 3)
    page.evaluate(axe_source)
    assert page.evaluate(_AXE) == []
    page.screenshot(path=ARTIFACTS / "plan-trimmed-phone-dark.png", full_page=True)
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1
    page.evaluate("() => { window.print = () => (window.printed = true); }")
    page.get_by_role("button", name="Print this plan").click()
    assert page.evaluate("window.printed")


def test_the_two_screens_lead_to_each_other_and_both_stay_current(
    watched: Any, plan_of: Any, maker: Any, visit_with: Any, served: Any
) -> None:
    visit = visit_with(dict(plan_of(maker, "measuring")))
    page = watched.page(served(visit).url)
    page.get_by_role("link", name="Measure and plan").click()
    page.get_by_text("How much do I pour, and how long can I work it?").wait_for()
    assert page.locator("nav [aria-current=page]").inner_text() == "Measure and plan"
    visit.push({**{k: v for k, v in plan_of(maker, "planned").items() if "/" in k}})
    page.get_by_text(re.compile(r"Mix \d+ mL")).wait_for()
    page.get_by_role("link", name="Live visit").click()
    page.get_by_role("heading", name="Caliper sheet").wait_for()
    assert page.get_by_text("64.00 mm").is_visible()


def test_a_landing_value_beeps_and_names_the_next_site_once_both_are_switched_on(
    watched: Any, plan_of: Any, maker: Any, visit_with: Any, served: Any
) -> None:
    visit = visit_with(dict(plan_of(maker, "empty")))
    page = watched.page("about:blank")
    page.add_init_script(_HEARD)
    page.goto(served(visit).url + "plan")
    visit.push({"feet/LF": plan_of(maker, "measuring")["feet/LF"]})
    page.get_by_text("12.60 mm").wait_for()
    assert page.evaluate("[heard, said, window.opened]") == [[], [], None]  # off until asked for
    page.get_by_role("button", name="Beep").click()
    page.get_by_role("button", name="Say the site").click()
    assert page.get_by_role("button", name="Say the site on").get_attribute("aria-pressed") == "true"
    _until(lambda: page.evaluate("heard.length") >= 1)
    page.evaluate("() => { heard.length = 0; said.length = 0; }")
    visit.push({"feet/LF": plan_of(maker, "asks")["feet/LF"]})
    _until(lambda: page.evaluate("said.length") == 1)
    assert page.evaluate("heard") == [330, 330]
    assert page.evaluate("said[0][0]") == "near"  # a voice of another machine would be sent the words
    visit.push({"feet/LF": plan_of(maker, "planned")["feet/LF"]})
    _until(lambda: page.evaluate("said.length") == 2)
    assert page.evaluate("said[1][1]") == "64.0. Every site is measured."
    assert page.evaluate("heard.slice(2)") == [660, 880, 1175]
    visit.push(points={"surface:LF": 31.0})
    page.wait_for_timeout(200)
    assert page.evaluate("said.length") == 2  # nothing landed, nothing is said
    page.reload()
    assert page.get_by_role("button", name="Beep on").get_attribute("aria-pressed") == "true"


def test_a_wish_a_redo_a_skip_and_another_foot_are_sent(
    watched: Any, plan_of: Any, maker: Any, visit_with: Any, served: Any
) -> None:
    visit = visit_with(dict(plan_of(maker, "measuring")))
    page = watched.page(served(visit).url + "plan")
    page.get_by_text("Plan it another way").click()
    page.get_by_label("Taken off the wall").fill("3,5")
    page.get_by_label("Trim, then pour").check()
    page.get_by_role("button", name="Plan it so").click()
    _until(lambda: len(visit.marks) == 1)
    page.get_by_role("button", name="Take the last one again").click()
    _until(lambda: len(visit.marks) == 2)
    page.get_by_role("button", name="Skip this site").click()
    _until(lambda: len(visit.marks) == 3)
    page.get_by_role("button", name="Right front").click()
    _until(lambda: len(visit.marks) == 4)
    assert [{k: v for k, v in mark.items() if k != "id"} for mark in visit.marks] == [
        {
            "mark": "plan", "foot": "LF", "share_percent": 50, "trim_mm": 3.5,
            "order": "trim before pour", "material_degC": None,
        },
        {"mark": "redo", "foot": "LF"},
        {"mark": "skip", "foot": "LF"},
        {"mark": "hand", "foot": "RF", "site": None},
    ]  # fmt: skip


def _until(done: Any, timeout_s: float = 8.0) -> None:
    ends_s = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < ends_s, "never came true"
        time.sleep(0.03)
