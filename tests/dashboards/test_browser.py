"""The page in a real Chromium: what a person sees, presses and hears of."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser

ACTION_PX, NAVIGATION_PX = 72, 56  # gloves (our own rule; WCAG 2.2 AAA asks for 44)
PHONE = {"width": 390, "height": 844}
LAPTOP = {"width": 1440, "height": 900}
ARTIFACTS = Path(__file__).parents[2] / "test-artifacts"
TRACE_DRAWN = "#trace .js-line"

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
        ['button.action, .chip span, .measured input, .measured select, .tile, .attention', action],
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
_GAPS = """
() => {
    const at = document.querySelector('#trace .js-plotly-plot').data[0].x.map(Number);
    return [at.length, Math.max(...at.slice(1).map((x, i) => x - at[i])), at[at.length - 1]];
}
"""


def test_every_state_has_no_accessibility_violation_and_targets_for_gloves(
    watched: Any, visit_of: Any, served: Any, scenes: Any, axe_source: str
) -> None:
    visit = visit_of("drying")
    page = watched.page(served(visit).url, pictures=True)
    page.evaluate(axe_source)
    ARTIFACTS.mkdir(exist_ok=True)
    faults: list[str] = []
    for name, scene in scenes.items():
        view = scene()
        visit.become(view)
        _until_true(page, "(told) => document.body.textContent.includes(told)", _proof_of(view))
        for label, size in (("phone", PHONE), ("laptop", LAPTOP)):
            page.set_viewport_size(size)
            visit.push()
            _until_true(page, "() => ['live', 'ended'].includes(document.body.dataset.link)")
            found = page.evaluate(_AXE) + page.evaluate(_TOO_SMALL, [ACTION_PX, NAVIGATION_PX])
            too_wide_px = page.evaluate(_OVERFLOW)
            found += [f"{too_wide_px} px too wide"] if too_wide_px else []
            faults += [f"{name}, {label}: {one}" for one in found]
            page.screenshot(path=ARTIFACTS / f"live-{name}-{label}.png")
    assert faults == []


def _proof_of(view: dict[str, Any]) -> str:
    foot = view.get(f"feet/{view['in_hand']['foot']}")
    return "Tap the foot you are holding." if foot is None else str(foot["verdict"]["because"])


def test_the_dark_screen_is_opt_in_kept_and_has_no_violation(
    watched: Any, visit_of: Any, served: Any, while_beating: Any, axe_source: str
) -> None:
    visit = visit_of("too_hot")
    server = served(visit)
    page = watched.page(server.url, pictures=True)
    assert page.evaluate("document.documentElement.dataset.theme") == "light"
    page.get_by_role("button", name="Change to the dark screen").click()
    again = watched.page(server.url, pictures=True)
    assert again.evaluate("document.documentElement.dataset.theme") == "dark"
    with while_beating(visit):
        again.wait_for_selector(TRACE_DRAWN)
        again.evaluate(axe_source)
        assert again.evaluate(_AXE) == []
        ARTIFACTS.mkdir(exist_ok=True)
        again.screenshot(path=ARTIFACTS / "live-too_hot-phone-dark.png")


def test_the_verdict_is_in_the_page_before_any_script_runs(visit_of: Any, served: Any, chromium: Any) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(served(visit_of("ready")).url)
    assert "POUR NOW" in page.content()
    assert not page.get_by_text(
        "POUR NOW", exact=True
    ).is_visible()  # it could not stay current, so it is not shown
    assert not page.get_by_text("READY", exact=True).first.is_visible()
    assert page.locator("noscript p").is_visible()
    context.close()


def test_no_reading_shows_after_3_s_without_an_event_and_goes_when_one_comes(
    watched: Any, visit_of: Any, served: Any
) -> None:
    visit = visit_of("ready")
    page = watched.page(served(visit).url)
    visit.push()
    page.get_by_text("POUR NOW", exact=True).wait_for()
    page.get_by_text("NO READING", exact=True).wait_for(timeout=6000)
    assert not page.get_by_text("POUR NOW", exact=True).is_visible()
    assert page.get_by_text("last 16:00:00").is_visible()
    page.get_by_text("No contact").wait_for(timeout=5000)
    visit.push()
    page.get_by_text("POUR NOW", exact=True).wait_for()
    assert not page.get_by_text("NO READING", exact=True).is_visible()


def test_an_ended_visit_shows_how_it_stood_and_raises_no_alarm(
    watched: Any, visit_of: Any, served: Any
) -> None:
    visit = visit_of("ended")
    page = watched.page(served(visit).url)
    visit.push()
    page.wait_for_timeout(3600)
    assert page.get_by_text("This visit ended at").is_visible()
    assert page.get_by_text("DONE", exact=True).is_visible()
    assert not page.get_by_text("NO READING", exact=True).is_visible()
    assert page.locator("#link").inner_text() == "Ended"


def test_an_old_ready_goes_by_itself_when_the_scripts_have_died(
    watched: Any, visit_of: Any, served: Any
) -> None:
    visit = visit_of("ready")
    page = watched.page(served(visit).url)
    visit.push()
    page.get_by_text("POUR NOW", exact=True).wait_for()
    page.evaluate("() => { for (let n = 1; n < 10000; n += 1) clearInterval(n); }")  # every timer of the page
    page.get_by_text("NO READING", exact=True).wait_for(timeout=6000)
    assert page.evaluate("document.body.dataset.link") == "live"  # no script noticed; the style sheet did
    assert not page.get_by_text("POUR NOW", exact=True).is_visible()


def test_the_screen_and_the_trace_have_no_hole_after_the_server_restarts(
    watched: Any, visit_of: Any, served: Any, while_beating: Any
) -> None:
    watched.allowed = ("Failed to load resource", "ERR_CONNECTION", "ERR_INCOMPLETE")
    visit = visit_of("drying")
    first = served(visit)
    page = watched.page(first.url, pictures=True)
    port = int(first.url.rstrip("/").rpartition(":")[2])
    with while_beating(visit):
        page.wait_for_selector(TRACE_DRAWN)
        first.stop()
        page.wait_for_timeout(2500)  # points go on coming while the server is away
        served(visit, port=port)
        _until_true(page, "() => document.body.dataset.link === 'live'")
        page.wait_for_timeout(1500)
        count, widest_ms, _ = page.evaluate(_GAPS)
    assert count > 590
    assert widest_ms < 2200  # seconds are thinned to one point each; the server was away for longer


def test_live_points_reach_the_trace_and_the_words(
    watched: Any, visit_of: Any, served: Any, while_beating: Any
) -> None:
    visit = visit_of("drying")
    page = watched.page(served(visit).url, pictures=True)
    with while_beating(visit):
        page.wait_for_selector(TRACE_DRAWN)
        _, _, before_ms = page.evaluate(_GAPS)
        _until(lambda: page.evaluate(_GAPS)[2] > before_ms, timeout_s=8.0)
    assert "the sole began at" in page.locator("#trace-words").inner_text()


def test_taking_a_foot_in_hand_is_one_tap_and_is_sent_once(watched: Any, visit_of: Any, served: Any) -> None:
    visit = visit_of("drying")
    page = watched.page(served(visit).url)
    page.get_by_role("button", name="Left hind").first.click()
    _until(lambda: visit.marks)
    assert [{k: v for k, v in m.items() if k != "id"} for m in visit.marks] == [
        {"mark": "hand", "foot": "LH", "site": None}
    ]
    visit.push({"in_hand": {"foot": "LH", "site": None}})
    page.get_by_role("heading", name="Verdict").wait_for()
    page.get_by_text("Can I trim?").wait_for()
    assert page.locator("[aria-pressed=true] .held").inner_text() == "IN HAND"


def test_a_refused_mark_says_why(watched: Any, visit_of: Any, served: Any) -> None:
    watched.allowed = ("Failed to load resource: the server responded with a status of 409",)
    visit = visit_of("drying")
    visit.refuse = "Heat belongs to dry, but LF is in cure."
    page = watched.page(served(visit).url)
    page.get_by_role("button", name="Heat off", exact=True).click()
    page.get_by_role("alert").get_by_text("Heat belongs to dry").wait_for()


def test_any_sign_found_says_at_once_not_to_seal_the_foot_in(
    watched: Any, visit_of: Any, served: Any
) -> None:
    visit = visit_of("prepare")
    page = watched.page(served(visit).url)
    warning = page.get_by_text("Do not seal this foot in. Refer it to a veterinarian.")
    assert not warning.is_visible()
    assert page.get_by_role("button", name="Nothing found: start drying").is_visible()
    page.get_by_label("Discharge").check()
    assert warning.is_visible()
    assert not page.get_by_role("button", name="Nothing found: start drying").is_visible()
    page.get_by_role("button", name="Write it down and leave it open").click()
    _until(lambda: visit.marks)
    assert visit.marks[0]["signs"] == ["discharge"]


def test_a_pour_is_sent_with_its_thickness_temperature_and_cover(
    watched: Any, visit_of: Any, served: Any
) -> None:
    visit = visit_of("pouring")
    page = watched.page(served(visit).url)
    page.get_by_label("Thickness of the fill").fill("7,5")
    page.get_by_label("Film").check()
    page.get_by_role("button", name="Poured").click()
    _until(lambda: visit.marks)
    sent = {k: v for k, v in visit.marks[0].items() if k != "id"}
    assert sent == {
        "mark": "poured",
        "foot": "LF",
        "thickness_mm": 7.5,
        "material_degC": None,
        "cover": "film",
    }


def test_a_typed_value_survives_the_screen_changing_and_carries_its_unit(
    watched: Any, visit_of: Any, served: Any, while_beating: Any
) -> None:
    visit = visit_of("drying")
    page = watched.page(served(visit).url)
    field = page.get_by_label("Typed value")
    with while_beating(visit):
        field.fill("12,34")
        page.wait_for_timeout(500)
        assert field.input_value() == "12,34"
    page.get_by_role("button", name="Enter").click()
    _until(lambda: visit.typed_texts)
    assert visit.typed_texts == ["12,34 mm"]
    _until_true(page, "() => document.getElementById('typed').value === ''")


def test_a_mark_can_be_taken_back(watched: Any, visit_of: Any, served: Any) -> None:
    visit = visit_of("drying")
    page = watched.page(served(visit).url)
    page.get_by_role("button", name="Take back : Heat on").first.click()
    _until(lambda: visit.marks)
    assert visit.marks[0]["mark"] == "undo"
    assert visit.marks[0]["of"] == "m4"


def test_a_hidden_tab_lets_go_of_its_stream_and_takes_it_up_again(
    watched: Any, visit_of: Any, served: Any
) -> None:
    visit = visit_of("ready")
    server = served(visit)
    page = watched.page(server.url)
    visit.push()
    _until_true(page, "() => document.body.dataset.link === 'live'")
    _set_hidden(page, True)
    visit.push()
    _until(lambda: visit.push() or server.streams() == 0)
    assert not page.get_by_text("POUR NOW", exact=True).is_visible()
    _set_hidden(page, False)
    visit.push()
    page.get_by_text("POUR NOW", exact=True).wait_for()


def test_one_page_too_many_is_told_and_still_follows_once_a_second(
    watched: Any, visit_of: Any, served: Any, while_beating: Any
) -> None:
    watched.allowed = ("Failed to load resource: the server responded with a status of 503",)
    visit = visit_of("ready")
    server = served(visit)
    taken = [server._feed.stream(None, f"other-{n}") for n in range(8)]
    page = watched.page(server.url)
    with while_beating(visit):
        page.get_by_text("Connected, asking each second").wait_for()
        assert page.get_by_text("POUR NOW", exact=True).is_visible()
    assert len(taken) == 8


def test_only_a_changed_verdict_is_announced(watched: Any, visit_of: Any, served: Any, scenes: Any) -> None:
    visit = visit_of("drying")
    page = watched.page(served(visit).url)
    page.evaluate(
        "() => { window.told = 0; new MutationObserver(() => (window.told += 1))"
        ".observe(document.querySelector('[role=status]'), {childList: true, characterData: true}); }"
    )
    foot = scenes["drying"]()["feet/LF"]
    other = {**foot["verdict"], "because": "The medial sulcus warmed only 9.9 K more; 12 K is needed there."}
    visit.push({"feet/LF": {**foot, "verdict": other}})
    page.get_by_text("9.9 K").wait_for()
    assert page.evaluate("window.told") == 0
    visit.push({"feet/LF": scenes["ready"]()["feet/LF"]})
    page.get_by_text("POUR NOW", exact=True).first.wait_for()
    _until_true(page, "() => window.told === 1")


def test_the_keyboard_alone_reaches_the_feet_and_the_actions(
    watched: Any, visit_of: Any, served: Any
) -> None:
    page = watched.page(served(visit_of("drying")).url)
    seen: list[str] = []
    for _ in range(12):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.dataset.key || document.activeElement.id || ''"))
    assert "tile-LF" in seen
    assert "heat-LF-False" in seen
    assert seen.index("tile-LF") < seen.index("heat-LF-False")


def _set_hidden(page: Any, hidden: bool) -> None:
    page.evaluate(
        "(hidden) => { Object.defineProperty(document, 'hidden', {configurable: true, get: () => hidden});"
        " document.dispatchEvent(new Event('visibilitychange')); }",
        hidden,
    )


def _until_true(page: Any, expression: str, argument: object = None) -> None:
    """Ask again and again from here: the page's own policy forbids a waiting script made of text."""
    ends_s = time.monotonic() + 8.0
    while not page.evaluate(expression, argument):
        assert time.monotonic() < ends_s, f"never came true: {expression} {argument}"
        page.wait_for_timeout(30)


def _until(done: Any, timeout_s: float = 5.0) -> None:
    ends_s = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < ends_s, "nothing came"
        time.sleep(0.02)
