"""The gate: every attack gets its own refusal, and a link works once."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any
from urllib.parse import urlencode
from wsgiref.util import setup_testing_defaults

import pytest

from dashboards.gate import BODY_LIMIT_BYTES, WRONG_TRIES, WRONG_WINDOW_S, Gate, content_policy

HOST = "127.0.0.1:8050"
LAN = "192.168.7.2:8050"
PHONE = "192.168.7.9"


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def _inner(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
    start_response("200 OK", [("Content-Type", "text/plain")])
    return [b"inside"]


def _asked(
    gate: Gate, path: str = "/", method: str = "GET", body: bytes = b"", **headers: str
) -> tuple[int, dict[str, str], bytes]:
    environ: dict[str, Any] = {}
    setup_testing_defaults(environ)
    environ.update(
        PATH_INFO=path.partition("?")[0],
        QUERY_STRING=path.partition("?")[2],
        REQUEST_METHOD=method,
        HTTP_HOST=HOST,
        REMOTE_ADDR="127.0.0.1",
        CONTENT_LENGTH=str(len(body)),
    )
    environ["wsgi.input"] = io.BytesIO(body)
    environ.update(headers)
    told: dict[str, Any] = {}

    def start(status: str, sent: list[tuple[str, str]], exc_info: Any = None) -> None:
        told.update(status=int(status[:3]), headers={k.lower(): v for k, v in sent})

    answer = b"".join(gate(environ, start))  # type: ignore[arg-type]
    return told["status"], told["headers"], answer


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def gate(clock: Clock) -> Gate:
    return Gate(_inner, hosts=[HOST, "localhost:8050"], policy=content_policy([]))


@pytest.fixture
def lan_gate(clock: Clock) -> Gate:
    return Gate(_inner, hosts=[HOST, LAN], policy=content_policy([]), lan=True, monotonic_s=clock)


def _from_phone(
    gate: Gate, path: str = "/", method: str = "GET", **more: Any
) -> tuple[int, dict[str, str], bytes]:
    return _asked(gate, path, method, **{"HTTP_HOST": LAN, "REMOTE_ADDR": PHONE, **more})


def _enter(gate: Gate, token: str, **more: Any) -> tuple[int, dict[str, str], bytes]:
    return _from_phone(gate, "/enter", "POST", body=urlencode({"token": token}).encode(), **more)


def test_the_laptop_itself_gets_in(gate: Gate) -> None:
    status, headers, body = _asked(gate)
    assert (status, body) == (200, b"inside")
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "unsafe-eval" not in headers["content-security-policy"]


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8050", "127.0.0.1", "127.0.0.1:8051", ""])
def test_a_foreign_host_is_misdirected(gate: Gate, host: str) -> None:
    assert _asked(gate, HTTP_HOST=host)[0] == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"HTTP_ORIGIN": "http://evil.example"},
        {"HTTP_ORIGIN": "null"},
        {"HTTP_ORIGIN": "http://127.0.0.1:9999"},
        {"HTTP_SEC_FETCH_SITE": "cross-site"},
        {"HTTP_SEC_FETCH_SITE": "same-site"},
        {
            "HTTP_SEC_FETCH_SITE": "cross-site",
            "HTTP_SEC_FETCH_MODE": "navigate",
            "HTTP_SEC_FETCH_DEST": "iframe",
        },
    ],
)
def test_what_another_site_caused_is_forbidden(gate: Gate, headers: dict[str, str]) -> None:
    assert _asked(gate, "/mark", "POST", **headers)[0] == 403
    assert _asked(gate, "/feed", **headers)[0] == 403


def test_a_link_followed_from_elsewhere_may_open_the_page_but_post_nothing(gate: Gate) -> None:
    link = {
        "HTTP_SEC_FETCH_SITE": "cross-site",
        "HTTP_SEC_FETCH_MODE": "navigate",
        "HTTP_SEC_FETCH_DEST": "document",
    }
    assert _asked(gate, **link)[0] == 200
    assert _asked(gate, "/mark", "POST", **link)[0] == 403


@pytest.mark.parametrize(
    "path", ["/../etc/passwd", "/assets/../app.py", "/a//b", "/a\\b", "/a\x00b", "assets", "/./"]
)
def test_a_strange_path_is_not_found(gate: Gate, path: str) -> None:
    assert _asked(gate, path)[0] == 404


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT"])
def test_other_methods_are_not_allowed(gate: Gate, method: str) -> None:
    assert _asked(gate, method=method)[0] == 405


@pytest.mark.parametrize("length", [str(BODY_LIMIT_BYTES + 1), "-1", "many"])
def test_an_oversize_or_senseless_body_is_refused(gate: Gate, length: str) -> None:
    assert _asked(gate, "/mark", "POST", CONTENT_LENGTH=length)[0] == 413


def test_another_device_needs_a_session(lan_gate: Gate) -> None:
    assert _from_phone(lan_gate)[0] == 401
    assert _from_phone(lan_gate, HTTP_COOKIE="hoofsense_session=forged.value.here")[0] == 401
    assert _from_phone(lan_gate, HTTP_COOKIE="hoofsense_session=; \x00=")[0] == 401
    assert _asked(lan_gate)[0] == 200  # the laptop itself


def test_a_link_lets_one_device_in_once(lan_gate: Gate) -> None:
    token = lan_gate.new_token()
    status, headers, _ = _enter(lan_gate, token)
    assert status == 303
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert _from_phone(lan_gate, HTTP_COOKIE=cookie.partition(";")[0])[0] == 200
    assert _enter(lan_gate, token)[0] == 403


def test_looking_at_a_link_does_not_use_it_up(lan_gate: Gate) -> None:
    token = lan_gate.new_token()
    status, _, body = _from_phone(lan_gate, f"/enter?token={token}")
    assert status == 200
    assert token.encode() in body
    assert _enter(lan_gate, token)[0] == 303


def test_a_new_link_ends_the_earlier_one(lan_gate: Gate) -> None:
    old = lan_gate.new_token()
    lan_gate.new_token()
    assert _enter(lan_gate, old)[0] == 403


def test_no_token_is_right_when_none_was_given_out(lan_gate: Gate) -> None:
    assert _enter(lan_gate, "")[0] == 403
    assert _enter(lan_gate, "None")[0] == 403


def test_the_sixth_wrong_try_must_wait_even_when_right(lan_gate: Gate, clock: Clock) -> None:
    token = lan_gate.new_token()
    for _ in range(WRONG_TRIES):
        assert _enter(lan_gate, "wrong")[0] == 403
    status, headers, _ = _enter(lan_gate, token)
    assert status == 429
    assert headers["retry-after"] == "60"
    assert _enter(lan_gate, token, REMOTE_ADDR="192.168.7.10")[0] == 303  # another device is not slowed
    clock.now_s = WRONG_WINDOW_S + 1.0
    assert _enter(lan_gate, lan_gate.new_token())[0] == 303


def test_a_session_of_another_server_is_worth_nothing(lan_gate: Gate) -> None:
    other = Gate(_inner, hosts=[LAN], policy="", lan=True)
    cookie = _enter(other, other.new_token())[1]["set-cookie"].partition(";")[0]
    assert _from_phone(lan_gate, HTTP_COOKIE=cookie)[0] == 401


def test_with_the_same_secret_a_device_stays_in_after_a_restart() -> None:
    first = Gate(_inner, hosts=[LAN], policy="", lan=True, secret=b"kept")
    again = Gate(_inner, hosts=[LAN], policy="", lan=True, secret=b"kept")
    cookie = _enter(first, first.new_token())[1]["set-cookie"].partition(";")[0]
    assert _from_phone(again, HTTP_COOKIE=cookie)[0] == 200


def test_a_used_link_is_followed_by_a_new_one() -> None:
    given: list[str] = []
    gate = Gate(_inner, hosts=[LAN], policy="", lan=True, entered=lambda: given.append(gate.new_token()))
    assert _enter(gate, gate.new_token())[0] == 303
    assert _enter(gate, given[0])[0] == 303


def test_what_is_offered_as_a_token_is_escaped(lan_gate: Gate) -> None:
    body = _from_phone(lan_gate, "/enter?token=%22%3E%3Cscript%3E")[2]
    assert b"<script" not in body
