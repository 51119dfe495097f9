"""A wire to the listener that is cut before acknowledgements reach the node: given, and lost."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from tests.journeys.acknowledged import CONNACK, PUBACK_BYTES


@dataclass
class Cutting:
    """Passes everything up, and acknowledgements down until `passes` of them went through; then it cuts.

    `swallowed`: for each connection, how many acknowledgements had come and were not passed on.
    """

    target: Callable[[], int]
    passes: Callable[[], int | None]
    swallowed: list[int] = field(default_factory=list)
    is_open: bool = True
    _server: socket.socket = field(default_factory=lambda: socket.create_server(("127.0.0.1", 0)))

    @property
    def port(self) -> int:
        """Where a node connects."""
        return int(self._server.getsockname()[1])

    def run(self) -> None:
        """Serve one connection after the other, until the end."""
        while self.is_open:
            with suppress(OSError):
                ours, _ = self._server.accept()
                with ours, socket.create_connection(("127.0.0.1", self.target())) as theirs:
                    up = threading.Thread(target=_pump, args=(ours, theirs))
                    up.start()
                    self._down(theirs, ours)
                    for one in (ours, theirs):
                        with suppress(OSError):
                            one.shutdown(socket.SHUT_RDWR)
                    up.join()

    def end(self) -> None:
        """Accept nobody more."""
        self.is_open = False
        with suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()

    def _down(self, theirs: socket.socket, ours: socket.socket) -> None:
        passes = self.passes()
        left = None if passes is None else len(CONNACK) + passes * PUBACK_BYTES
        while data := theirs.recv(1 << 16):
            if left is not None and len(data) > left:
                ours.sendall(data[:left])
                self.swallowed.append((len(data) - left) // PUBACK_BYTES)
                return
            ours.sendall(data)
            left = None if left is None else left - len(data)


def _pump(one: socket.socket, other: socket.socket) -> None:
    with suppress(OSError):
        while data := one.recv(1 << 16):
            other.sendall(data)
    with suppress(OSError):
        other.shutdown(socket.SHUT_RDWR)


@contextmanager
def cutting(target: Callable[[], int], passes: Callable[[], int | None]) -> Iterator[Cutting]:
    """Such a wire, gone with the block. passes: asked at each connection; None cuts nothing."""
    wire = Cutting(target, passes)
    thread = threading.Thread(target=wire.run, name="cutting")
    thread.start()
    try:
        yield wire
    finally:
        wire.end()
        thread.join()
