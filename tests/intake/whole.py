"""Listener and collector over a real database, as the service ties them; nothing between them is a fake."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from server.auth.keyring import Keyring
from server.auth.tables import Credential
from server.database import session_of
from server.doors.tables import Node
from server.intake.collector import Collector
from server.intake.limits import Limits
from server.intake.listener import Listener
from server.intake.values import DownlinkValue, Taken
from server.service.directory import DatabaseDirectory
from tests.intake.raw import PASSWORD, SOUTH_USER, USER
from tests.intake.yard import ARRIVAL_MS, MADE, enrol_world


@dataclass(slots=True)
class Whole:
    """A running intake, and the database behind it."""

    engine: Engine
    listener: Listener
    collector: Collector
    port: int
    keyring: Keyring


def derived(password: bytes, salt: bytes) -> bytes:
    """A cheap stand-in for scrypt, which costs 30 ms and is tested on its own."""
    return salt + password


def enrol_users(engine: Engine) -> None:
    """The nodes of packs-world.json, with passwords for north and south, and one who watches."""
    enrol_world(engine)
    salt = bytes(16)
    with session_of(engine) as session:
        ids = {row.name: row.id for row in session.execute(select(Node.name, Node.id))}
        people = [
            (USER, "node", ids["north"]),
            (SOUTH_USER, "node", ids["south"]),
            ("watcher", "watch", None),
        ]
        for user, role, node_id in people:
            hashed = derived(PASSWORD, salt)
            words = {"user": user, "role": role, "salt": salt, "hash": hashed, "made": MADE}
            session.add(Credential(node_id=node_id, generation=1, **words))


@contextmanager
def taking_in(
    engine: Engine,
    *,
    clock_ms: Callable[[], int] = lambda: ARRIVAL_MS,
    derive: Callable[[bytes, bytes], bytes] = derived,
    **limits: object,
) -> Iterator[Whole]:
    """The intake over a database with users enrolled; ended as the service ends it."""
    keyring = Keyring(lambda: Session(engine), derive=derive)
    late = _Late()
    collector = Collector(
        engine,
        clock_ms=clock_ms,
        answer=late.answer,
        send=late.send,
    )
    listener = Listener(
        queue=collector,
        directory=DatabaseDirectory(engine, keyring, clock=partial(_now, clock_ms)),
        clock_ms=clock_ms,
        bind=("127.0.0.1", 0),
        limits=replace(Limits(), **limits),  # type: ignore[arg-type]  # the names are those of Limits
    )
    late.listener = listener
    collector.start()
    try:
        yield Whole(engine, listener, collector, listener.start(), keyring)
    finally:
        listener.hold()
        collector.stop()
        listener.stop()


class _Late:
    """Ties the collector to a listener that is made after it."""

    listener: Listener

    def answer(self, taken: Sequence[Taken]) -> None:
        self.listener.taken(taken)

    def send(self, words: Sequence[DownlinkValue]) -> None:
        self.listener.send(words)


def _now(clock_ms: Callable[[], int]) -> datetime:
    return datetime.fromtimestamp(clock_ms() / 1000, UTC)
