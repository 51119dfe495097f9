"""How readings come in: the collector, with our own listener or a broker that is there already."""

import logging
import socket
import ssl
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.orm import Session as OrmSession

from server.auth.keyring import Keyring
from server.clock import Clock
from server.config import Address, Settings
from server.database import Session
from server.errors import SettingsError
from server.intake.broker import BrokerIntake
from server.intake.collector import Collector
from server.intake.limits import Limits
from server.intake.listener import Listener
from server.intake.memory import suit_intake
from server.intake.secrets import every_downlink
from server.intake.values import DownlinkValue, Taken
from server.service import tls
from server.service.broker_folder import folder_of, keep_users
from server.service.collectors import Turn, check_shared
from server.service.directory import DatabaseDirectory
from server.service.rotations import Rotations

log = logging.getLogger("hangtrue.service")


class Intake:
    """The way in, open while the block of `opened` runs. `address` is where nodes, or we, connect to.

    Raises SettingsError for a certificate that cannot be used, and several collectors where one alone can be.
    """

    def __init__(self, settings: Settings, *, clock: Clock) -> None:
        self._settings, self._clock = settings, clock
        self._tls: ssl.SSLContext | None = None
        if settings.intake_cert and settings.intake_key:
            self._tls = tls.server_context(settings.intake_cert, settings.intake_key)
        self._is_shared = settings.intake_kind == "broker" and settings.broker.collector > 0
        if self._is_shared:
            check_shared(settings.database)
        self._collector: Collector | None = None
        self._way: Listener | BrokerIntake | None = None
        self._rotations: Rotations | None = None
        self.address = Address(host="127.0.0.1", port=0)

    @contextmanager
    def opened(self, engine: Engine, listening: socket.socket | None) -> Iterator[None]:
        """Collector and listener, opened upward and ended downward; without a socket the broker."""
        suit_intake()
        late, settings = _Late(), self._settings
        collector = Collector(
            engine,
            clock_ms=self._now_ms,
            answer=late.answer,
            send=late.send,
            states_first=listening is None,
        )
        late.way = way = self._way_in(engine, collector, listening)
        self._collector, self._way = collector, way
        # by itself only where a line was carried to the node, and where no broker must read its files first
        begins = listening is not None and not settings.intake_bind.is_loopback
        self._rotations = Rotations(engine, changed=self._keep_broker_users, begins=begins)
        collector.start()
        turn = Turn(engine, way.hear_states) if self._is_shared and isinstance(way, BrokerIntake) else None
        try:
            host = settings.broker.host if listening is None else settings.intake_bind.host
            self.address = Address(host=host, port=way.start())
            if turn:
                turn.start()
            yield
        finally:
            if turn:
                turn.stop()
            way.hold()
            collector.stop()
            way.stop()

    def counters(self) -> Mapping[str, object]:
        """What has come, what was refused, what waits."""
        return {
            **(self._collector.counters() if self._collector else {}),
            **(self._way.counters() if self._way else {}),
        }

    def refresh(self) -> None:
        """Know before the next pack what was enrolled since."""
        if self._collector:
            self._collector.refresh()

    def send(self, words: Sequence[DownlinkValue]) -> None:
        """Send these to the nodes, with what other commands wrote: passwords, and what was cleared."""
        fresh = [*words, *(self._rotations.advance(self._clock()) if self._rotations else [])]
        if fresh and self._way:
            self._way.send(fresh)

    def drop_revoked(self) -> None:
        """Close the connections of those whose password was taken away."""
        if self._way and self._rotations and (gone := self._rotations.newly_revoked()):
            self._way.drop(gone)

    def renew_certificate(self) -> None:
        """Read the certificate again; what cannot be used is said, and the old one stays."""
        cert, key, context = self._settings.intake_cert, self._settings.intake_key, self._tls
        if isinstance(self._way, Listener) and cert and key and context:
            self._way.renew(lambda: _renew(context, cert, key))

    def _way_in(
        self, engine: Engine, collector: Collector, listening: socket.socket | None
    ) -> Listener | BrokerIntake:
        if listening is None:
            return BrokerIntake(
                queue=collector,
                settings=self._settings.broker,
                clock_ms=self._now_ms,
                downlinks=lambda: every_downlink(engine),
            )
        keyring = Keyring(lambda: Session(engine))
        return Listener(
            queue=collector,
            directory=DatabaseDirectory(engine, keyring, clock=self._clock),
            clock_ms=self._now_ms,
            bind=listening,
            limits=Limits(rate_per_minute=self._settings.intake_rate_per_minute),
            tls=self._tls,
        )

    def _keep_broker_users(self, session: OrmSession) -> None:
        folder = folder_of(self._settings)
        if not folder.exists():
            return
        try:
            keep_users(session, folder, collector=self._settings.broker.user)
            log.warning("the files of %s changed: let the broker read them again", folder)
        except SettingsError as refusal:
            log.error("%s", refusal)

    def _now_ms(self) -> int:
        return round(self._clock().astimezone(UTC).timestamp() * 1000)


class _Late:
    """Ties the collector's answers to a way in that is made after it."""

    way: Listener | BrokerIntake

    def answer(self, taken: Sequence[Taken]) -> None:
        self.way.taken(taken)

    def send(self, words: Sequence[DownlinkValue]) -> None:
        self.way.send(words)


def _renew(context: ssl.SSLContext, cert: Path, key: Path) -> None:
    try:
        tls.renew(context, cert, key)
        log.info("the certificate was read again")
    except SettingsError as refusal:
        log.error("%s; the old certificate stays", refusal)
