"""Held packs once more: stored they leave quarantine, refused again they stay."""

from contextlib import closing

import pytest
from sqlalchemy import Engine, event

from sensors.message.statement import read_statement
from server.database import session_of
from server.doors.tables import Channel
from server.intake.commit import Committer
from server.intake.enrolled import Enrolment
from server.intake.judged import Judge, Judged
from server.intake.replay import Replay, held_packs, replay
from server.intake.values import DownlinkValue, Offer
from tests.intake.yard import (
    ARRIVAL_MS,
    JOURNAL,
    MADE,
    NORTH,
    collect,
    collecting,
    enrol_world,
    north_pack,
    offer,
    rows,
    until,
)

DAY_MS = 86_400_000
LATER_MS = ARRIVAL_MS + 5 * DAY_MS


def strange(first_seq: int, instants: int = 1) -> bytes:
    """A pack of north with a channel that is not enrolled."""
    return north_pack(first_seq, instants).replace(b"gap-lock-top", b"gap-new")


def enrol_new(engine: Engine) -> None:
    """Enrol the channel that was missing."""
    with session_of(engine) as session:
        name, words = "saltmarsh-yard/north/gap-new", {"quantity": "gauge", "place": "", "decimals": 6}
        session.add(Channel(node_id=north_id(engine), name=name, unit="/", since=MADE, **words))


def north_id(engine: Engine) -> int:
    return int(rows(engine, "SELECT node_id FROM channel WHERE name = 'saltmarsh-yard/north/air-rh'")[0][0])


def again(engine: Engine, **chosen: str) -> Replay:
    return replay(engine, clock_ms=lambda: LATER_MS, **chosen)  # type: ignore[arg-type]  # code alone is used


def last_word(engine: Engine) -> tuple[int, tuple[tuple[int, int, str], ...]]:
    """`upto` and `held` of the statement that stands for north."""
    (payload,) = rows(engine, f"SELECT payload FROM downlink WHERE topic = '{NORTH}ack'")[0]  # noqa: S608
    said = read_statement(bytes(payload))
    assert said is not None
    return said.upto, said.held


def test_stored_it_leaves_and_joins_the_statement(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(strange(1, 3))])
    assert last_word(engine) == (0, ((1, 3, "unknown-channel"),))
    enrol_new(engine)
    assert again(engine) == Replay(stored=1, readings=6)
    assert rows(engine, "SELECT count(*) FROM reading") == [(6,)]
    assert held_packs(engine, now_ms=LATER_MS) == []
    assert last_word(engine) == (3, ())


def test_twice_changes_nothing(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(strange(1)), offer(strange(2))])
    enrol_new(engine)
    assert again(engine).stored == 2
    word = rows(engine, "SELECT payload, rev FROM downlink")
    assert again(engine) == Replay()
    assert rows(engine, "SELECT count(*) FROM reading") == [(4,)]
    assert rows(engine, "SELECT payload, rev FROM downlink") == word


def test_refused_again_it_stays_with_its_days(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(strange(1).replace(b'"/"', b'"%"'))])
    before = rows(engine, "SELECT until, times FROM quarantine")
    assert again(engine) == Replay(stays={"unknown-channel": 1})
    enrol_new(engine)
    assert again(engine) == Replay(stays={"unit-mismatch": 1})
    assert [(one.code, one.record) for one in held_packs(engine, now_ms=LATER_MS)] == [("unit-mismatch", 0)]
    assert rows(engine, "SELECT until, times FROM quarantine") == before
    assert last_word(engine) == (0, ((1, 1, "unit-mismatch"),))


def test_the_arrival_is_the_original_one(engine: Engine) -> None:
    """A pack from the future is still from the future five days later."""
    enrol_world(engine)
    collect(engine, [offer(north_pack(1, start_ms=ARRIVAL_MS + DAY_MS))])
    assert again(engine).stays == {"future-time": 1}


def test_a_relative_time_is_stamped_by_the_original_arrival(engine: Engine) -> None:
    enrol_world(engine)
    pack = strange(1).replace(b'"bclk":"utc"', b'"bclk":"none"')
    bt = pack.split(b'"bt":')[1].split(b",")[0]
    collect(engine, [offer(pack.replace(b'"bt":' + bt, b'"bt":-60'))])
    enrol_new(engine)
    assert again(engine).stored == 1
    assert rows(engine, "SELECT DISTINCT t_ms FROM reading") == [(ARRIVAL_MS - 60_000,)]


def test_what_was_stored_since_is_a_redelivery(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(strange(1))])
    enrol_new(engine)
    collect(engine, [offer(strange(1), token=2)], now_ms=LATER_MS)
    assert again(engine) == Replay(stored=1, readings=0)


def test_one_code_or_one_node_alone(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(strange(1)), offer(north_pack(5).replace(b'"/"', b'"%"'))])
    for code, count in (("unknown-channel", 1), ("unit-mismatch", 1), ("not-json", 0)):
        assert len(held_packs(engine, now_ms=LATER_MS, code=code)) == count
    for node, count in (((None, "north"), 2), (("saltmarsh-yard", "north"), 2), ((None, "south"), 0)):
        assert len(held_packs(engine, now_ms=LATER_MS, node=node)) == count
    enrol_new(engine)
    assert again(engine, code="unit-mismatch") == Replay(stays={"unit-mismatch": 1})


def test_after_ninety_days_nothing_is_replayed(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(strange(1))])
    enrol_new(engine)
    assert replay(engine, clock_ms=lambda: ARRIVAL_MS + 90 * DAY_MS) == Replay()


def test_what_was_only_counted_is_said(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(strange(1))])
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE quarantine SET payload = NULL")
    assert again(engine) == Replay(counted_alone=1)


def test_a_fault_in_the_store_leaves_the_pack_held(engine: Engine) -> None:
    """Leaving quarantine and being stored are one transaction."""
    enrol_world(engine)
    collect(engine, [offer(strange(1))])
    enrol_new(engine)

    def cut(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        if statement.startswith("UPDATE quarantine"):
            raise RuntimeError("cut")

    event.listen(engine, "before_cursor_execute", cut)
    with pytest.raises(RuntimeError):
        again(engine)
    event.remove(engine, "before_cursor_execute", cut)
    assert rows(engine, "SELECT count(*) FROM reading") == [(0,)]
    assert again(engine).stored == 1


def test_of_two_replays_at_once_one_stores(engine: Engine) -> None:
    """The other comes between the look at the pack and the transaction, and finds it stored afterwards."""
    enrol_world(engine)
    collect(engine, [offer(strange(1))])
    enrol_new(engine)
    enrolment = Enrolment(engine)
    enrolment.read()

    class Overtaken(Judge):
        """A check during which another replay is quicker."""

        def judge(self, offer: Offer) -> Judged:
            """The same, but late."""
            assert again(engine).stored == 1
            return super().judge(offer)

    committer = Committer(engine, enrolment, clock_ms=lambda: LATER_MS)
    committer.judge = Overtaken(enrolment)
    (held,) = held_packs(engine, now_ms=LATER_MS)
    with closing(committer):
        assert committer.replay(held) is None
    assert rows(engine, "SELECT count(*) FROM reading") == [(2,)]


def test_a_running_service_says_it_with_its_next_statement(engine: Engine) -> None:
    enrol_world(engine)
    now_s = [100.0]
    with collecting(engine, monotonic=lambda: now_s[0], now_ms=LATER_MS) as (collector, kept):
        collector.offer(offer(strange(1, 2)))
        until(lambda: len(kept.sent) == 1)
        enrol_new(engine)
        again(engine)
        now_s[0] += 1.0
        collector.offer(offer(north_pack(3)))
        until(lambda: len(kept.sent) == 2)
    assert [_said(word) for word in kept.sent] == [(JOURNAL, 0), (JOURNAL, 3)]


def _said(word: DownlinkValue) -> tuple[str, int]:
    statement = read_statement(word.payload)
    assert statement is not None
    return statement.journal, statement.upto
