"""From a finding to a mail in a mailbox, on both databases, through the ledger itself."""

from datetime import timedelta

import numpy as np
from sqlalchemy import Engine

from server.alerts import ledger
from server.alerts.delivery.deliverer import Deliverer
from server.alerts.delivery.outbox import Composing, compose
from server.alerts.delivery.posts import NewPost, add_post
from server.alerts.ledger import Night
from server.database import session_of
from server.doors.register import list_doors
from server.inspection.values import Finding, Inspection
from tests.alerts.delivery.stored import AT, BASE_URL, messages, yard
from tests.alerts.delivery.test_mail import mail, mailbox
from tests.fakes.clock import HandClock


def look(engine: Engine, turn_mrad: float, *, alarm: bool, clock: HandClock) -> None:
    """One look at the door, its events owed, and the night composed."""
    figures = {
        "turn_stays_mrad": turn_mrad,
        "turn_low_mrad": turn_mrad - 0.03,
        "turn_high_mrad": turn_mrad + 0.03,
    }
    evidence = {**figures, "turn_open_mrad": 0.166, "alarm": alarm}
    finding = Finding(
        topic="joint", about="north/lock-hinge", evidence=evidence, rests_on=("north/lock-hinge-top",)
    )
    slot = f"{clock():%Y-%m-%d}"
    with session_of(engine) as session:
        door = list_doors(session)[0]
        ledger.record(session, Inspection(findings=(finding,)), door=door, night=Night(slot=slot, at=clock()))
    with session_of(engine) as session:
        what = Composing(slot=slot, at=clock(), zone=door.zone, base_url=BASE_URL)
        compose(session, what, rng=np.random.default_rng(int(clock().timestamp())))


def test_a_finding_becomes_a_mail_after_the_quiet_hours(engine: Engine) -> None:
    clock = HandClock(AT)
    with session_of(engine) as session:
        yard(session)
        add_post(session, NewPost(channel="mail", address="keeper@yard.example"))
    with mailbox() as (box, port):
        made = Deliverer(
            engine, {"mail": mail(port)}, clock=clock, rng=np.random.default_rng(1), zone="Europe/London"
        )
        look(engine, 0.16, alarm=True, clock=clock)
        assert made.turn() == []  # ten past five: nothing here is an alarm bell
        clock.advance(minutes=50)
        assert [done.state for done in made.turn()] == ["sent"]
        assert made.turn() == []
        for _ in range(7):
            clock.now = clock.now.replace(hour=5) + timedelta(days=1)
            look(engine, 0.20, alarm=True, clock=clock)
        clock.advance(hours=2)
        made.turn()
    opening, is_open = box.mails
    assert opening["Subject"] == "Joint opening: North, lock rail, hinge side"
    assert is_open["Subject"] == "Worse: joint open: North, lock rail, hinge side"
    assert is_open["References"] == opening["Message-ID"]
    assert {one.state for one in messages(engine)} == {"sent"}
    text = str(is_open.get_payload())
    assert "Not a safety device: look at the door itself." in text
    assert f"{BASE_URL}/alerts#alert-1" in text
