"""Starting and stopping the page: sockets, the gate, waitress in a thread."""

from __future__ import annotations

import errno
import logging
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import waitress

from dashboards.app import make_app
from dashboards.feed import STREAM_LIMIT, Feed, VisitSource
from dashboards.gate import BODY_LIMIT_BYTES, ENTER, Gate, content_policy
from dashboards.packed_files import PackedFiles

THREADS = 2 * STREAM_LIMIT  # every stream holds one, so as many again stay free
STOP_S = 3.0
KEPT_IN_MEMORY_BYTES = (
    8 * 1024 * 1024
)  # more than the plotting library, so that no answer goes through a file
HTTP_PORT = 80
HIGHEST_PORT = 65535
# An address reserved for documentation (RFC 5737): connecting a datagram socket sends nothing, it only asks
# the system which of its own addresses it would use.
_ANY_OUTSIDE = ("192.0.2.1", 9)


class ServerError(Exception):
    """The page cannot be served; the text is one sentence for the person."""


@dataclass(slots=True)
class RunningServer:
    """A page being served.

    url    where this laptop opens it
    lan    the address other devices use, None unless it was asked for
    """

    url: str
    lan: str | None
    _gate: Gate
    _feed: Feed
    _server: Any
    _channels: dict[int, Any]
    _thread: threading.Thread

    def new_link(self) -> str:
        """A link that lets one other device in, once; ServerError when the page is this laptop's alone."""
        if self.lan is None:
            raise ServerError(
                "The page is open to this laptop alone: start it again with --lan to let others in."
            )
        return f"{self.lan}{ENTER.lstrip('/')}?token={self._gate.new_token()}"

    def streams(self) -> int:
        """How many pages follow the visit now."""
        return self._feed.stream_count()

    def stop(self) -> None:
        """End the streams and the server; returns when its thread has ended."""
        self._feed.stop()
        trigger = next((c for c in list(self._channels.values()) if hasattr(c, "pull_trigger")), None)
        if trigger is not None:  # runs in the server's own thread
            trigger.pull_trigger(lambda: _close_all(self._channels))
        self._thread.join(timeout=STOP_S)
        self._server.task_dispatcher.shutdown(timeout=STOP_S)


def serve(
    source: VisitSource,
    *,
    host: str = "127.0.0.1",
    port: int = 8050,
    lan: bool = False,
    open_ready: Callable[[str], None] | None = None,
    link_ready: Callable[[str], None] | None = None,
    secret: bytes | None = None,
) -> RunningServer:
    """Serve the page of one visit until stop() is called.

    port        0 takes any free one
    lan         also listen on the laptop's network address, for devices let in by new_link()
    open_ready  called with the address once the page can be opened
    link_ready  with lan, called with each fresh single-use link: at the start and whenever one was used
    secret      signs sessions; give the same again after a restart and devices stay let in
    raises      ServerError when the port is taken or there is no network
    """
    if not 0 <= port <= HIGHEST_PORT:
        raise ServerError(f"Port {port} is outside 0 to {HIGHEST_PORT}: choose another with --port.")
    lan_host = _network_address() if lan else None
    sockets = [_listening(host, port)]
    port = sockets[0].getsockname()[1]
    if lan_host is not None:
        try:
            sockets.append(_listening(lan_host, port))
        except ServerError:
            sockets[0].close()
            raise
    feed = Feed(source)
    app = make_app(source, feed)
    packed = PackedFiles(app.server)
    names = [host, "127.0.0.1", "localhost", "[::1]", *([lan_host] if lan_host else [])]

    def offer_link() -> None:
        if link_ready is not None:
            link_ready(running.new_link())

    gate = Gate(
        packed,
        hosts=[f"{name}:{port}" for name in names] + (names if port == HTTP_PORT else []),
        policy=content_policy(app.csp_hashes()),
        lan=lan,
        secret=secret,
        entered=offer_link,
    )
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # "task queue depth" is no event for a person
    channels: dict[int, Any] = {}
    server = waitress.create_server(
        gate,
        map=channels,
        sockets=sockets,
        threads=THREADS,
        max_request_body_size=BODY_LIMIT_BYTES,
        outbuf_overflow=KEPT_IN_MEMORY_BYTES,
        ident=None,
        clear_untrusted_proxy_headers=True,
    )
    feed.start()
    thread = threading.Thread(target=server.run, name="page server", daemon=True)
    thread.start()
    threading.Thread(target=_pack_plot, args=(app, packed), name="packing", daemon=True).start()
    running = RunningServer(
        url=f"http://{host}:{port}/",
        lan=f"http://{lan_host}:{port}/" if lan_host else None,
        _gate=gate,
        _feed=feed,
        _server=server,
        _channels=channels,
        _thread=thread,
    )
    if open_ready is not None:
        open_ready(running.url)
    if lan:
        offer_link()
    return running


def _pack_plot(app: Any, packed: PackedFiles) -> None:
    """Have the plotting library compressed by the time a page asks for it."""
    with app.server.app_context():
        packed.pack(app.plot_address())


def _listening(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port))
    except OSError as why:
        if why.errno == errno.EADDRINUSE:
            text = (
                f"Port {port} on {host} is already in use: stop that program or choose another with --port."
            )
        elif why.errno == errno.EACCES:
            text = (
                f"Port {port} on {host} needs more rights than you have: choose one above 1023 with --port."
            )
        else:
            text = f"The page cannot be served on {host}:{port} ({why.strerror}): check the address."
        raise ServerError(text) from None


def _network_address() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_ANY_OUTSIDE)
        except OSError:
            raise ServerError(
                "This laptop has no network address: join a Wi-Fi or open its hotspot, then start again."
            ) from None
        return str(probe.getsockname()[0])


def _close_all(channels: dict[int, Any]) -> None:
    for channel in list(channels.values()):
        channel.close()
    channels.clear()
