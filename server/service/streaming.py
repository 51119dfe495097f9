"""Flask behind Tornado: an answer goes out while it is made, and no thread waits for a slow reader."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from http import HTTPStatus
from typing import Any

from tornado.httputil import HTTPHeaders, HTTPServerRequest, ResponseStartLine
from tornado.ioloop import IOLoop
from tornado.iostream import StreamClosedError
from tornado.wsgi import WSGIContainer

Headers = list[tuple[str, str]]
BODILESS = {HTTPStatus.NO_CONTENT, HTTPStatus.NOT_MODIFIED}


class Streaming(WSGIContainer):
    """Sends each piece of an answer when the last has gone; says nothing of what serves it.

    The library's own collects the whole answer in memory first, and names itself with its version.
    """

    async def handle_request(self, request: HTTPServerRequest) -> None:
        """Answer one request."""
        loop, told = IOLoop.current(), _Told()
        answer = await loop.run_in_executor(
            self.executor, self.wsgi_application, self.environ(request), told.start
        )
        connection = request.connection
        assert connection is not None  # noqa: S101  (a request that came has one)
        pieces = iter(answer)
        with closing(_Closed(answer)):
            try:
                await connection.write_headers(told.line(), told.head(answer))
                while (piece := await loop.run_in_executor(self.executor, next, pieces, None)) is not None:
                    if piece:
                        await connection.write(piece)
                connection.finish()
            except StreamClosedError:
                return
        self._log(told.line().code, request)


class _Told:
    """What the application said before its first piece."""

    def __init__(self) -> None:
        self.status, self.headers = "500 Internal Server Error", [("Content-Length", "0")]

    def start(self, status: str, headers: Headers, _exc_info: Any = None) -> Callable[[bytes], object]:
        self.status, self.headers = status, headers
        return lambda _piece: None

    def line(self) -> ResponseStartLine:
        code, _, reason = self.status.partition(" ")
        return ResponseStartLine("HTTP/1.1", int(code), reason)

    def head(self, answer: Iterable[bytes]) -> HTTPHeaders:
        head = HTTPHeaders()
        for name, value in self.headers:
            head.add(name, value)
        if "Content-Length" not in head and self.line().code not in BODILESS and isinstance(answer, list):
            head["Content-Length"] = str(sum(map(len, answer)))
        return head


class _Closed:
    """Closes an answer that asks for it."""

    def __init__(self, answer: Iterable[bytes] | Iterator[bytes]) -> None:
        self._answer = answer

    def close(self) -> None:
        if close := getattr(self._answer, "close", None):
            close()
