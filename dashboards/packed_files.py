"""Scripts and styles, compressed once and kept: the plotting library is 4.8 MB plain and 1.4 MB packed.

A file whose address carries its version may be kept by the browser for good ("immutable"); any other is asked
for again with its tag and answered 304 while it has not changed.
"""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

FOLDERS = ("/_dash-component-suites/", "/assets/")
PACKED_TYPES = ("text/", "application/javascript", "application/json", "image/svg+xml")
LEVEL = 6  # of gzip: 9 takes twice the time for 1 % less (measured on the plotting library)
KEPT_FILES = 64  # the page has about 25; an invented version in an address must not fill the memory
KEEP_S = 365 * 24 * 3600


_CONDITIONS = ("HTTP_RANGE", "HTTP_IF_RANGE", "HTTP_IF_NONE_MATCH", "HTTP_IF_MODIFIED_SINCE")


@dataclass(frozen=True, slots=True)
class PackedFile:
    content_type: str
    plain: bytes
    packed: bytes | None
    tag: str


class PackedFiles:
    """Answers GET and HEAD of static files itself after the first time; passes everything else on."""

    def __init__(self, inner: WSGIApplication) -> None:
        self._inner = inner
        self._kept: dict[str, PackedFile] = {}

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        path = environ.get("PATH_INFO", "")
        if environ["REQUEST_METHOD"] not in ("GET", "HEAD") or not path.startswith(FOLDERS):
            return self._inner(environ, start_response)
        kept = self._kept.get(path)
        if kept is None:
            status, kept, headers = self._fetched(path, environ)
            if not status.startswith("200"):
                start_response(status, headers)
                return [kept.plain]
            self._keep(path, kept)
        return _answer(kept, path, environ, start_response)

    def pack(self, path: str) -> None:
        """Have a file ready before it is first asked for; an unknown path is left alone."""
        environ: WSGIEnvironment = {
            "REQUEST_METHOD": "GET",
            "SCRIPT_NAME": "",
            "SERVER_NAME": "127.0.0.1",
            "SERVER_PORT": "80",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "wsgi.url_scheme": "http",
        }
        if path not in self._kept:
            status, kept, _ = self._fetched(path, environ)
            if status.startswith("200"):
                self._keep(path, kept)

    def _keep(self, path: str, kept: PackedFile) -> None:
        if len(self._kept) < KEPT_FILES:
            self._kept[path] = kept

    def _fetched(self, path: str, environ: WSGIEnvironment) -> tuple[str, PackedFile, list[tuple[str, str]]]:
        """(status, the file, headers) as the application behind serves it, whole and unconditionally."""
        answered: dict[str, Any] = {}

        def take(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Any:
            answered.update(status=status, headers=headers)
            return lambda data: None

        asked = {key: value for key, value in environ.items() if key not in _CONDITIONS}
        asked.update(REQUEST_METHOD="GET", PATH_INFO=path)
        parts = self._inner(asked, take)
        try:
            plain = b"".join(parts)
        finally:
            close = getattr(parts, "close", None)
            if close is not None:
                close()
        headers = dict((name.lower(), value) for name, value in answered["headers"])
        content_type = headers.get("content-type", "application/octet-stream")
        packed = gzip.compress(plain, LEVEL, mtime=0) if content_type.startswith(PACKED_TYPES) else None
        tag = f'"{hashlib.sha256(plain).hexdigest()[:20]}"'
        return answered["status"], PackedFile(content_type, plain, packed, tag), answered["headers"]


def _answer(
    kept: PackedFile, path: str, environ: WSGIEnvironment, start_response: StartResponse
) -> Iterable[bytes]:
    headers = [
        ("Content-Type", kept.content_type),
        ("ETag", kept.tag),
        ("Vary", "Accept-Encoding"),
        (
            "Cache-Control",
            f"public, max-age={KEEP_S}, immutable" if _has_version(path, environ) else "no-cache",
        ),
    ]
    if environ.get("HTTP_IF_NONE_MATCH") == kept.tag:
        start_response("304 Not Modified", headers)
        return [b""]
    body = kept.plain
    if kept.packed is not None and "gzip" in environ.get("HTTP_ACCEPT_ENCODING", ""):
        body = kept.packed
        headers.append(("Content-Encoding", "gzip"))
    headers.append(("Content-Length", str(len(body))))
    start_response("200 OK", headers)
    return [b""] if environ["REQUEST_METHOD"] == "HEAD" else [body]


def _has_version(path: str, environ: WSGIEnvironment) -> bool:
    """Dash writes ".v<version>m<time>." into a name; our own assets carry "?m=<time>"."""
    name = path.rpartition("/")[2].split(".")
    fingerprint = len(name) > 2 and name[1].startswith("v") and "m" in name[1]
    return fingerprint or environ.get("QUERY_STRING", "").startswith("m=")
