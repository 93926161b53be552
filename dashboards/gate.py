"""Who may talk to the page: a small WSGI gate in front of everything else.

By default only this laptop: the address asked for must be its own (421 otherwise, which also defeats DNS
rebinding), and nothing another site caused is let through (403). On a LAN every other device first needs a
session (401), which it gets once by a single-use link; wrong tries are slowed (429). Plain HTTP can be read
on a shared Wi-Fi: the entry page says so.
"""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections.abc import Callable, Iterable
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit
from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

from itsdangerous import BadSignature, URLSafeTimedSerializer

from dashboards import words
from dashboards.markup import element

COOKIE = "hoofsense_session"
SESSION_S = 12 * 3600  # a visit is one horse on one day
WRONG_TRIES = 5  # then 429 until the window has passed
WRONG_WINDOW_S = 60.0
ADDRESSES_KEPT = 1000  # of those that tried wrongly; the oldest is forgotten first
BODY_LIMIT_BYTES = 64 * 1024
TOKEN_BYTES = 24
METHODS = ("GET", "HEAD", "POST")
ENTER = "/enter"

_HEADERS = (
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Frame-Options", "DENY"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), microphone=(), geolocation=()"),
)


class Gate:
    """Wraps a WSGI application.

    hosts     Host headers that are this laptop's, lower case, with port where it is not 80
    lan       whether other devices may enter with a single-use link
    policy    the content security policy sent with every answer
    secret    signs session cookies
    monotonic_s  a clock for the rate of wrong tries
    entered   called after a device was let in, when its link is used up
    """

    def __init__(
        self,
        inner: WSGIApplication,
        *,
        hosts: Iterable[str],
        policy: str,
        lan: bool = False,
        secret: bytes | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
        entered: Callable[[], None] | None = None,
    ) -> None:
        self._inner = inner
        self._hosts = frozenset(host.lower() for host in hosts)
        self._lan = lan
        self._headers = [("Content-Security-Policy", policy), *_HEADERS]
        self._signer = URLSafeTimedSerializer(secret or secrets.token_bytes(32), salt="hoofsense session")
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._entered = entered
        self._token: str | None = None
        self._wrong: dict[str, list[float]] = {}

    def new_token(self) -> str:
        """A token that lets one device in, once. An earlier unused one stops working."""
        with self._lock:
            self._token = secrets.token_urlsafe(TOKEN_BYTES)
            return self._token

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        def guarded(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Any:
            names = {name.lower() for name, _ in headers}
            extra = [(name, value) for name, value in self._headers if name.lower() not in names]
            if "cache-control" not in names:
                extra.append(("Cache-Control", "no-store"))
            return start_response(status, headers + extra, exc_info)

        refusal = self._refusal(environ)
        if refusal is not None:
            return _plain(guarded, *refusal)
        if environ.get("PATH_INFO") == ENTER and self._lan:
            return self._enter(environ, guarded)
        if self._lan and not _is_this_machine(environ) and not self._has_session(environ):
            return _plain(guarded, HTTPStatus.UNAUTHORIZED, words.GATE_SESSION)
        return self._inner(environ, guarded)

    def _refusal(self, environ: WSGIEnvironment) -> tuple[HTTPStatus, str] | None:
        host = environ.get("HTTP_HOST", "").lower()
        if host not in self._hosts:
            return HTTPStatus.MISDIRECTED_REQUEST, words.GATE_HOST
        if environ["REQUEST_METHOD"] not in METHODS:
            return HTTPStatus.METHOD_NOT_ALLOWED, words.GATE_METHOD
        if _is_from_elsewhere(environ, host):
            return HTTPStatus.FORBIDDEN, words.GATE_CROSS
        if _strange_path(environ.get("PATH_INFO", "")):
            return HTTPStatus.NOT_FOUND, words.NOT_FOUND
        length = environ.get("CONTENT_LENGTH") or "0"
        if not length.isdigit() or int(length) > BODY_LIMIT_BYTES:
            return HTTPStatus.REQUEST_ENTITY_TOO_LARGE, words.GATE_BODY.format(kB=BODY_LIMIT_BYTES // 1024)
        return None

    def _has_session(self, environ: WSGIEnvironment) -> bool:
        try:
            cookie = SimpleCookie(environ.get("HTTP_COOKIE", "")).get(COOKIE)
        except CookieError:
            return False
        if cookie is None:
            return False
        try:
            self._signer.loads(cookie.value, max_age=SESSION_S)
        except BadSignature:  # also when too old
            return False
        return True

    def _enter(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """GET shows a button, POST uses the token: a link preview that only reads does not use it up."""
        address = environ.get("REMOTE_ADDR", "")
        if self._must_wait(address):
            return _plain(
                start_response,
                HTTPStatus.TOO_MANY_REQUESTS,
                words.ENTER_WAIT,
                [("Retry-After", f"{WRONG_WINDOW_S:.0f}")],
            )
        if environ["REQUEST_METHOD"] != "POST":
            token = _first(parse_qs(environ.get("QUERY_STRING", "")), "token")
            return _page(start_response, HTTPStatus.OK, _entry_form(token))
        size = int(environ.get("CONTENT_LENGTH") or "0")
        form = parse_qs(environ["wsgi.input"].read(size).decode("ascii", "replace"))
        if not self._token_used(_first(form, "token")):
            self._remember_wrong(address)
            return _plain(start_response, HTTPStatus.FORBIDDEN, words.ENTER_USED)
        value = self._signer.dumps(secrets.token_hex(8))
        cookie = f"{COOKIE}={value}; Path=/; Max-Age={SESSION_S}; HttpOnly; SameSite=Strict"
        start_response("303 See Other", [("Location", "/"), ("Set-Cookie", cookie), ("Content-Length", "0")])
        if self._entered is not None:
            self._entered()
        return [b""]

    def _token_used(self, offered: str) -> bool:
        with self._lock:
            if self._token is None or not hmac.compare_digest(self._token.encode(), offered.encode()):
                return False
            self._token = None
            return True

    def _must_wait(self, address: str) -> bool:
        with self._lock:
            since_s = self._monotonic_s() - WRONG_WINDOW_S
            recent = [at for at in self._wrong.get(address, ()) if at > since_s]
            return len(recent) >= WRONG_TRIES

    def _remember_wrong(self, address: str) -> None:
        with self._lock:
            now_s = self._monotonic_s()
            recent = [at for at in self._wrong.pop(address, ()) if at > now_s - WRONG_WINDOW_S]
            while len(self._wrong) >= ADDRESSES_KEPT:
                del self._wrong[next(iter(self._wrong))]
            self._wrong[address] = [*recent, now_s]


def content_policy(script_hashes: Iterable[str]) -> str:
    """Only this page's own scripts, connections and pictures; styles may be inline, as charts need."""
    return "; ".join(
        (
            "default-src 'none'",
            " ".join(("script-src 'self'", *script_hashes)),
            "connect-src 'self'",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data:",
            "manifest-src 'self'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def _is_this_machine(environ: WSGIEnvironment) -> bool:
    address = str(environ.get("REMOTE_ADDR", ""))
    return address.startswith("127.") or address == "::1"


def _is_from_elsewhere(environ: WSGIEnvironment, host: str) -> bool:
    """Whether another site caused this request. Plain navigation to the page is let through."""
    origin = environ.get("HTTP_ORIGIN")
    if origin is not None and urlsplit(origin).netloc.lower() != host:
        return True
    site = environ.get("HTTP_SEC_FETCH_SITE", "none")
    if site in ("same-origin", "none"):
        return False
    navigates = environ.get("HTTP_SEC_FETCH_MODE") == "navigate" and environ["REQUEST_METHOD"] == "GET"
    return not (navigates and environ.get("HTTP_SEC_FETCH_DEST") == "document")


def _strange_path(path: str) -> bool:
    return (
        not path.startswith("/")
        or "//" in path
        or "\\" in path
        or any(ord(character) < ord(" ") for character in path)
        or any(part in (".", "..") for part in path.split("/"))
    )


def _first(fields: dict[str, list[str]], name: str) -> str:
    return fields.get(name, [""])[0]


def _plain(
    start_response: Any, status: HTTPStatus, text: str, headers: list[tuple[str, str]] | None = None
) -> Iterable[bytes]:
    body = (text + "\n").encode()
    fixed = [("Content-Type", "text/plain; charset=utf-8"), ("Content-Length", str(len(body)))]
    start_response(f"{status.value} {status.phrase}", fixed + (headers or []))
    return [body]


def _page(start_response: Any, status: HTTPStatus, html: str) -> Iterable[bytes]:
    body = html.encode()
    headers = [("Content-Type", "text/html; charset=utf-8"), ("Content-Length", str(len(body)))]
    start_response(f"{status.value} {status.phrase}", headers)
    return [body]


_ENTRY_STYLE = (
    "body{font:18px/1.5 Arial,system-ui,sans-serif;color:#16191d;background:#fff;max-width:34rem;"
    "margin:2rem auto;padding:0 1rem}"
    "button{font:inherit;font-weight:700;min-height:72px;width:100%;background:#16191d;color:#fff;"
    "border:0;border-radius:10px}"
)


def _entry_form(token: str) -> str:
    form = element(
        "form",
        element("input", type="hidden", name="token", value=token),
        element("button", words.ENTER_BUTTON, type="submit"),
        method="post",
        action=ENTER,
    )
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", words.ENTER_TITLE),
        element("style", _ENTRY_STYLE),
    )
    main = element(
        "main",
        element("h1", words.ENTER_TITLE),
        element("p", words.ENTER_TEXT),
        form,
        element("p", words.ENTER_PLAIN),
    )
    return f"<!DOCTYPE html>\n{element('html', head, element('body', main), lang=words.LANGUAGE)}\n"
