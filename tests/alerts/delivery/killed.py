"""A process that writes alerts, composes and delivers, night after night, and dies where it is told to.

Run by test_killed.py: DATABASE_URL WEB_PORT,MAIL_PORT FOLDER POINT[,POINT...]. For each point a child is
made that goes on from what is stored and is killed when it gets there the second time; the last child runs to
the end. At a point that begins with `server` the other side kills it: the file `kill` tells that server. A
point such as `after 0.05` kills it so many seconds after its start, wherever it is then.
"""

import os
import signal
import sys
import threading
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
from sqlalchemy import Engine, select

from server.alerts.delivery.deliverer import Deliverer
from server.alerts.delivery.guard import network
from server.alerts.delivery.mail import Mail, MailServer
from server.alerts.delivery.outbox import Composing, Reached, compose
from server.alerts.delivery.posts import owe
from server.alerts.delivery.tables import ComposedRow, MessageRow
from server.alerts.delivery.values import Channel, Secret
from server.alerts.delivery.webhook import Target, Webhook
from server.alerts.tables import AlertEventRow, AlertRow
from server.database import open_engine, session_of
from tests.fakes.clock import HandClock

AT_RANDOM = int(os.environ.get("HANGTRUE_KILLS", "3"))
NIGHTS, DOORS = 14 + AT_RANDOM, 2  # work enough for every kill to strike at it
FIRST = datetime(2027, 3, 2, 5, 10, tzinfo=UTC)
SECRET = Secret("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")


def night_of(number: int) -> datetime:
    return FIRST + timedelta(days=number)


def main(database_url: str, ports: list[int], folder: Path, points: list[str]) -> int:
    """Exit code 0: every child died where it should, and the last one came to its end.

    Prints how many of those to be killed at a time were at their work then.
    """
    hit = 0
    for number, point in enumerate([*points, ""]):
        if point.startswith("server"):
            (folder / "kill").write_text(point)
        child = os.fork()
        if child == 0:
            (folder / "pid").write_text(str(os.getpid()))
            work(database_url, ports, dying_at(point), seed=number)
            os._exit(0)
        if point.startswith("after "):
            hit += _kill_after(child, float(point.removeprefix("after ")))
            continue
        _, status = os.waitpid(child, 0)
        died = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
        if died != bool(point) or (not point and os.WEXITSTATUS(status) != 0):
            print(f"at {point or 'the end'}: status {status}", file=sys.stderr)  # noqa: T201  # read by the test
            return 1
    print(hit)  # noqa: T201  # read by the test
    return 0


def _kill_after(child: int, seconds: float) -> bool:
    """Whether it was killed at its work: one may have come to its end before."""
    threading.Event().wait(seconds)
    with suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def dying_at(point: str) -> Reached:
    times = [0]

    def reached(now: str) -> None:
        if now == point:
            times[0] += 1
            if times[0] == 2:
                os.kill(os.getpid(), signal.SIGKILL)

    return reached


def work(database_url: str, ports: list[int], reached: Reached, *, seed: int) -> None:
    """Go on from what is stored to the last night."""
    engine, clock, rng = open_engine(database_url), HandClock(FIRST), np.random.default_rng(seed)
    made = Deliverer(engine, channels_of(ports, clock), clock=clock, rng=rng, zone="UTC", reached=reached)
    for number in range(NIGHTS):
        clock.now = max(clock.now, night_of(number))
        slot = f"{night_of(number):%Y-%m-%d}"
        if not _is_composed(engine, slot):
            _look(engine, slot, reached)
            reached("before composing")
            with session_of(engine) as session:
                what = Composing(
                    slot=slot, at=night_of(number), zone="UTC", base_url="http://127.0.0.1:1", reached=reached
                )
                compose(session, what, rng=rng)
            reached("committed")
        while (following := _next_try(engine)) is not None:
            clock.now = max(clock.now, following)
            made.turn()


def channels_of(ports: list[int], clock: HandClock) -> dict[str, Channel]:
    """A webhook and a mail server of this computer."""
    own = tuple(found for found in [network("127.0.0.1/32")] if found)
    url = urlsplit(f"http://127.0.0.1:{ports[0]}/")
    server = MailServer(
        host="127.0.0.1", port=ports[1], security="none", sender="doors@yard.example", site="yard"
    )
    target = Target(url=url, secrets=(SECRET,), source="yard", allow=own)
    return {"hook": Webhook(target, clock=clock), "mail": Mail(server, clock=clock)}


def _look(engine: Engine, slot: str, reached: Reached) -> None:
    """A joint of each door opens anew that night, one transaction a door."""
    for door in range(DOORS):
        with session_of(engine) as session:
            about = f"north/joint-{slot}-{door}"
            if session.scalar(select(AlertRow.id).where(AlertRow.about == about)) is None:
                _write(session, about, slot, reached)
                reached("before commit")
        reached("between doors")


def _write(session: object, about: str, slot: str, reached: Reached) -> None:
    from sqlalchemy.orm import Session

    assert isinstance(session, Session)
    row = AlertRow(
        site_id=1, topic="joint", about=about, door_id=1, raised=slot, step="joint_open", worst="joint_open"
    )
    # seen: nothing is said again, so that each alert has one line
    row.seen = FIRST
    session.add(row)
    session.flush()
    reached("before the event")
    event = AlertEventRow(
        alert_id=row.id, slot=slot, at=FIRST, kind="raised", step="joint_open", detail="", evidence="{}"
    )
    session.add(event)
    session.flush()
    reached("event without dues")
    owe(session, event.id)


def _is_composed(engine: Engine, slot: str) -> bool:
    with session_of(engine) as session:
        return session.get(ComposedRow, slot) is not None


def _next_try(engine: Engine) -> datetime | None:
    with session_of(engine) as session:
        query = select(MessageRow.next_try).where(MessageRow.state == "waiting").order_by(MessageRow.next_try)
        return session.scalar(query.limit(1))


if __name__ == "__main__":
    sys.exit(
        main(sys.argv[1], [*map(int, sys.argv[2].split(","))], Path(sys.argv[3]), sys.argv[4].split(","))
    )
