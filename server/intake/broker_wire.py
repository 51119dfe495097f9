"""The socket of a connection to a broker, as paho asks for one, with what comes and goes in large pieces."""

import socket
import ssl
from collections import deque
from contextlib import suppress
from typing import Any

AT_ONCE_BYTES = 1 << 16
FAREWELL_S = 1.0  # how long a last word may take to a broker that does not read


class Wire:
    """A connected socket for paho, which reads only what is passed on to it and writes into a buffer.

    All but `acknowledge` and `end` is called in one thread: a TLS connection allows no more.
    """

    def __init__(self, connected: socket.socket) -> None:
        self._socket = connected
        self._left = b""
        self._passed = bytearray()
        self._unsent = bytearray()
        self._acks: deque[bytes] = deque()
        self.has_ended = False

    # what paho calls

    def recv(self, size: int) -> bytes:
        """Of what was passed on; nothing once the connection has ended."""
        if not self._passed and not self.has_ended:
            raise BlockingIOError
        part = bytes(self._passed[:size])
        del self._passed[:size]
        return part

    def send(self, data: bytes) -> int:
        """Take all of it, to be sent by `flush`: so nothing can stand between the halves of a packet."""
        self._unsent += data
        return len(data)

    def close(self) -> None:
        """Send what is left, if that can be, and close."""
        with suppress(OSError):
            if self._unsent and not self.has_ended:
                self._socket.settimeout(FAREWELL_S)
                self._socket.sendall(self._unsent)
        self.has_ended = True
        self._socket.close()

    def fileno(self) -> int:
        """Its number, for select; -1 once closed."""
        return self._socket.fileno()

    def setblocking(self, flag: bool, /) -> None:
        """Wait in each call, or not; and send small packets at once."""
        self._socket.setblocking(flag)
        with suppress(OSError):
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def settimeout(self, wait_s: float | None) -> None:
        """Wait so long in each call."""
        self._socket.settimeout(wait_s)

    def do_handshake(self) -> None:
        """Of TLS, where that is asked for. Raises OSError, and is closed then."""
        if isinstance(self._socket, ssl.SSLSocket):
            try:
                self._socket.do_handshake()
            except BaseException:
                self._socket.close()
                raise

    # what the link calls

    def take(self) -> bytes:
        """What came, behind what was put back; nothing new when the socket has none."""
        try:
            if came := self._socket.recv(AT_ONCE_BYTES):
                return self._left + came if self._left else came
            self.has_ended = True
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            pass
        except OSError:
            self.has_ended = True
        return b""

    def put_back(self, left: bytes) -> None:
        """Keep the beginning of a packet until the rest of it comes."""
        self._left = left

    def pass_on(self, packet: bytes) -> None:
        """Let paho read this."""
        self._passed += packet

    def has_more(self) -> bool:
        """Whether TLS holds bytes of which select knows nothing."""
        return isinstance(self._socket, ssl.SSLSocket) and self._socket.pending() > 0

    def has_unsent(self) -> bool:
        """Whether the broker has not taken all."""
        return bool(self._unsent)

    def acknowledge(self, acks: bytes) -> None:
        """Send these whole packets after all that paho was asked to send before. From any thread."""
        self._acks.append(acks)

    def acks_waiting(self) -> int:
        """How many lots of acknowledgements wait for `add_acks`."""
        return len(self._acks)

    def add_acks(self, lots: int) -> None:
        """Put so many lots behind what is to be sent."""
        for _ in range(lots):
            self._unsent += self._acks.popleft()

    def flush(self) -> None:
        """Send what the broker takes now."""
        try:
            while self._unsent and not self.has_ended:
                del self._unsent[: self._socket.send(self._unsent)]
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            pass
        except OSError:
            self.has_ended = True

    def end(self) -> None:
        """Read and send nothing more. From any thread."""
        self.has_ended = True


class Wiring:
    """Stands where paho wants a TLS context, and gives it a Wire, over TLS or not.

    Paho has no other public place for a socket of ours.
    """

    def __init__(self, tls: ssl.SSLContext | None) -> None:
        self._tls = tls
        self.check_hostname = tls is not None and tls.check_hostname

    def wrap_socket(self, plain: socket.socket, **how: Any) -> Wire:
        """The wire over this socket."""
        return Wire(plain if self._tls is None else self._tls.wrap_socket(plain, **how))
