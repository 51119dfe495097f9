"""Answers behind Tornado: whole, in pieces, without a body; and nothing that names the server."""

import asyncio
import socket
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from tornado.httpserver import HTTPServer

from server.service.streaming import Streaming

Start = Callable[..., object]
CLOSED: list[str] = []


def whole(_environ: dict[str, Any], start: Start) -> Iterable[bytes]:
    start("200 OK", [("Content-Type", "text/plain"), ("Content-Length", "4")])
    return [b"well"]


def pieces(_environ: dict[str, Any], start: Start) -> Iterable[bytes]:
    start("200 OK", [("Content-Type", "text/plain")])

    def made() -> Iterator[bytes]:
        try:
            yield b"one "
            yield b""
            yield b"two"
        finally:
            CLOSED.append("pieces")

    return made()


def unchanged(_environ: dict[str, Any], start: Start) -> Iterable[bytes]:
    start("304 NOT MODIFIED", [])
    return []


async def _ask(app: Any, line: str) -> bytes:
    with socket.create_server(("127.0.0.1", 0)) as listening, ThreadPoolExecutor(2) as views:
        listening.setblocking(False)  # noqa: FBT003  (the library takes it so)
        server = HTTPServer(Streaming(app, executor=views))
        server.add_socket(listening)
        reader, writer = await asyncio.open_connection(*listening.getsockname())
        writer.write(f"{line} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        answer = await asyncio.wait_for(reader.read(), 10)
        writer.close()
        server.stop()
        await server.close_all_connections()
    return answer


@pytest.mark.parametrize(
    ("app", "line", "status", "body"),
    [
        (whole, "GET /", b"HTTP/1.1 200 OK", b"well"),
        (pieces, "GET /", b"HTTP/1.1 200 OK", b"4\r\none \r\n3\r\ntwo\r\n0\r\n\r\n"),
        (unchanged, "GET /", b"HTTP/1.1 304 NOT MODIFIED", b""),
    ],
)
def test_an_answer(app: Any, line: str, status: bytes, body: bytes) -> None:
    head, _, came = asyncio.run(_ask(app, line)).partition(b"\r\n\r\n")
    assert head.startswith(status)
    assert came == body
    assert b"server:" not in head.lower()


def test_an_answer_is_closed_once_it_has_gone() -> None:
    CLOSED.clear()
    asyncio.run(_ask(pieces, "GET /"))
    assert CLOSED == ["pieces"]
