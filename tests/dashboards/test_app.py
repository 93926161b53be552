"""The application: what it sends, what it takes, and that nothing odd ever ends in a 500."""

from __future__ import annotations

import base64
import hashlib
import json
import random
import re
from typing import Any

import pytest

from dashboards.app import VisitPage, make_app
from dashboards.page_requests import mark_sent, typed_sent

HEAT = {"mark": "heat", "id": "page-1", "foot": "LF", "on": True}


@pytest.fixture
def visit(visit_of: Any) -> Any:
    return visit_of("drying")


@pytest.fixture
def app(visit: Any) -> VisitPage:
    app = make_app(visit)
    app.feed.refresh()
    return app


@pytest.fixture
def client(app: VisitPage) -> Any:
    return app.server.test_client()


def _callback(app: VisitPage, data: object) -> dict[str, Any]:
    return {
        "output": "trace-place.children",
        "outputs": {"id": "trace-place", "property": "children"},
        "inputs": [{"id": "trace-wanted", "property": "data", "value": data}],
        "changedPropIds": ["trace-wanted.data"],
    }


def test_the_page_is_complete_before_any_script(client: Any) -> None:
    html = client.get("/").text
    assert html.startswith("<!DOCTYPE html>\n<html")
    assert "KEEP DRYING" in html
    assert "SIMULATED – INVENTED DATA" in html
    assert 'id="react-entry-point"' in html


def test_the_page_names_no_other_machine(client: Any) -> None:
    html = client.get("/").text
    assert re.findall(r'(?:src|href|action)="(?:https?:)?//[^"]*"', html) == []


def test_every_inline_script_is_allowed_by_its_hash(app: VisitPage, client: Any) -> None:
    html = client.get("/").text
    inline = re.findall(r"<script(?![^>]*(?:src=|application/json))[^>]*>(.*?)</script>", html, re.S)
    hashes = [f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in inline]
    assert len(inline) == 1
    assert set(hashes) <= set(app.csp_hashes())


def test_charts_wait_in_a_template_until_the_words_are_painted(client: Any) -> None:
    html = client.get("/").text
    template = html[html.index('<template id="chart-scripts"') : html.index("</template>")]
    assert html.count("dash_renderer") == template.count("dash_renderer") == 1
    assert "plotly.v" in template


def test_the_theme_of_the_cookie_is_in_the_first_paint(client: Any) -> None:
    client.set_cookie("theme", "dark")
    assert 'data-theme="dark"' in client.get("/").text
    client.set_cookie("theme", '"><script>')
    assert 'data-theme="light"' in client.get("/").text


def test_the_trace_comes_through_dash_as_a_figure(app: VisitPage, client: Any) -> None:
    client.get("/")
    answer = client.post("/_dash-update-component", json=_callback(app, {"foot": "LF", "theme": "light"}))
    graph = answer.json["response"]["trace-place"]["children"]
    assert graph["type"] == "Graph"
    assert len(graph["props"]["figure"]["data"][0]["x"]) == 600
    assert len(answer.data) < 60_000


@pytest.mark.parametrize(
    "wanted", [None, 1, "LF", {}, {"foot": "XX", "theme": "light"}, {"foot": ["LF"], "theme": {}}]
)
def test_a_trace_of_nothing_is_no_update(app: VisitPage, client: Any, wanted: object) -> None:
    client.get("/")
    assert client.post("/_dash-update-component", json=_callback(app, wanted)).status_code in (200, 204)


def test_fuzzed_callbacks_are_bad_requests_and_never_a_fault_of_ours(app: VisitPage, client: Any) -> None:
    client.get("/")
    rng = random.Random(7)
    good = _callback(app, {"foot": "LF", "theme": "light"})
    pieces: list[object] = [
        None,
        0,
        -1,
        1e308,
        "",
        "LF",
        [],
        {},
        [[]],
        {"id": "x"},
        True,
        "a.b",
        ["."],
        [None],
    ]
    for _ in range(300):
        body = json.loads(json.dumps(good))
        for key in rng.sample([*body, "state", "parsedChangedPropsIds"], rng.randint(1, 3)):
            if rng.random() < 0.3:
                body.pop(key, None)
            else:
                body[key] = rng.choice(pieces)
        status = client.post("/_dash-update-component", json=body).status_code
        assert status < 500, body
    for raw in (b"", b"{", b"\xff\xfe", b"[1,2]", b"null", b'"x"', b"[" * 20_000):
        status = client.post("/_dash-update-component", data=raw, content_type="application/json").status_code
        assert status == 400, raw[:20]


def test_a_mark_reaches_the_collector_as_it_was_sent(visit: Any, client: Any) -> None:
    assert client.post("/mark", json=HEAT).status_code == 202
    assert visit.marks == [HEAT]


def test_a_refusal_of_the_visit_is_told_in_its_own_words(visit: Any, client: Any) -> None:
    visit.refuse = "This is a replay: its marks are on record and nothing can be added."
    answer = client.post("/mark", json=HEAT)
    assert (answer.status_code, answer.text.strip()) == (409, visit.refuse)


@pytest.mark.parametrize(
    "odd",
    [
        [],
        "heat",
        {},
        {"mark": "begin", "id": "x"},
        {"mark": ["heat"], "id": "x"},
        {**HEAT, "on": "yes"},
        {**HEAT, "on": 1},
        {**HEAT, "foot": "XX"},
        {**HEAT, "foot": ["LF"]},
        {**HEAT, "id": "../x"},
        {**HEAT, "id": 5},
        {**HEAT, "more": 1},
        {"mark": "hand", "id": "x", "foot": "LF", "site": "nose"},
        {"mark": "fitness", "id": "x", "foot": "LF", "signs": [["smell"]]},
        {"mark": "fitness", "id": "x", "foot": "LF", "signs": ["pretty"]},
        {
            "mark": "poured",
            "id": "x",
            "foot": "LF",
            "thickness_mm": "8",
            "material_degC": None,
            "cover": "none",
        },
        {"mark": "poured", "id": "x", "foot": "LF", "thickness_mm": 8, "material_degC": None, "cover": []},
        {"mark": "next_site", "id": "x", "foot": "LF", "site": "toe\n"},
        {"mark": "undo", "id": "x", "of": ""},
    ],
)
def test_an_odd_mark_never_reaches_the_collector(visit: Any, client: Any, odd: object) -> None:
    assert client.post("/mark", json=odd).status_code == 409
    assert visit.marks == []


def test_a_number_that_is_no_number_is_refused(visit: Any, client: Any) -> None:
    body = b'{"mark":"mixed","id":"x","foot":"LF","material_degC":NaN}'
    assert client.post("/mark", data=body, content_type="application/json").status_code == 409
    assert visit.marks == []


def test_a_mark_must_come_as_json(client: Any) -> None:
    assert client.post("/mark", data="mark=heat").status_code == 400
    assert client.post("/mark", data=b"{", content_type="application/json").status_code == 400


@pytest.mark.parametrize(
    ("sent", "typed"),
    [
        ({"text": "12,34", "unit": "mm"}, "12,34 mm"),
        ({"text": " 0.5 ", "unit": "in"}, "0.5 in"),
        ({"text": "12.34 mm", "unit": "in"}, "12.34 mm"),
        ({"text": "12", "unit": "furlong"}, "12"),
    ],
)
def test_a_typed_value_carries_the_unit_its_field_states(sent: dict[str, str], typed: str) -> None:
    assert typed_sent(sent) == typed


@pytest.mark.parametrize(
    "odd", [None, 5, {}, {"text": ""}, {"text": "  "}, {"text": "1" * 41}, {"text": "1\x002"}]
)
def test_an_odd_typed_value_is_refused_in_words(odd: object) -> None:
    with pytest.raises(ValueError, match="type a length"):
        typed_sent(odd)


def test_a_mark_is_passed_on_without_its_container_s_tricks() -> None:
    assert mark_sent(HEAT) == HEAT


@pytest.mark.parametrize(
    "path", ["/nowhere", "/assets/nothing.js", "/_dash-component-suites/os/x.js", "/_reload-hash", "/_mcp"]
)
def test_unknown_paths_are_not_found(client: Any, path: str) -> None:
    assert client.get(path).status_code == 404


def test_one_stream_too_many_gets_a_clear_answer(app: VisitPage, client: Any) -> None:
    taken = [app.feed.stream(None, f"page-{n}") for n in range(8)]
    answer = client.get("/feed?page=ninth")
    assert answer.status_code == 503
    assert "8 pages already follow this visit" in answer.text
    assert answer.headers["Retry-After"] == "30"
    assert len(taken) == 8


def test_the_stream_resumes_from_the_last_event_id(app: VisitPage, visit: Any, client: Any) -> None:
    row_id = str(app.feed.start_of_page()[1]["id"])
    visit.push(points={"surface:LF": 40.0})
    app.feed.pump(0.0)
    answer = client.get("/feed?page=a&after=old-1", headers={"Last-Event-ID": row_id}, buffered=False)
    assert answer.content_type == "text/event-stream"
    chunks = iter(answer.response)
    next(chunks)
    assert b'"surface:LF"' in next(chunks)
    answer.close()


def test_two_pages_of_two_visits_do_not_mix(visit_of: Any) -> None:
    first, second = make_app(visit_of("drying")), make_app(visit_of("ready"))
    for app in (first, second):
        app.feed.refresh()
    assert "KEEP DRYING" in first.server.test_client().get("/").text
    assert "POUR NOW" in second.server.test_client().get("/").text
