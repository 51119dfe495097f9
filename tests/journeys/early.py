"""A service that lies: it acknowledges a pack when it comes, not when it is committed.

`python early.py SETTINGS`. All its parts are the real ones; only the line between listener and
collector is another. The kill test must find it out.
"""

import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from server.auth.keyring import Keyring
from server.clock import utc_now
from server.config import Settings, read_settings
from server.database import Session, open_engine
from server.intake.broker import BrokerIntake
from server.intake.collector import Collector
from server.intake.limits import Limits
from server.intake.listener import Listener
from server.intake.values import Offer, Taken
from server.service.directory import DatabaseDirectory


class EarlyQueue:
    """The collector's line, with an answer given at once."""

    way: Listener | BrokerIntake

    def __init__(self, collector: Collector) -> None:
        self._collector = collector

    def offer(self, offer: Offer) -> None:
        self._collector.offer(offer)
        if offer.token is not None:
            self.way.taken([Taken(token=offer.token, code=None)])

    def offer_all(self, offers: Sequence[Offer]) -> None:
        for offer in offers:
            self.offer(offer)

    def is_full(self) -> bool:
        return self._collector.is_full()

    def is_spent(self, owner: str) -> bool:
        return self._collector.is_spent(owner)


def now_ms() -> int:
    return round(utc_now().timestamp() * 1000)


def way_in(settings: Settings, queue: EarlyQueue, directory: DatabaseDirectory) -> Listener | BrokerIntake:
    """The way in that is set."""
    if settings.intake_kind == "broker":
        return BrokerIntake(queue=queue, settings=settings.broker, clock_ms=now_ms)
    return Listener(
        queue=queue,
        directory=directory,
        clock_ms=now_ms,
        bind=("127.0.0.1", 0),
        limits=Limits(rate_per_minute=0),
    )


def main() -> None:
    """Serve until told to stop, or killed."""
    stopping = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stopping.set())
    settings = read_settings(Path(sys.argv[1]))
    engine = open_engine(settings.database)
    directory = DatabaseDirectory(engine, Keyring(lambda: Session(engine)), clock=utc_now)
    collector = Collector(engine, clock_ms=now_ms, answer=lambda taken: None, send=lambda words: None)
    queue = EarlyQueue(collector)
    queue.way = way_in(settings, queue, directory)
    collector.start()
    port = queue.way.start()
    while isinstance(queue.way, BrokerIntake) and not queue.way.counters()["connections"]:
        stopping.wait(0.01)
    sys.stdout.write(f"readings: 127.0.0.1:{port}   pages: http://127.0.0.1:0/\n")
    sys.stdout.flush()
    stopping.wait()
    queue.way.hold()
    collector.stop()
    queue.way.stop()
    engine.dispose()


if __name__ == "__main__":
    main()
