"""The process that serves the pages: Tornado over Flask, on a socket that the service bound."""

import asyncio
import json
import os
import socket
import time
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from tornado.httpserver import HTTPServer
from tornado.iostream import IOStream

from server.clock import Clock
from server.config import Settings
from server.database import Session, open_engine, session_of
from server.service.streaming import Streaming

STALE_S = 5.0
CONNECTIONS, CONNECTIONS_AN_ADDRESS = 2000, 40
VIEWS = 8


class Health:
    """The service's last word about itself; None once it is older than five seconds."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic, self._at = monotonic, float("-inf")
        self._line: Mapping[str, object] | None = None

    def take(self, line: bytes) -> None:
        """Keep a line that came from the service."""
        self._line, self._at = json.loads(line), self._monotonic()

    def __call__(self) -> Mapping[str, object] | None:
        """The last line, while it is fresh."""
        return self._line if self._monotonic() - self._at <= STALE_S else None


class Bounded(HTTPServer):
    """A server that keeps at most so many connections, and so many of one address."""

    open_connections: Counter[str]

    def initialize(self, *args: Any, **kwargs: Any) -> None:
        """As the library's, with the counts beside it."""
        super().initialize(*args, **kwargs)
        self.open_connections = Counter()

    def handle_stream(self, stream: IOStream, address: Any) -> None:
        """Take a connection, or close it at once when there are too many."""
        host = _host(address)
        too_many = (
            self.open_connections.total() >= CONNECTIONS
            or self.open_connections[host] >= CONNECTIONS_AN_ADDRESS
        )
        if too_many:
            stream.close()
            return
        self.open_connections[host] += 1
        super().handle_stream(stream, address)

    def on_close(self, server_conn: Any) -> None:
        """Count a connection off."""
        super().on_close(server_conn)
        host = _host(server_conn.context.address)
        self.open_connections[host] -= 1
        if self.open_connections[host] <= 0:
            del self.open_connections[host]


def _host(address: Any) -> str:
    return str(address[0]) if isinstance(address, tuple) else ""


def serve_pages(settings: Settings, *, listen_fd: int, pair_fd: int, invented: bool, clock: Clock) -> None:
    """Serve until the socket pair closes, however the service ended."""
    asyncio.run(_serve(settings, listen_fd=listen_fd, pair_fd=pair_fd, invented=invented, clock=clock))


async def _serve(settings: Settings, *, listen_fd: int, pair_fd: int, invented: bool, clock: Clock) -> None:
    from dashboards.create_app import create_app

    readers, writer = open_engine(settings.database, reader=True), open_engine(settings.database)
    health = Health()

    def writing() -> AbstractContextManager[Session]:
        return session_of(writer)

    app = create_app(
        sessions=lambda: Session(readers),
        writing=writing,
        clock=clock,
        health=health,
        hosts=["127.0.0.1", "localhost"],
        secret=_secret(settings.state_dir),
        zone=settings.zone,
        invented=invented,
        base_url=settings.base_url or f"http://{settings.pages_bind.host}:{settings.pages_bind.port}",
    )
    with (
        ThreadPoolExecutor(VIEWS, thread_name_prefix="view") as views,
        socket.socket(fileno=listen_fd) as listening,
    ):
        listening.setblocking(False)  # noqa: FBT003  (the library takes it so)
        server = Bounded(
            Streaming(app, executor=views),
            idle_connection_timeout=10,
            body_timeout=60,
            max_header_size=16384,
            max_body_size=65536,
        )
        server.add_socket(listening)
        await _follow(pair_fd, health)
        server.stop()
    readers.dispose()
    writer.dispose()


async def _follow(pair_fd: int, health: Health) -> None:
    """Take a line a second from the service; return when it closes its end."""
    reader, writer = await asyncio.open_unix_connection(sock=socket.socket(fileno=pair_fd))
    try:
        while line := await reader.readline():
            health.take(line)
    except ConnectionError:
        pass
    finally:
        writer.close()


def _secret(state_dir: Path) -> bytes:
    """Thirty-two bytes that sign the forms, made once and readable by us alone."""
    path = state_dir / "pages.secret"
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_bytes()
    with os.fdopen(handle, "wb") as file:
        file.write(secret := os.urandom(32))
    return secret
