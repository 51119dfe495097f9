"""Killed with -9 at each point of the way, on both databases: nothing is lost, nothing doubled in rows.

On the wire a message may come again, with the same key and the same content. It shows the death of a process,
not a power cut. HANGTRUE_KILLS: how many more kills at random times, of which there are three else.
"""

import json
import os
import signal
import socket
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, select

from server.alerts.delivery.posts import NewPost, add_post
from server.alerts.delivery.tables import DueRow, MessageRow
from server.alerts.tables import AlertEventRow, AlertRow
from server.database import session_of
from tests.alerts.delivery.killed import AT_RANDOM, DOORS, NIGHTS
from tests.alerts.delivery.servers import Script, WebServer, says, web_server
from tests.alerts.delivery.stored import yard
from tests.alerts.delivery.test_mail import Box, mailbox

ROOT = Path(__file__).parents[3]
POINTS = (
    "before the event",
    "event without dues",
    "before commit",
    "between doors",
    "before composing",
    "message without dues marked",
    "composed",
    "committed",
    "before sending",
    "answered but not marked",
    "marked",
    "server before its answer",
    "server after its answer",
)
BUSY_EACH = 7
LONGEST_S, LEAST_HIT = 0.2, 0.8


def at_random(many: int) -> list[str]:
    """Kills at times that no point names."""
    return [f"after {after:.3f}" for after in np.random.default_rng(20270302).uniform(0.005, LONGEST_S, many)]


def kills(folder: Path) -> Script:
    """Takes messages; each seventh answer is that it is busy. Told to, it ends its client round an answer."""
    took = [0]

    def script(connection: socket.socket, request: bytes) -> None:
        took[0] += 1
        told = (folder / "kill").read_text() if (folder / "kill").exists() else ""
        (folder / "kill").unlink(missing_ok=True)
        if "before" in told:
            _end(folder)
        with suppress(OSError):
            says("500 Error" if took[0] % BUSY_EACH == 0 else "204 No Content")(connection, request)
        if "after" in told:
            _end(folder)

    return script


def _end(folder: Path) -> None:
    os.kill(int((folder / "pid").read_text()), signal.SIGKILL)


def test_nothing_is_lost_or_doubled(engine: Engine, database_url: str, tmp_path: Path) -> None:
    with session_of(engine) as session:
        yard(session)
        add_post(session, NewPost(channel="hook", quiet="00:00-00:00"))
        add_post(session, NewPost(channel="mail", quiet="00:00-00:00", address="keeper@yard.example"))
    with web_server(lambda _: kills(tmp_path)) as server, mailbox() as (box, mail_port):
        done = subprocess.run(
            [
                sys.executable,
                "-m",
                "tests.alerts.delivery.killed",
                database_url,
                f"{server.port},{mail_port}",
                str(tmp_path),
                ",".join([*POINTS, *at_random(AT_RANDOM)]),
            ],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=600,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) >= AT_RANDOM * LEAST_HIT
    check_rows(engine)
    check_wire(engine, server)
    check_mails(engine, box)


def check_rows(engine: Engine) -> None:
    """Each event once, owed to both posts, in exactly one message of each, and each message sent."""
    with session_of(engine) as session:
        events = session.scalars(select(AlertEventRow.id)).all()
        alerts = session.scalars(select(AlertRow.id)).all()
        dues = session.execute(select(DueRow.event_id, DueRow.post_id, DueRow.message_id)).all()
        rows = session.scalars(select(MessageRow)).all()
        said = [(row.post_id, line["alert_id"]) for row in rows for line in json.loads(row.said)["lines"]]
        states = {row.state for row in rows}
        keys = [row.key for row in rows]
    assert len(events) == NIGHTS * DOORS
    assert sorted((event, post) for event, post, _ in dues) == [
        (e, p) for e in sorted(events) for p in (1, 2)
    ]
    assert all(message is not None for *_, message in dues)
    assert sorted(said) == sorted((post, alert) for post in (1, 2) for alert in alerts)
    assert len(said) == 2 * NIGHTS * DOORS
    assert len(keys) == len(set(keys)) == 2 * NIGHTS
    assert states == {"sent"}


def check_wire(engine: Engine, server: WebServer) -> None:
    """Each message came, and what came again came with the same key and the same words."""
    came: dict[str, set[str]] = {}
    for number, body in enumerate(server.bodies):
        event = json.loads(body)
        del event["time"]
        came.setdefault(server.headers(number)["webhook-id"], set()).add(json.dumps(event))
    with session_of(engine) as session:
        assert set(came) == set(session.scalars(select(MessageRow.key).where(MessageRow.post_id == 1)))
    assert {len(bodies) for bodies in came.values()} == {1}
    assert len(server.requests) > len(came)  # some came again: else the kills proved nothing


def check_mails(engine: Engine, box: Box) -> None:
    """Each mail came, and what came again came under the same Message-ID."""
    with session_of(engine) as session:
        keys = set(session.scalars(select(MessageRow.key).where(MessageRow.post_id == 2)))
    assert {str(mail["Message-ID"]) for mail in box.mails} == {f"<{key}@yard>" for key in keys}
