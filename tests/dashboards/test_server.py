"""Serving: the port, the network, stopping, and the real path through waitress."""

from __future__ import annotations

import http.client
import json
import socket
import threading
from typing import Any

import pytest

from dashboards.server import ServerError, serve


def _connection(url: str) -> http.client.HTTPConnection:
    return http.client.HTTPConnection(url.removeprefix("http://").rstrip("/"), timeout=5)


def _get(url: str, path: str, **headers: str) -> tuple[int, bytes]:
    connection = _connection(url)
    try:
        connection.request("GET", path, headers={k.replace("_", "-"): v for k, v in headers.items()})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def test_a_port_in_use_is_told_in_one_sentence(visit_of: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(
            ServerError, match=f"Port {port} on 127.0.0.1 is already in use: stop that program"
        ):
            serve(visit_of("drying"), port=port)


@pytest.mark.parametrize("port", [-1, 65_536])
def test_a_port_that_cannot_be_is_told(visit_of: Any, port: int) -> None:
    with pytest.raises(ServerError, match="outside 0 to 65535"):
        serve(visit_of("drying"), port=port)


def test_an_address_of_another_machine_is_told(visit_of: Any) -> None:
    with pytest.raises(ServerError, match=r"cannot be served on 192\.0\.2\.7"):
        serve(visit_of("drying"), host="192.0.2.7", port=0)


def test_the_page_is_ready_when_it_says_so_and_gone_after_stop(visit_of: Any) -> None:
    told: list[str] = []
    server = serve(visit_of("drying"), port=0, open_ready=told.append)
    assert told == [server.url]
    assert _get(server.url, "/")[0] == 200
    server.stop()
    with pytest.raises(ConnectionRefusedError):
        _get(server.url, "/")
    assert [t.name for t in threading.enumerate() if t.name in ("page server", "page feed")] == []


def test_it_listens_on_this_machine_alone_unless_told(visit_of: Any, served: Any) -> None:
    server = served(visit_of("drying"))
    assert server.url.startswith("http://127.0.0.1:")
    with pytest.raises(ServerError, match="--lan"):
        server.new_link()


def test_a_foreign_host_never_reaches_the_page(visit_of: Any, served: Any) -> None:
    server = served(visit_of("drying"))
    assert _get(server.url, "/", Host="evil.example")[0] == 421


def test_an_oversize_body_is_refused(visit_of: Any, served: Any) -> None:
    visit = visit_of("drying")
    connection = _connection(served(visit).url)
    connection.request("POST", "/mark", body=b"x" * 100_000, headers={"Content-Type": "application/json"})
    assert connection.getresponse().status == 413
    connection.close()
    assert visit.marks == []


def test_an_event_travels_to_a_stream_and_stopping_ends_it(visit_of: Any, served: Any) -> None:
    visit = visit_of("drying")
    server = served(visit)
    html = _get(server.url, "/")[1].decode()
    start = json.loads(html.split('id="start">', 1)[1].split("</script>", 1)[0])
    connection = _connection(server.url)
    connection.request("GET", f"/feed?page=a&after={start['id']}")
    answer = connection.getresponse()
    visit.push(points={"surface:LF": 40.0})
    lines = [answer.readline() for _ in range(4)]
    assert lines[2].startswith(b"id: ")
    assert json.loads(lines[3].removeprefix(b"data: "))["p"] == {"surface:LF": [[start["t"] + 250, 40.0]]}
    assert server.streams() == 1
    server.stop()
    connection.close()


def test_without_a_network_lan_is_refused_and_nothing_stays_open(
    visit_of: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_network() -> str:
        raise ServerError("This laptop has no network address: join a Wi-Fi.")

    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    monkeypatch.setattr("dashboards.server._network_address", no_network)
    with pytest.raises(ServerError, match="no network address"):
        serve(visit_of("drying"), port=port, lan=True)
    socket.create_server(("127.0.0.1", port)).close()


def test_on_the_lan_a_single_use_link_is_offered_and_renewed(
    visit_of: Any, served: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboards.server._network_address", lambda: "127.0.0.2")
    links: list[str] = []
    server = served(visit_of("drying"), lan=True, link_ready=links.append)
    assert server.lan == server.url.replace("127.0.0.1", "127.0.0.2")
    connection = _connection(server.lan)
    token = links[0].partition("token=")[2]
    connection.request("POST", "/enter", body=f"token={token}")
    answer = connection.getresponse()
    assert answer.status == 303
    assert "SameSite=Strict" in str(answer.getheader("Set-Cookie"))
    connection.close()
    assert len(links) == 2
    assert links[1] != links[0]
