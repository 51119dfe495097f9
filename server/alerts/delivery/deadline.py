"""A connection that ends by an hour of its own, however slowly the other side drips, and hears so much."""

import io
import socket
import time
from types import TracebackType
from typing import Any


class TooMuchError(OSError):
    """The other side answers without end."""


class Deadline:
    """Seconds that are left, counted from its making."""

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds

    def left_s(self) -> float:
        """What is left. Raises TimeoutError when nothing is."""
        left = self._end - time.monotonic()
        if left <= 0:
            raise TimeoutError("the time is over")
        return left


class DeadlinedSocket:
    """What `http.client` and `smtplib` ask of a socket, under a deadline and a bound of what is read.

    A read timeout alone does not end a server that sends a byte at a time.
    """

    def __init__(self, real: socket.socket, deadline: Deadline, *, most_bytes: int) -> None:
        self._real, self._deadline, self._most = real, deadline, most_bytes

    def sendall(self, data: bytes) -> None:
        """Send it all within the time that is left."""
        self._real.settimeout(self._deadline.left_s())
        self._real.sendall(data)

    def makefile(self, *_mode: object, **_options: object) -> io.BufferedReader:
        """A reader under the same deadline."""
        return io.BufferedReader(_Reader(self._real, self._deadline, self._most))

    def close(self) -> None:
        """Close the connection."""
        self._real.close()

    def __enter__(self) -> "DeadlinedSocket":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _Reader(io.RawIOBase):
    def __init__(self, real: socket.socket, deadline: Deadline, most_bytes: int) -> None:
        super().__init__()
        self._real, self._deadline, self._left = real, deadline, most_bytes

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        self._real.settimeout(self._deadline.left_s())
        count = self._real.recv_into(buffer)
        self._left -= count
        if self._left < 0:
            raise TooMuchError("an answer without end")
        return count
