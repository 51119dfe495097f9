"""Our own MQTT listener: one thread with one loop; from outside it is started, told of commits, stopped."""

import asyncio
import errno
import ipaddress
import socket
import ssl
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Future

from server.errors import SettingsError
from server.intake.connection import Connection
from server.intake.hub import Hub
from server.intake.limits import COUNTERS, Limits
from server.intake.values import Directory, DownlinkValue, Queue, Taken

Bind = tuple[str, int] | socket.socket


class Listener:
    """Takes packs of MQTT clients and acknowledges each once `taken` says that it is committed.

    `bind`: a host and a port (0: any), or a socket that is bound. `start`, then `hold` and `stop`; the rest
    may be called from any thread, before and after as well.
    """

    def __init__(
        self,
        *,
        queue: Queue,
        directory: Directory,
        clock_ms: Callable[[], int],
        bind: Bind,
        limits: Limits | None = None,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._queue, self._directory, self._clock_ms = queue, directory, clock_ms
        self._bind, self._limits, self._tls = bind, limits or Limits(), tls
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._hub: Hub | None = None
        self._server: asyncio.Server | None = None
        self._stopping: asyncio.Event | None = None

    def start(self) -> int:
        """Listen; the port. Raises SettingsError for an address that cannot be used, before anything runs."""
        _check_address(self._bind, self._tls)
        ready: Future[int] = Future()
        self._thread = threading.Thread(target=self._run, args=(ready,), name="intake", daemon=True)
        self._thread.start()
        return ready.result()

    def taken(self, answers: Sequence[Taken]) -> None:
        """Acknowledge packs: they are committed."""
        if hub := self._hub:
            self._soon(hub.taken, answers)

    def send(self, values: Sequence[DownlinkValue]) -> None:
        """Send down-links that changed to the nodes that are connected."""
        if hub := self._hub:
            self._soon(hub.send, values)

    def drop(self, credential_ids: Collection[int]) -> None:
        """Close the connections of credentials that were revoked."""
        if hub := self._hub:
            self._soon(hub.drop, credential_ids)

    def renew(self, load: Callable[[], None]) -> None:
        """Run `load` on the loop, between handshakes: it gives the TLS context a new certificate."""
        self._soon(load)

    def hold(self) -> None:
        """Accept nobody and read nothing more, so that the collector can empty its line before `stop`."""
        self._soon(self._hold)

    def stop(self) -> None:
        """Close all connections (5.0 clients are told) and end the thread. Once is enough."""
        if self._thread and self._stopping:
            self._soon(self._stopping.set)
            self._thread.join()

    def counters(self) -> Mapping[str, int]:
        """Counts since the start, by name; `connections` and `packs_unacknowledged` are of this moment."""
        return dict(self._hub.counters) if self._hub else dict.fromkeys(COUNTERS, 0)

    def _soon(self, call: Callable[..., None], *arguments: object) -> None:
        if self._loop and not self._loop.is_closed():
            try:
                self._loop.call_soon_threadsafe(call, *arguments)
            except RuntimeError:  # closed between the two lines: then nobody is left to tell
                return

    def _run(self, ready: "Future[int]") -> None:
        try:
            asyncio.run(self._serve(ready))
        finally:
            ready.cancel()  # nothing if it was set; else `start` must not wait for ever
            if self._hub:
                self._hub.shut()

    async def _serve(self, ready: "Future[int]") -> None:
        self._loop, self._stopping = asyncio.get_running_loop(), asyncio.Event()
        hub = Hub(queue=self._queue, directory=self._directory, clock_ms=self._clock_ms, limits=self._limits)
        try:
            self._server = await self._listening(hub)
        except (OSError, OverflowError) as error:  # a port beyond 65535 overflows
            hub.shut()
            ready.set_exception(_cannot_listen(self._bind, error))
            return
        self._hub = hub
        ready.set_result(int(self._server.sockets[0].getsockname()[1]))
        await self._stopping.wait()
        self._server.close()
        await hub.stop()

    async def _listening(self, hub: Hub) -> asyncio.Server:
        assert self._loop is not None  # noqa: S101 - set by the only caller
        handshake_s = self._limits.connect_within_s if self._tls else None

        def make() -> Connection:
            return Connection(hub)

        if isinstance(self._bind, socket.socket):
            return await self._loop.create_server(
                make, sock=self._bind, ssl=self._tls, ssl_handshake_timeout=handshake_s
            )
        host, port = self._bind
        return await self._loop.create_server(
            make, host, port, ssl=self._tls, ssl_handshake_timeout=handshake_s
        )

    def _hold(self) -> None:
        if self._server and self._hub:
            self._server.close()
            self._hub.hold()


def _check_address(bind: Bind, tls: ssl.SSLContext | None) -> None:
    host = str(bind.getsockname()[0]) if isinstance(bind, socket.socket) else bind[0]
    if tls is None and not _is_loopback(host):
        raise SettingsError(
            f"listen for nodes on {host}",
            "a certificate (intake.cert and intake.key), or an address of this computer alone: 127.0.0.1",
            "no certificate: passwords would cross the network unencrypted",
        )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _cannot_listen(bind: Bind, error: OSError | OverflowError) -> SettingsError:
    where = "the socket given" if isinstance(bind, socket.socket) else f"{bind[0]}:{bind[1]}"
    if isinstance(error, OverflowError):
        return SettingsError(f"listen for nodes on {where}", "a port of 0 to 65535", "one beyond")
    if error.errno == errno.EADDRINUSE:
        return SettingsError(f"listen for nodes on {where}", "a port that is free", "one that is in use")
    came = error.strerror or "one that cannot be used"
    return SettingsError(f"listen for nodes on {where}", "an address of this computer", came)
