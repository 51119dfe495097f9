"""Whether messages pass: for how long a channel fails, and whether it was refused flatly."""

from datetime import timedelta

from sqlalchemy import Engine

from server.alerts.delivery.failing import channel_findings, outbox_figures, waiting_counts
from server.alerts.delivery.values import Failed, Refused
from server.database import session_of
from tests.alerts.delivery.stored import AT, composed
from tests.alerts.delivery.test_deliverer import Scripted, deliverer, one_message
from tests.fakes.clock import HandClock


def test_a_channel_that_fails_is_found(engine: Engine) -> None:
    hand = HandClock(AT)
    one_message(engine)

    def found() -> dict[str, object]:
        with session_of(engine) as session:
            (finding,) = channel_findings(session, hand())
        assert (finding.topic, finding.about) == ("channel", "hook")
        return dict(finding.evidence)

    channel = Scripted(Failed("no answer"), Refused("refused", 404))
    made = deliverer(engine, channel, hand)
    assert found() == {"failing_h": 0.0, "refused": False}
    made.turn()
    hand.advance(hours=25)
    assert found() == {"failing_h": 25.0, "refused": False}
    with session_of(engine) as session:
        assert waiting_counts(session) == {"hook": 1}
    made.turn()
    assert found() == {"failing_h": 25.0, "refused": True}
    composed(engine, "2027-04-01", seed=2)
    made.turn()
    assert found() == {"failing_h": 0.0, "refused": False}


def test_quiet_hours_are_not_counted_as_failing(engine: Engine) -> None:
    one_message(engine, quiet="05:00-08:00")
    hand = HandClock(AT.replace(hour=8, minute=0))
    deliverer(engine, Scripted(Failed("busy")), hand).turn()
    hand.advance(timedelta(hours=1))
    with session_of(engine) as session:
        (finding,) = channel_findings(session, hand())
    assert finding.evidence["failing_h"] == 1.0


def test_it_fails_since_the_first_that_did_not_pass(engine: Engine) -> None:
    one_message(engine)
    hand = HandClock(AT)
    made = deliverer(engine, Scripted(Refused("refused", 404), Failed("busy")), hand)
    made.turn()
    hand.now = AT.replace(month=4, day=1)
    composed(engine, "2027-04-01", at=hand.now, seed=2)
    made.turn()
    with session_of(engine) as session:
        (finding,) = channel_findings(session, hand())
    assert finding.evidence == {"failing_h": 30 * 24.0, "refused": False}


def test_the_outbox_in_figures(engine: Engine) -> None:
    one_message(engine)
    hand = HandClock(AT)
    made = deliverer(engine, Scripted(Failed("busy")), hand)
    made.turn()
    hand.advance(minutes=30)
    with session_of(engine) as session:
        figures = outbox_figures(session, hand())
    assert (figures.waiting, figures.oldest_s) == (1, 1800.0)
    made.turn()
    with session_of(engine) as session:
        figures = outbox_figures(session, hand())
    assert (figures.waiting, figures.oldest_s, figures.messages) == (0, 0.0, {("night", "sent"): 1})
