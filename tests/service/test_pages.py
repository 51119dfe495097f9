"""The pages' process: it knows how fresh its news is, and keeps few connections of one address."""

import asyncio
import socket
from pathlib import Path

import pytest
from tornado.httputil import HTTPHeaders, HTTPServerRequest, ResponseStartLine

from server.service import pages
from server.service.pages import Bounded, Health


def test_news_older_than_five_seconds_is_no_news() -> None:
    at = [0.0]
    health = Health(monotonic=lambda: at[0])
    assert health() is None
    health.take(b'{"queue_packs": 3}\n')
    at[0] = 5.0
    assert health() == {"queue_packs": 3}
    at[0] = 5.1
    assert health() is None


def test_the_secret_is_made_once_and_ours_alone(tmp_path: Path) -> None:
    first = pages._secret(tmp_path)
    assert len(first) == 32
    assert pages._secret(tmp_path) == first
    assert (tmp_path / "pages.secret").stat().st_mode & 0o777 == 0o600


def _plain(request: HTTPServerRequest) -> None:
    assert request.connection is not None
    request.connection.write_headers(
        ResponseStartLine("HTTP/1.1", 200, "OK"), HTTPHeaders({"Content-Length": "4"}), b"well"
    )
    request.connection.finish()


async def _opened(server: Bounded, listening: socket.socket, count: int) -> list[bool]:
    """Open connections one by one; for each, whether it still stands after a request was answered on it."""
    server.add_socket(listening)
    address, stands, kept = listening.getsockname(), [], []
    for _ in range(count):
        reader, writer = await asyncio.open_connection(*address)
        writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        try:
            stands.append(b"200" in await asyncio.wait_for(reader.readline(), 5))
        except ConnectionError:
            stands.append(False)
        kept.append(writer)
    for writer in kept:
        writer.close()
    while server.open_connections.total():
        await asyncio.sleep(0)
    server.stop()
    return stands


def test_one_address_keeps_so_many_connections(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "CONNECTIONS_AN_ADDRESS", 3)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.setblocking(False)  # noqa: FBT003  (the library takes it so)
        assert asyncio.run(_opened(Bounded(_plain), listening, 5)) == [True, True, True, False, False]
