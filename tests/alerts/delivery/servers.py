"""Servers on this computer that behave well and badly, over real sockets."""

import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

Script = Callable[[socket.socket, bytes], None]


@dataclass
class WebServer:
    """Takes one request a connection, keeps it, and answers as its script does."""

    port: int = 0
    requests: list[bytes] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def bodies(self) -> list[bytes]:
        return [request.partition(b"\r\n\r\n")[2] for request in self.requests]

    def headers(self, number: int = -1) -> dict[str, str]:
        head = self.requests[number].partition(b"\r\n\r\n")[0].decode("latin-1")
        return {
            name.lower(): value.strip()
            for name, _, value in (row.partition(":") for row in head.split("\r\n"))
        }


def says(status: str, *headers: str) -> Script:
    """An answer with a status and no body."""

    def script(connection: socket.socket, _request: bytes) -> None:
        head = "\r\n".join([f"HTTP/1.1 {status}", "Content-Length: 0", *headers])
        connection.sendall(f"{head}\r\n\r\n".encode())

    return script


def hangs(server: WebServer) -> Script:
    """No answer at all until the server is stopped."""

    def script(_connection: socket.socket, _request: bytes) -> None:
        server.stop.wait(20)

    return script


def drips(server: WebServer) -> Script:
    """A byte of a head without end every few milliseconds: no read timeout is ever met."""

    def script(connection: socket.socket, _request: bytes) -> None:
        with suppress(OSError):
            connection.sendall(b"HTTP/1.1 200 OK\r\nX: ")
            while not server.stop.wait(0.01):
                connection.sendall(b"x")

    return script


def floods(connection: socket.socket, _request: bytes) -> None:
    """Heads without end."""
    with suppress(OSError):
        connection.sendall(b"HTTP/1.1 200 OK\r\n")
        while True:
            connection.sendall(b"X-More: " + b"x" * 8000 + b"\r\n")


def hangs_up(_connection: socket.socket, _request: bytes) -> None:
    """The request is taken, the connection cut before the answer."""


@contextmanager
def web_server(
    script: Callable[[WebServer], Script], *, tls: ssl.SSLContext | None = None
) -> Iterator[WebServer]:
    """A server on a free port of the loopback."""
    server = WebServer()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        server.port = listening.getsockname()[1]
        act = script(server)
        thread = threading.Thread(target=_serve, args=(listening, server, act, tls), daemon=True)
        thread.start()
        yield server
        server.stop.set()
        with suppress(OSError):
            listening.shutdown(socket.SHUT_RDWR)
        thread.join(10)


def _serve(listening: socket.socket, server: WebServer, act: Script, tls: ssl.SSLContext | None) -> None:
    while not server.stop.is_set():
        try:
            connection, _ = listening.accept()
        except OSError:
            return
        connection.settimeout(10)
        try:
            secured = connection if tls is None else tls.wrap_socket(connection, server_side=True)
            with secured:
                server.requests.append(_request_of(secured))
                act(secured, server.requests[-1])
        except OSError:
            connection.close()


def _request_of(connection: socket.socket) -> bytes:
    data = b""
    while b"\r\n\r\n" not in data:
        data += _some(connection)
    head, _, body = data.partition(b"\r\n\r\n")
    length = next(
        (
            int(row.split(b":")[1])
            for row in head.split(b"\r\n")
            if row.lower().startswith(b"content-length:")
        ),
        0,
    )
    while len(body) < length:
        body += _some(connection)
    return head + b"\r\n\r\n" + body


def _some(connection: socket.socket) -> bytes:
    """What comes next; raises where nothing comes any more, as of a client that was killed."""
    if not (found := connection.recv(65536)):
        raise ConnectionAbortedError
    return found


def certificate(folder: Path, name: str) -> tuple[Path, Path]:
    """A certificate of a name, signed by itself, and its key, made by the computer's `openssl`."""
    cert, key = folder / "cert.pem", folder / "key.pem"
    subprocess.run(
        [
            *(
                "openssl",
                "req",
                "-x509",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:prime256v1",
                "-nodes",
            ),
            *("-keyout", str(key), "-out", str(cert), "-days", "2", "-subj", f"/CN={name}"),
            *("-addext", f"subjectAltName=DNS:{name}"),
        ],
        check=True,
        capture_output=True,
    )
    return cert, key
