"""Who is told of a down-link."""

from server.intake.admission import terms_of
from server.intake.audience import Audience, Witness
from server.intake.connection import Connection
from server.intake.conversation import Conversation, Seat
from server.intake.limits import Bucket, Limits
from server.intake.packets import Publish
from server.intake.sessions import Session
from server.intake.topics import read_by, written_by
from server.intake.values import Identity, SessionState
from tests.fakes.intake import NORTH, SOUTH, connect_of

MESSAGE = Publish(topic=NORTH + "readings")


class NoHub:
    """A hub that nobody calls."""

    limits = Limits()


def talk_of(role: str, *filters: str) -> Conversation:
    identity = Identity(credential_id=1, user="u", role=role, site="saltmarsh-yard", node="north")
    state = SessionState(client_id="c", credential_id=1, filters=dict.fromkeys(filters, 1))
    seat = Seat(
        identity=identity,
        owner="saltmarsh-yard/north",
        terms=terms_of(connect_of(4), Limits(), new_id="new"),
        session=Session(state),
        will=None,
        writes=written_by(identity),
        reads=read_by(identity),
        bucket=Bucket(Limits(), 0.0),
    )
    return Conversation(Connection(NoHub()), seat)  # type: ignore[arg-type]  # it is not called


def test_readers_follow_the_filters() -> None:
    audience, talk = Audience(), talk_of("node", NORTH + "ack", SOUTH + "ack")
    audience.join(talk)
    assert audience.readers(NORTH + "ack") == (talk,)
    assert audience.readers(SOUTH + "ack") == (), "a filter that it may not read was kept by another"
    del talk.seat.session.state.filters[NORTH + "ack"]
    talk.seat.session.state.filters[NORTH + "config"] = 1
    audience.join(talk)
    assert audience.readers(NORTH + "ack") == ()
    assert audience.readers(NORTH + "config") == (talk,)
    audience.leave(talk)
    assert audience.readers(NORTH + "config") == ()
    assert audience.witness(MESSAGE) is None


def test_a_watcher_reads_no_downlink() -> None:
    audience, watcher = Audience(), talk_of("watch", "hangtrue/v1/#", NORTH + "secret")
    audience.join(watcher)
    assert audience.witness(MESSAGE) == Witness(MESSAGE)
    assert audience.readers(NORTH + "secret") == ()
    audience.leave(watcher)
    assert audience.witness(MESSAGE) is None
