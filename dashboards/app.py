"""The page's application: screens, the feed, marks, and the charts that Dash draws.

Dash serves its own scripts and mounts the charts; the words of the screen are complete in the HTML before it
starts, and stay current without it (assets/live.js).
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from http import HTTPStatus
from importlib.resources import files
from pathlib import Path
from typing import Any

from dash import Dash, Input, Output, dcc, html, no_update
from dash.exceptions import DependencyException
from flask import Flask, Response, abort, request

from dashboards import words
from dashboards.feed import NS_PER_MS, Feed, VisitSource
from dashboards.figures import TRACE_MS, trace_figure
from dashboards.figures_sole import sole_figures
from dashboards.page import THEMES, document
from dashboards.page_requests import callback_fault, mark_sent, typed_sent
from dashboards.screens import screen_at
from hoofsense.records import Foot

STYLE, SCRIPT, ICON = "page.css", "live.js", "hoof.svg"
PLAN_STYLE = "plan.css"
PLOT_PACKAGE, PLOT_FILE = "plotly", "package_data/plotly.min.js"
OWN_PATHS = ("/feed", "/now", "/mark", "/typed", "/figures")
DASH_FOLDERS = ("/_dash-component-suites/", "/assets/")
DASH_PATHS = ("/_dash-layout", "/_dash-dependencies", "/_dash-update-component", "/_favicon.ico")
_CALLBACK_PATH = "/_dash-update-component"


class VisitPage(Dash):
    """Dash with our own document around its entry point."""

    def __init__(self, source: VisitSource, feed: Feed) -> None:
        super().__init__(
            __name__,
            title=words.TITLE,
            update_title="",
            assets_folder=str(files("dashboards") / "assets"),
            include_assets_files=False,
            serve_locally=True,
            add_log_handler=False,
            **_where_known(enable_mcp=False),
        )
        self.source = source
        self.feed = feed

    def interpolate_index(
        self,
        metas: str = "",
        title: str = "",
        css: str = "",
        config: str = "",
        scripts: str = "",
        app_entry: str = "",
        favicon: str = "",
        renderer: str = "",
    ) -> str:
        """The document of the screen asked for; its head and icon are our own."""
        screen = screen_at(request.path)
        if screen is None:
            abort(HTTPStatus.NOT_FOUND)
        slots, start = self.feed.start_of_page()
        theme = request.cookies.get("theme", THEMES[0])
        return document(
            screen,
            slots,
            start,
            theme=theme if theme in THEMES else THEMES[0],
            links={
                "style": self._asset(STYLE),
                "script": self._asset(SCRIPT),
                "icon": self._asset(ICON),
                "plot": self.plot_address(),
            },
            more=[self._asset(name) for name in (PLAN_STYLE, *screen.scripts)],
            chart_head=css,
            chart_entry=app_entry,
            chart_config=config,
            chart_scripts=scripts,
            chart_renderer=renderer,
        )

    def plot_address(self) -> str:
        """Address of the plotting library with its version in it, so that it can be kept for good."""
        wanted = [
            resource
            for resource in dcc._js_dist
            if resource.get("relative_package_path") == PLOT_FILE and resource["namespace"] == PLOT_PACKAGE
        ]
        return str(self._collect_and_register_resources(wanted[-1:])[0])  # type: ignore[no-untyped-call]

    def _asset(self, name: str) -> str:
        written = int(Path(self.config.assets_folder, name).stat().st_mtime)
        return f"{self.get_asset_url(name)}?m={written}"


def make_app(source: VisitSource, feed: Feed | None = None) -> VisitPage:
    """The application of one visit. Its feed follows the visit once feed.start() has been called."""
    app = VisitPage(source, Feed(source) if feed is None else feed)
    app.layout = html.Div([dcc.Store(id="trace-wanted"), html.Div(id="trace-place")], id="charts")

    @app.callback(Output("trace-place", "children"), Input("trace-wanted", "data"), prevent_initial_call=True)
    def trace(wanted: object) -> object:
        foot = wanted.get("foot") if isinstance(wanted, dict) else None
        theme = wanted.get("theme") if isinstance(wanted, dict) else None
        if not isinstance(foot, str) or foot not in Foot.__members__ or theme not in THEMES:
            return no_update
        return dcc.Graph(
            id="trace",
            figure=_trace_now(source, app.feed.view_now(), foot, str(theme)),
            config={"displayModeBar": False, "responsive": True},
            animate=False,
        )

    _add_routes(app.server, app)
    return app


def _trace_now(source: VisitSource, view: dict[str, Any], foot: str, theme: str) -> dict[str, Any]:
    now_ms = int(view["at_ms"])
    since_ns = (now_ms - TRACE_MS) * NS_PER_MS
    return trace_figure(
        source.trace(f"surface:{foot}", since_ns),
        source.trace("air", since_ns),
        source.trace("dew", since_ns),
        ((view.get("feet") or {}).get(foot) or {}).get("marks") or (),
        now_ms,
        theme,
        foot,
    )


def _where_known(**options: Any) -> dict[str, Any]:
    """Those options this release of Dash has."""
    import inspect

    known = inspect.signature(Dash.__init__).parameters
    return {name: value for name, value in options.items() if name in known}


def _add_routes(server: Flask, app: VisitPage) -> None:
    @server.before_request
    def only_known_paths() -> Response | None:
        path = request.path
        if path.startswith(DASH_FOLDERS) or path in DASH_PATHS + OWN_PATHS or screen_at(path) is not None:
            return None
        return _said(words.NOT_FOUND, HTTPStatus.NOT_FOUND)

    @server.before_request
    def only_our_callbacks() -> Response | None:
        if request.path != _CALLBACK_PATH or request.method != "POST":
            return None
        why = callback_fault(_json_sent(), app.callback_map)
        if why is None:
            return None
        return _said(words.MARK_NOT_UNDERSTOOD.format(why=why), HTTPStatus.BAD_REQUEST)

    @server.errorhandler(DependencyException)
    def no_such_file(_: Exception) -> Response:
        return _said(words.NOT_FOUND, HTTPStatus.NOT_FOUND)

    @server.get("/feed")
    def feed() -> Response:
        row_id = request.headers.get("Last-Event-ID") or request.args.get("after")
        stream = app.feed.stream(row_id, request.args.get("page", "")[:40])
        if stream is None:
            refusal = _said(words.BUSY_STREAMS, HTTPStatus.SERVICE_UNAVAILABLE)
            refusal.headers["Retry-After"] = "30"
            return refusal
        return Response(stream, content_type="text/event-stream", headers={"Cache-Control": "no-store"})

    @server.get("/now")
    def now() -> Response:
        bodies = app.feed.messages_after(request.args.get("after"))
        return Response(f"[{','.join(bodies)}]", content_type="application/json")

    @server.get("/figures")
    def figures() -> Response:
        return _figures(app.feed.view_now(), request.args.get("foot", ""), request.args.get("theme", ""))

    @server.post("/mark")
    def mark() -> Response:
        return _taken(lambda body: app.source.mark(mark_sent(body)))

    @server.post("/typed")
    def typed() -> Response:
        return _taken(lambda body: app.source.typed(typed_sent(body)))


def _figures(view: dict[str, Any], foot: str, theme: str) -> Response:
    """The figures of one foot's plan as JSON; an empty object where there is none."""
    plan = (view.get("plan") or {}).get(foot)
    facts = (view.get("feet") or {}).get(foot) or {}
    following = (facts.get("sheet") or {}).get("next")
    drawn = {} if plan is None else sole_figures(plan, following, theme)
    body = json.dumps(drawn, separators=(",", ":"), ensure_ascii=False)
    return Response(body, content_type="application/json", headers={"Cache-Control": "no-store"})


_TAKING = threading.Lock()  # marks are passed on in the order they came


def _taken(passed_on: Callable[[object], object]) -> Response:
    """202 when what was sent is queued; 409 with a sentence when it is refused; 400 when it is not JSON."""
    body = _json_sent()
    if body is None:
        return _said(words.MARK_NOT_UNDERSTOOD.format(why="not JSON"), HTTPStatus.BAD_REQUEST)
    try:
        with _TAKING:
            passed_on(body)
    except ValueError as why:
        return _said(str(why), HTTPStatus.CONFLICT)
    return Response("{}", HTTPStatus.ACCEPTED, content_type="application/json")


def _json_sent() -> Any:
    """The JSON of the request; None when it is none, or nested too deeply to be anything a page sends."""
    try:
        return request.get_json(silent=True)
    except RecursionError:
        return None


def _said(sentence: str, status: HTTPStatus) -> Response:
    return Response(f"{sentence}\n", status, content_type="text/plain; charset=utf-8")
