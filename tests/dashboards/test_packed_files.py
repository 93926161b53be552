"""Files are packed once, kept for good when their address carries a version, and asked again otherwise."""

from __future__ import annotations

import gzip
from typing import Any
from wsgiref.util import setup_testing_defaults

import pytest

from dashboards.packed_files import KEPT_FILES, PackedFiles

PLAIN = b"function draw() {}\n" * 200
VERSIONED = "/_dash-component-suites/plotly/package_data/plotly.v7_1_0m1764000000.min.js"


class Files:
    """Counts how often each file is really read."""

    def __init__(self) -> None:
        self.reads: list[str] = []

    def __call__(self, environ: dict[str, Any], start_response: Any) -> list[bytes]:
        self.reads.append(environ["PATH_INFO"])
        if environ["PATH_INFO"].endswith("missing.js"):
            start_response("404 Not Found", [("Content-Type", "text/plain")])
            return [b"no"]
        kind = "image/png" if environ["PATH_INFO"].endswith("png") else "text/javascript"
        start_response("200 OK", [("Content-Type", kind)])
        return [PLAIN]


def _asked(app: PackedFiles, path: str, **headers: str) -> tuple[str, dict[str, str], bytes]:
    environ: dict[str, Any] = {}
    setup_testing_defaults(environ)
    environ.update(PATH_INFO=path.partition("?")[0], QUERY_STRING=path.partition("?")[2], **headers)
    told: dict[str, Any] = {}
    body = b"".join(app(environ, lambda s, h, e=None: told.update(status=s, headers=dict(h))))  # type: ignore[arg-type, func-returns-value]
    return told["status"][:3], told["headers"], body


@pytest.fixture
def files() -> Files:
    return Files()


@pytest.fixture
def packed(files: Files) -> PackedFiles:
    return PackedFiles(files)  # type: ignore[arg-type]


def test_a_versioned_file_is_packed_once_and_kept_for_good(packed: PackedFiles, files: Files) -> None:
    for _ in range(3):
        status, headers, body = _asked(packed, VERSIONED, HTTP_ACCEPT_ENCODING="gzip, br")
        assert (status, headers["Content-Encoding"]) == ("200", "gzip")
        assert "immutable" in headers["Cache-Control"]
        assert gzip.decompress(body) == PLAIN
    assert files.reads == [VERSIONED]


def test_who_cannot_unpack_gets_it_plain(packed: PackedFiles) -> None:
    _, headers, body = _asked(packed, VERSIONED)
    assert "Content-Encoding" not in headers
    assert headers["Vary"] == "Accept-Encoding"
    assert body == PLAIN


def test_a_file_without_a_version_is_asked_for_again_by_its_tag(packed: PackedFiles) -> None:
    _, headers, _ = _asked(packed, "/assets/page.css")
    assert headers["Cache-Control"] == "no-cache"
    status, _, body = _asked(packed, "/assets/page.css", HTTP_IF_NONE_MATCH=headers["ETag"])
    assert (status, body) == ("304", b"")
    assert "immutable" in _asked(packed, "/assets/page.css?m=1764000000")[1]["Cache-Control"]


def test_a_picture_is_not_packed_again(packed: PackedFiles) -> None:
    headers = _asked(packed, "/assets/hoof.png", HTTP_ACCEPT_ENCODING="gzip")[1]
    assert "Content-Encoding" not in headers


def test_a_missing_file_stays_missing_and_is_not_kept(packed: PackedFiles, files: Files) -> None:
    assert _asked(packed, "/assets/missing.js")[0] == "404"
    assert _asked(packed, "/assets/missing.js")[0] == "404"
    assert len(files.reads) == 2


def test_invented_versions_do_not_fill_the_memory(packed: PackedFiles) -> None:
    for n in range(KEPT_FILES + 20):
        _asked(packed, VERSIONED.replace("1764000000", str(n)))
    assert len(packed._kept) == KEPT_FILES


def test_a_conditional_first_request_still_stores_the_whole_file(packed: PackedFiles) -> None:
    assert _asked(packed, VERSIONED, HTTP_RANGE="bytes=0-9", HTTP_IF_NONE_MATCH="x")[2] == PLAIN


def test_everything_else_passes_through(packed: PackedFiles, files: Files) -> None:
    assert _asked(packed, "/now")[0] == "200"
    assert _asked(packed, "/now")[0] == "200"
    assert files.reads == ["/now", "/now"]
