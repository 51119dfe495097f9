"""The collector: nothing is answered before it is committed, and one bad pack costs no other."""

import json
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import Engine, event
from sqlalchemy.exc import OperationalError

from sensors.message.pack import pack_bytes
from sensors.message.statement import read_statement
from server.database import open_engine, session_of
from server.doors.tables import Channel
from server.intake.collector import Collector
from server.intake.line import Line
from server.intake.values import Offer, Taken
from tests.intake.yard import (
    ARRIVAL_MS,
    JOURNAL,
    MADE,
    START_MS,
    collect,
    collecting,
    enrol_world,
    north_pack,
    offer,
    rows,
    until,
)


class BrokenBytes(bytes):
    """A payload on which the checker stumbles as on a fault of its own."""

    def decode(self, *_: object, **__: object) -> str:
        """Never gives text."""
        raise RuntimeError("a fault in the checker")


@contextmanager
def failing_commits(engine: Engine) -> Iterator[threading.Event]:
    """While the event is set every COMMIT fails as on a full disk."""
    fails = threading.Event()

    def fail(_connection: object) -> None:
        if fails.is_set():
            raise OperationalError("COMMIT", None, Exception("disk is full"))

    event.listen(engine, "commit", fail)
    yield fails
    event.remove(engine, "commit", fail)


def test_answer_comes_after_the_commit(engine: Engine, database_url: str) -> None:
    """An answer looks with a connection of its own: it sees what is committed, and nothing else."""
    enrol_world(engine)
    other = open_engine(database_url, reader=True)
    seen: list[int] = []

    def answer(taken: Sequence[Taken]) -> None:
        assert len(taken) == 1
        seen.append(rows(other, "SELECT count(*) FROM reading")[0][0])

    with collecting(engine, answer=answer) as (collector, _):
        collector.offer(offer(north_pack(1, 3)))
    other.dispose()
    assert seen == [6]


@pytest.mark.parametrize("states_first", [False, True])
def test_a_statement_goes_before_the_answer_where_that_is_asked(engine: Engine, states_first: bool) -> None:
    enrol_world(engine)
    order: list[str] = []
    parts: dict[str, Any] = {
        "answer": lambda _: order.append("answer"),
        "send": lambda _: order.append("statement"),
    }
    with collecting(engine, states_first=states_first, **parts) as (collector, _):
        collector.offer(offer(north_pack(1)))
    assert order == (["statement", "answer"] if states_first else ["answer", "statement"])


def test_refusal_is_answered_after_it_is_kept(engine: Engine, database_url: str) -> None:
    enrol_world(engine)
    other = open_engine(database_url, reader=True)
    seen: list[Any] = []

    def answer(taken: Sequence[Taken]) -> None:
        seen.extend((one.code, rows(other, "SELECT code FROM quarantine")) for one in taken)

    with collecting(engine, answer=answer) as (collector, _):
        collector.offer(offer(b"{"))
    other.dispose()
    assert seen == [("not-json", [("not-json",)])]


def test_failing_store_answers_nothing_and_then_all(engine: Engine) -> None:
    enrol_world(engine)
    with failing_commits(engine) as fails, collecting(engine) as (collector, kept):
        fails.set()
        collector.offer(offer(north_pack(1), token=1))
        until(lambda: collector.counters()["store_failing"] is True)
        collector.offer(offer(north_pack(2), token=2))
        assert kept.taken == []
        assert rows(engine, "SELECT * FROM reading") == []
        fails.clear()
        until(lambda: len(kept.taken) == 2)
        assert collector.counters()["store_failing"] is False
    assert [one.token for one in kept.taken] == [1, 2]
    assert len(rows(engine, "SELECT * FROM reading")) == 4


def test_stop_under_a_failing_store_answers_nothing(engine: Engine) -> None:
    enrol_world(engine)
    with failing_commits(engine) as fails:
        fails.set()
        kept = collect(engine, [offer(north_pack(1))])
    assert kept.taken == []
    assert collect(engine, [offer(north_pack(1))]).codes() == [None]


def test_stop_empties_the_line(engine: Engine) -> None:
    enrol_world(engine)
    kept = collect(engine, [offer(north_pack(1 + number), token=number) for number in range(300)])
    assert [one.token for one in kept.taken] == list(range(300))
    assert rows(engine, "SELECT count(*) FROM instant") == [(300,)]


def test_a_fault_of_our_own_costs_one_pack(engine: Engine) -> None:
    enrol_world(engine)
    bad = offer(BrokenBytes(north_pack(2)), token=2)
    kept = collect(engine, [offer(north_pack(1), token=1), bad, offer(north_pack(3), token=3)])
    assert [(one.token, one.code) for one in kept.taken] == [(1, None), (2, "internal"), (3, None)]
    assert rows(engine, "SELECT code, seq_from FROM quarantine") == [("internal", None)]
    said = read_statement(kept.sent[-1].payload)
    assert said is not None
    assert (said.upto, said.have, said.held) == (1, ((3, 3),), ())


def test_one_bad_pack_among_many(engine: Engine) -> None:
    enrol_world(engine)
    packs = [north_pack(1 + number) for number in range(199)]
    packs.insert(77, north_pack(500).replace(b'"/"', b'"%"'))
    kept = collect(engine, [offer(pack) for pack in packs])
    assert kept.codes() == [None] * 77 + ["unit-mismatch"] + [None] * 122


def test_redelivery_is_stored_once_and_acknowledged(engine: Engine) -> None:
    enrol_world(engine)
    with collecting(engine) as (collector, kept):
        collector.offer(offer(north_pack(1, 5)))
        until(lambda: len(kept.taken) == 1)
        for pack in (north_pack(1, 5), north_pack(2, 2), north_pack(4, 4)):
            collector.offer(offer(pack))
        until(lambda: len(kept.taken) == 4)
        counted = collector.counters()
    assert kept.codes() == [None] * 4
    assert rows(engine, "SELECT count(*) FROM reading") == [(14,)]
    assert rows(engine, "SELECT seq_from, seq_to FROM journal_span") == [(1, 7)]
    assert (counted["redelivered"], counted["readings_stored"], counted["packs_stored"]) == (2, 14, 4)


def test_other_value_is_held_and_nothing_is_overwritten(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(north_pack(1))])
    before = rows(engine, "SELECT * FROM reading")
    kept = collect(engine, [offer(north_pack(1, value=5)), offer(north_pack(2))])
    assert kept.codes() == ["duplicate-different-value", None]
    assert set(before) < set(rows(engine, "SELECT * FROM reading"))
    said = read_statement(kept.sent[-1].payload)
    assert said is not None
    assert (said.upto, said.held) == (2, ())


def clockless_pack(value: int = 400000) -> bytes:
    """A pack of a node that never learned the time: two instants, counted back from its sending."""
    instants = [(ms, [("gap-lock-top", "/", value, 6)]) for ms in (-600_000, 0)]
    names = {"base_name": "saltmarsh-yard/north/", "journal": JOURNAL, "first_seq": 5, "clock": "none"}
    return pack_bytes(**names, instants=instants)  # type: ignore[arg-type]  # the words above, by name


def test_an_instant_without_a_clock_is_stamped_once(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(clockless_pack())])
    stamped = rows(engine, "SELECT * FROM reading")
    again = collect(engine, [offer(clockless_pack(), at_ms=ARRIVAL_MS + 90_000)])
    other = collect(engine, [offer(clockless_pack(value=400001), at_ms=ARRIVAL_MS + 95_000)])
    assert (again.codes(), other.codes()) == ([None], ["duplicate-different-value"])
    assert rows(engine, "SELECT * FROM reading") == stamped


def test_instant_at_another_time_is_held(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(north_pack(1))])
    kept = collect(engine, [offer(north_pack(1, start_ms=START_MS + 1000))])
    assert kept.codes() == ["seq-mismatch"]


def test_retained_readings_are_stored_once(engine: Engine) -> None:
    enrol_world(engine)
    retained = offer(north_pack(1))._replace(retain=True)
    assert collect(engine, [retained, retained]).codes() == [None, None]
    assert rows(engine, "SELECT count(*) FROM reading") == [(2,)]


def test_an_offer_without_a_token_is_stored_unanswered(engine: Engine) -> None:
    enrol_world(engine)
    assert collect(engine, [offer(north_pack(1), token=None)]).taken == []
    assert rows(engine, "SELECT count(*) FROM reading") == [(2,)]


def test_new_channel_is_looked_up_once_a_second(engine: Engine) -> None:
    """The first pack of a stranger costs the look-up of this second; the next one waits for the next."""
    enrol_world(engine)
    now_s = [0.0]
    pack = north_pack(1).replace(b"air-rh", b"air-new")
    with collecting(engine, monotonic=lambda: now_s[0]) as (collector, kept):
        collector.offer(offer(pack))
        until(lambda: len(kept.taken) == 1)
        with session_of(engine) as session:
            words = {"quantity": "air_rh", "place": "air", "unit": "%RH", "decimals": 2, "since": MADE}
            node_id = rows(engine, "SELECT id FROM node WHERE name = 'north'")[0][0]
            session.add(Channel(node_id=node_id, name="saltmarsh-yard/north/air-new", **words))
        collector.offer(offer(pack))
        until(lambda: len(kept.taken) == 2)
        now_s[0] = 1.0
        collector.offer(offer(pack))
        until(lambda: len(kept.taken) == 3)
    assert kept.codes() == ["unknown-channel", "unknown-channel", None]


def test_a_node_enrolled_since_the_start_is_looked_up_at_once(engine: Engine) -> None:
    with collecting(engine, monotonic=lambda: 0.0) as (collector, kept):
        enrol_world(engine)
        collector.offer(offer(north_pack(1)))
    assert kept.codes() == [None]


def test_refresh_reads_who_is_enrolled(engine: Engine) -> None:
    with collecting(engine, monotonic=lambda: 0.0) as (collector, kept):
        collector.offer(offer(north_pack(1)))
        until(lambda: len(kept.taken) == 1)
        enrol_world(engine)
        collector.offer(offer(north_pack(1)))
        until(lambda: len(kept.taken) == 2)
        collector.refresh()
        collector.offer(offer(north_pack(2)))
    assert kept.codes() == ["unknown-node", "unknown-node", None]


def test_last_heard_is_kept(engine: Engine) -> None:
    enrol_world(engine)
    later = ARRIVAL_MS + 7000
    collect(engine, [offer(north_pack(1), at_ms=later), offer(north_pack(2)), offer(b"{", at_ms=later + 1)])
    assert rows(engine, "SELECT last_heard_ms FROM node WHERE name = 'north'") == [(later + 1,)]


def test_counters_have_the_names_of_the_service(engine: Engine) -> None:
    enrol_world(engine)
    with collecting(engine) as (collector, kept):
        collector.offer(offer(north_pack(1, 2)))
        collector.offer(offer(b"["))
        until(lambda: len(kept.taken) == 2)
        until(lambda: collector.counters()["dirty_days"] == 0)
        counted = collector.counters()
    assert json.loads(json.dumps(counted)) == counted
    assert counted["packs_refused"] == {"not-json": 1}
    assert (counted["packs_stored"], counted["readings_stored"], counted["group_packs_sum"]) == (1, 4, 2)
    assert (counted["last_commit_ms"], counted["queue_packs"], counted["queue_bytes"]) == (ARRIVAL_MS, 0, 0)
    assert counted["fast_misses"] == 1
    buckets = counted["commit_seconds_buckets"]
    assert isinstance(buckets, dict)
    assert list(buckets.values()) == sorted(buckets.values())


def test_rollups_are_made_when_the_line_is_empty(engine: Engine) -> None:
    enrol_world(engine)
    with collecting(engine) as (collector, _):
        collector.offer(offer(north_pack(1, 10)))
        until(lambda: rows(engine, "SELECT count(*), sum(n) FROM rollup_day") == [(2, 20)])
    assert rows(engine, "SELECT count(*) FROM dirty_day") == [(0,)]


def test_a_sender_that_waits_for_its_answer_does_not_wait_for_rollups(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is stored is dirty and the line empty, but not for long: common practice, no source."""
    take, taken = Line.take, list[tuple[int, float]]()

    def watched(line: Line, most: int, *, wait_s: float) -> list[Offer]:
        group = take(line, most, wait_s=wait_s)
        taken.append((len(group), wait_s))
        return group

    monkeypatch.setattr(Line, "take", watched)
    enrol_world(engine)
    with collecting(engine) as (collector, _):
        collector.offer(offer(north_pack(1)))
        until(lambda: rows(engine, "SELECT count(*) FROM rollup_day") == [(2,)])
        collector.offer(offer(north_pack(2)))
        until(lambda: rows(engine, "SELECT sum(n) FROM rollup_day") == [(4,)])
    after = max(k for k, (packs, _) in enumerate(taken) if packs) + 1
    assert taken[after][1] >= 0.2


def test_an_answer_that_fails_ends_nothing(engine: Engine) -> None:
    enrol_world(engine)
    answered: list[int] = []

    def answer(taken: Sequence[Taken]) -> None:
        answered.append(len(taken))
        raise ConnectionError("the client went")

    with collecting(engine, answer=answer) as (collector, _):
        collector.offer(offer(north_pack(1)))
        until(lambda: answered == [1])
        collector.offer(offer(north_pack(2)))
    assert answered == [1, 1]


def test_the_line_tells_when_it_is_full(engine: Engine) -> None:
    collector = Collector(engine, clock_ms=lambda: 0, answer=lambda _: None, send=lambda _: None)
    pack = offer(b"x" * 2**20)
    for _ in range(63):
        collector.offer(pack)
    assert not collector.is_full()
    collector.offer(pack)
    assert collector.is_full()
    assert collector.counters()["queue_packs"] == 64


def test_a_group_of_thousands_is_cut(engine: Engine) -> None:
    enrol_world(engine)
    pack = north_pack(1)
    collector = Collector(engine, clock_ms=lambda: ARRIVAL_MS, answer=lambda _: None, send=lambda _: None)
    for _ in range(2500):
        collector.offer(offer(pack))
    collector.start()
    collector.stop()
    counted = collector.counters()
    assert (counted["commits"], counted["packs_stored"], counted["redelivered"]) == (2, 2500, 2499)
