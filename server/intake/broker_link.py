"""The thread of a connection to a broker: paho keeps the session, what is published comes past it.

Paho asks the system five times for one message, and twice for one acknowledgement; each time the writer
may take the interpreter and keep it for a turn. Here a whole lot of either takes one call.
"""

import logging
import select
import socket
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion

from server.intake.broker_wire import Wire, Wiring
from server.intake.codec import find_frame, read, write_puback
from server.intake.fields import MOST_VARINT, PacketError, write_text
from server.intake.packets import Publish
from server.intake.properties import NONE, Properties
from server.intake.runs import plain_run

_LOG = logging.getLogger("hangtrue.intake")
PUBLISH = 3
LOOK_S, LAST_RETRY_S, STOP_S = 1.0, 60.0, 5.0
MOST_BYTES = MOST_VARINT + 5  # what is too large for us, the collector says and keeps


class Came(NamedTuple):
    """A publication. `packet_id` is 0 where none is to be acknowledged."""

    topic: str
    payload: bytes
    packet_id: int
    retain: bool = False
    properties: Properties = NONE


class Link:
    """Connects a paho client, carries what comes and goes, and tries again when it ends; in its own thread.

    `arrived` is called there with publications, in order of receipt; if it fails the connection is ended,
    so that the broker sends them again. `failed` is called there when nothing can be reached. While
    `may_read` says no, what comes stays in the socket, and the broker has to wait.
    """

    def __init__(
        self,
        client: mqtt.Client,
        *,
        wiring: Wiring,
        arrived: Callable[[Sequence[Came]], None],
        failed: Callable[[], None],
        first_retry_s: float,
        may_read: Callable[[], bool] = lambda: True,
    ) -> None:
        self._client, self._arrived, self._failed = client, arrived, failed
        self._may_read = may_read
        self._first_retry_s = first_retry_s
        self._version = 5 if client.protocol == MQTTProtocolVersion.MQTTv5 else 4
        self._stopping = threading.Event()
        self._wire: Wire | None = None
        self._ear, self._bell = socket.socketpair()
        for each in (self._ear, self._bell):
            each.settimeout(0)
        self._is_rung = False
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        client.tls_set_context(wiring)  # type: ignore[arg-type]  # paho asks for no more of a context
        client.on_socket_open = self._opened
        client.on_socket_register_write = self._asked_to_write

    def start(self) -> None:
        """Begin to connect where the client was told to."""
        self._thread.start()

    def stop(self) -> None:
        """Send what is still to be sent, say farewell and end, but do not wait long: a broker may hang."""
        self._stopping.set()
        self._ring()
        self._thread.join(STOP_S)

    def acknowledge(self, packet_ids: Sequence[int]) -> None:
        """Acknowledge these on the present connection, in this order, behind what was published before.

        With none it is but told to look again whether it may read.
        """
        if self._wire is not None:
            if packet_ids:
                self._wire.acknowledge(b"".join(map(write_puback, packet_ids)))
            self._ring()

    def cut(self) -> None:
        """Connect anew, so that the broker sends again what was not acknowledged."""
        if self._wire is not None:
            self._wire.end()
            self._ring()

    # what paho calls

    def _opened(self, _client: mqtt.Client, _data: Any, wire: Any) -> None:
        self._wire = wire

    def _asked_to_write(self, *_: Any) -> None:
        self._ring()

    # in the thread

    def _run(self) -> None:
        wait_s = self._first_retry_s
        while not self._stopping.is_set():
            try:
                self._client.reconnect()
            except OSError:
                self._failed()
            else:
                if self._wire is not None and self._serve(self._wire):
                    wait_s = self._first_retry_s
            self._stopping.wait(wait_s)
            wait_s = min(2 * wait_s, LAST_RETRY_S)
        self._ear.close()
        self._bell.close()

    def _serve(self, wire: Wire) -> bool:
        """Carry a connection to its end, when paho closes it; whether the broker had let us in."""
        client, was_in, has_left = self._client, False, False
        while client.socket() is not None:
            self._wait(wire)
            is_leaving = self._stopping.is_set()  # asked first: what was to be sent until then is sent
            if wire.has_ended or self._may_read():
                self._read(wire)
            lots = wire.acks_waiting()  # counted first: what was published before them goes before them
            if client.want_write():
                client.loop_write()
            wire.add_acks(lots)
            wire.flush()
            client.loop_misc()
            if is_leaving and not has_left:
                has_left = True
                client.disconnect()
            was_in = was_in or client.is_connected()
        return was_in

    def _wait(self, wire: Wire) -> None:
        """Until there is something to read, to send or to be done."""
        if not wire.has_ended:
            broker, awaited, wait_s = wire.fileno(), [self._ear.fileno()], LOOK_S
            if self._may_read():
                awaited.append(broker)
                wait_s = 0.0 if wire.has_more() else LOOK_S
            select.select(awaited, [broker] if wire.has_unsent() else [], [], wait_s)
        with suppress(BlockingIOError):
            self._ear.recv(64)
        self._is_rung = False

    def _ring(self) -> None:
        """Wake the thread, once for all that it has not looked at."""
        if not self._is_rung:
            self._is_rung = True
            with suppress(OSError):
                self._bell.send(b"\0")

    def _read(self, wire: Wire) -> None:
        """Give on all that came: publications to us, in lots, and the rest to paho, each in its place."""
        data, at, lot = wire.take(), 0, list[Came]()
        try:
            while not wire.has_ended and (frame := find_frame(data, at, MOST_BYTES)):
                first, _, end = frame
                if first >> 4 == PUBLISH:
                    end = self._take(lot, data, frame)
                else:
                    self._hand_over(lot)
                    wire.pass_on(data[at:end])
                    self._client.loop_read()
                at = end
            self._hand_over(lot)
        except PacketError as error:
            _LOG.warning("the broker sent what is no MQTT: %s", error)
            wire.end()
        except Exception:  # noqa: BLE001  (the loop that must live on)
            _LOG.exception("what came by the broker could not be taken; it is asked for again")
            wire.end()
        if data:
            wire.put_back(data[at:])
        if wire.has_ended:
            self._client.loop_read()  # which finds that nothing comes any more

    def _take(self, lot: list[Came], data: bytes, frame: tuple[int, int, int]) -> int:
        """One publication, and the ordinary ones on its topic behind it; where they end."""
        first, start, end = frame
        one = read(first, data, start, end, self._version)
        assert isinstance(one, Publish)  # noqa: S101  (the kind was looked at)
        lot.append(Came(one.topic, one.payload, one.packet_id or 0, one.retain, one.properties))
        run = plain_run(
            data,
            end,
            write_text(one.topic),
            most=len(data),
            most_bytes=MOST_BYTES,
            is_5=self._version == 5,
        )
        lot += [Came(one.topic, payload, number) for number, payload in zip(*run[:2], strict=True)]
        return run.end

    def _hand_over(self, lot: list[Came]) -> None:
        if lot:
            self._arrived(tuple(lot))
            lot.clear()
