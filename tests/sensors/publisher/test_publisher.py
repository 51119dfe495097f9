"""The publisher: newest first, one in flight, freed by a statement alone, sent again when unnamed."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import pytest

from sensors.config import Broker, NodeFile
from sensors.message.secret import Secret, write_secret
from sensors.message.statement import Statement, write_statement
from sensors.publisher.choose import Pace
from sensors.publisher.passwords import Passwords
from sensors.publisher.publisher import Publisher, Surroundings
from sensors.publisher.transport import Event
from sensors.spool import Sampled, Spool
from tests.fakes.transport import HandTransport

NODE = NodeFile(site="saltmarsh-yard", node="north", state_dir=Path("none"), broker=Broker(), channels=())
START_MS = 1_767_268_200_000
SMALL = Pace(pack_bytes=420)  # two instants of one channel and more do not fit with four


@dataclass
class Bench:
    """A publisher with its hands tied to the test."""

    publisher: Publisher
    transport: HandTransport
    said: list[str]
    at: list[float] = field(default_factory=lambda: [0.0])

    def step(self, *events: Event, after_s: float = 0.0) -> None:
        self.at[0] += after_s
        self.transport.events.extend(events)
        self.publisher.step(wait_s=0.0)

    def ranges(self) -> list[tuple[int, int]]:
        packs = [json.loads(payload) for _, payload in self.transport.packs()]
        return [(pack[0]["bseq"], pack[0]["bseq"] + pack[0]["bcnt"] - 1) for pack in packs]

    def taken(self) -> Event:
        return Event(kind="taken", mid=self.transport.packs()[-1][0])


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    transport, at = HandTransport(), [0.0]
    said: list[str] = []
    with Spool(tmp_path / "spool.db", journal_id=lambda: "7c1e90ab") as spool:
        spool.set_layout((("air-temp", "Cel", 2),))
        spool.append(
            Sampled(ms=START_MS + 600_000 * k, clock="utc", boot=1, values=((0, 800 + k),)) for k in range(20)
        )
        around = Surroundings(
            now_ms=lambda: START_MS + 20 * 600_000, monotonic=lambda: at[0], chance=Random(1), say=said.append
        )
        yield Bench(Publisher(NODE, spool, transport, pace=SMALL, around=around), transport, said, at)


def ack(upto: int, *have: tuple[int, int], t_ms: int, journal: str = "7c1e90ab", held: str = "") -> Event:
    held_runs = ((19, 20, held),) if held else ()
    statement = Statement(journal=journal, upto=upto, have=have, held=held_runs, t_ms=t_ms)
    return Event(
        kind="word", topic="hangtrue/v1/saltmarsh-yard/north/ack", payload=write_statement(statement)
    )


CONNECTED = Event(kind="connected")


def test_newest_first_and_one_in_flight(bench: Bench) -> None:
    bench.step()
    assert (bench.transport.connects, bench.ranges()) == (1, [])
    bench.step(CONNECTED)
    newest = bench.ranges()
    assert newest[0][1] == 20
    bench.step(after_s=60.0)
    assert bench.ranges() == newest, "a second pack went before the first was taken"
    bench.step(bench.taken(), after_s=1.0)
    assert bench.ranges()[1][1] == newest[0][0] - 1
    bench.step(bench.taken(), after_s=1.0)
    assert len(bench.ranges()) == 2, "the next pack went within two seconds"
    bench.step(after_s=1.0)
    assert len(bench.ranges()) == 3


def test_every_pack_is_within_the_limit(bench: Bench) -> None:
    bench.step(CONNECTED)
    for _ in range(30):
        bench.step(bench.taken(), after_s=0.1)
        bench.step(after_s=3.0)
    assert all(len(payload) <= SMALL.pack_bytes for _, payload in bench.transport.packs())
    assert sorted(seq for first, last in bench.ranges() for seq in range(first, last + 1)) == list(
        range(1, 21)
    )


def test_a_puback_frees_nothing_and_a_statement_does(bench: Bench) -> None:
    bench.step(CONNECTED)
    bench.step(bench.taken())
    assert bench.publisher.waiting() == 20
    bench.step(ack(0, bench.ranges()[0], t_ms=5))
    first, last = bench.ranges()[0]
    assert bench.publisher.waiting() == 20 - (last - first + 1)


def test_a_statement_of_another_journal_or_an_older_one_is_ignored(bench: Bench) -> None:
    bench.step(CONNECTED, ack(20, t_ms=9, journal="00000000"))
    assert bench.publisher.waiting() == 20
    bench.step(ack(10, t_ms=9))
    bench.step(ack(20, t_ms=8))
    assert bench.publisher.waiting() == 10


def test_what_no_statement_names_is_sent_again_and_later_each_time(bench: Bench) -> None:
    bench.step(CONNECTED)
    newest = bench.ranges()[0]
    bench.step(bench.taken(), ack(newest[0] - 1, t_ms=5))
    bench.step(after_s=SMALL.resend_s - 1)
    assert bench.ranges() == [newest]
    bench.step(after_s=2.0)
    assert bench.ranges() == [newest, newest]
    bench.step(bench.taken(), after_s=SMALL.resend_s + 1)
    assert len(bench.ranges()) == 2, "the wait did not double"
    bench.step(after_s=SMALL.resend_s)
    assert len(bench.ranges()) == 3


def test_after_five_tries_instants_go_one_by_one(bench: Bench) -> None:
    bench.step(CONNECTED)
    newest = bench.ranges()[0]
    bench.step(bench.taken(), ack(newest[0] - 1, t_ms=5))
    for _ in range(5):
        bench.step(bench.taken(), after_s=2 * SMALL.most_resend_s)
        bench.step(after_s=SMALL.gap_s)
    assert bench.ranges()[-1] == (20, 20)


def test_what_is_held_back_is_not_sent_and_not_freed(bench: Bench) -> None:
    bench.step(CONNECTED)
    bench.step(bench.taken(), ack(18, t_ms=5, held="unknown-channel"), after_s=9999.0)
    bench.step(after_s=9999.0)
    assert len(bench.ranges()) == 1
    assert len(bench.publisher.spool.read(19, 20)) == 2


def test_a_restored_database_shrinks_the_view_and_all_goes_again(bench: Bench) -> None:
    bench.step(ack(20, t_ms=5), CONNECTED)
    assert (bench.ranges(), bench.publisher.waiting()) == ([], 0)
    bench.step(ack(3, t_ms=6))
    assert bench.ranges()[0][1] == 20


def test_reconnecting_waits_longer_each_time(bench: Bench) -> None:
    lost = Event(kind="lost", reason="refused")
    waits = []
    for _ in range(4):
        bench.step(lost)
        since, tries = bench.at[0], bench.transport.connects
        while bench.transport.connects == tries:
            bench.step(after_s=0.5)
        waits.append(bench.at[0] - since)
    for wait, middle in zip(waits, (5, 10, 20, 40), strict=True):
        assert 0.74 * middle <= wait <= 1.26 * middle + 0.5


def test_status_says_how_much_waits_and_leaving_says_when_to_expect_it(bench: Bench) -> None:
    bench.step(CONNECTED)
    statuses = [
        json.loads(payload) for _, topic, payload, _ in bench.transport.sent if topic.endswith("/status")
    ]
    assert [(status["st"], status["pend"], status["head"]) for status in statuses] == [("up", 20, 20)]
    bench.publisher.leave(next_s=3600)
    last = json.loads(bench.transport.sent[-1][2])
    assert (last["st"], last["next_s"], bench.transport.sent[-1][3], bench.transport.closed) == (
        "asleep",
        3600,
        True,
        True,
    )


def test_settings_out_of_bounds_are_refused_whole_and_said(bench: Bench) -> None:
    topic = "hangtrue/v1/saltmarsh-yard/north/config"
    good = {
        "proto": 1,
        "rev": 7,
        "sample_s": 60,
        "upload_s": 120,
        "phase_s": 7,
        "backfill": 3,
        "chan": [["a", "/", 6]],
    }
    bench.step(CONNECTED, Event(kind="word", topic=topic, payload=json.dumps(good).encode()))
    assert bench.publisher.spool.config["rev"] == 7
    bad = good | {"rev": 8, "sample_s": 5}
    bench.step(Event(kind="word", topic=topic, payload=json.dumps(bad).encode()), after_s=60.0)
    assert bench.publisher.spool.config["rev"] == 7
    status = json.loads(
        [payload for _, name, payload, _ in bench.transport.sent if name.endswith("/status")][-1]
    )
    assert (status["cfg"], status["err"]) == (7, [["config", "sample_s"]])


def test_a_refusal_is_said(bench: Bench) -> None:
    bench.step(CONNECTED)
    mid = bench.transport.packs()[-1][0]
    bench.step(Event(kind="taken", mid=mid, reason="unknown-channel"))
    assert bench.said[-1].endswith("were refused: unknown-channel")


def test_a_collector_that_is_away_is_said_once_and_again_when_it_went(bench: Bench) -> None:
    away = Event(kind="lost", reason="Connection refused")
    for _ in range(3):
        bench.step()
        bench.step(away, after_s=1000.0)
    assert bench.said == ["collector away (Connection refused); 20 instants wait"]
    bench.step(Event(kind="refused", reason="Bad user name or password"), after_s=1000.0)
    assert bench.said[1:] == ["collector away (Bad user name or password); 20 instants wait"]
    bench.step(CONNECTED)
    bench.step(away)
    assert bench.said[2:] == ["collector reached", "collector away (Connection refused); 20 instants wait"]


REFUSED = Event(kind="refused", reason="Not authorized")
LOST = Event(kind="lost", reason="Not authorized")
FIRST, SECOND = ("saltmarsh-yard.north.1", "4C7Q9MZK2T0VXA8B"), ("saltmarsh-yard.north.2", "W3NH5R1EJD6GPY0S")


def told(generation: int = 2, key: str = SECOND[1]) -> Event:
    payload = write_secret(Secret(generation=generation, key=key, from_ms=0, until_ms=604_800_000))
    return Event(kind="word", topic="hangtrue/v1/saltmarsh-yard/north/secret", payload=payload)


@pytest.fixture
def changing(bench: Bench, tmp_path: Path) -> Bench:
    """The bench, with a first password in a folder."""
    (tmp_path / "secret").write_text(FIRST[1], "utf-8")
    bench.publisher.passwords = Passwords(tmp_path, site="saltmarsh-yard", node="north", user=FIRST[0])
    return bench


def generations(bench: Bench) -> list[int]:
    statuses = [payload for _, topic, payload, _ in bench.transport.sent if topic.endswith("/status")]
    return [json.loads(payload)["gen"] for payload in statuses]


def test_a_new_password_is_tried_and_said_once_it_works(changing: Bench) -> None:
    changing.step(CONNECTED)
    changing.step(told())
    assert changing.transport.users == [SECOND]
    assert changing.transport.connects == 1
    assert not changing.publisher.is_connected()
    changing.step(CONNECTED)
    assert generations(changing) == [1, 2]
    changing.step(told(), after_s=90_000.0)
    assert changing.transport.users == [SECOND], "it is told as long as the collector does not know"


def test_a_password_that_is_refused_is_tried_again_each_day(changing: Bench) -> None:
    changing.step(CONNECTED)
    changing.step(told())
    changing.step(REFUSED, LOST)
    assert changing.transport.users == [SECOND, FIRST]
    changing.step(after_s=10.0)
    changing.step(CONNECTED, told())
    assert generations(changing) == [1, 1]
    changing.step(after_s=86_000.0)
    assert len(changing.transport.users) == 2
    changing.step(after_s=500.0)
    assert changing.transport.users == [SECOND, FIRST, SECOND]
    changing.step(CONNECTED)
    assert generations(changing)[-1] == 2


def test_a_lost_connection_is_no_verdict_on_the_password(changing: Bench) -> None:
    changing.step(CONNECTED)
    changing.step(told())
    changing.step(LOST)
    changing.step(after_s=10.0)
    assert (changing.transport.users, changing.transport.connects) == ([SECOND], 2)
    changing.step(CONNECTED)
    assert generations(changing)[-1] == 2


def test_a_password_told_later_is_tried_at_once(changing: Bench) -> None:
    changing.step(CONNECTED)
    changing.step(told())
    changing.step(REFUSED, LOST)
    changing.step(after_s=10.0)
    changing.step(CONNECTED, told(3, "0000000000000000"))
    assert changing.transport.users[-1] == ("saltmarsh-yard.north.3", "0000000000000000")


def test_a_cleared_secret_changes_nothing(changing: Bench) -> None:
    cleared = Event(kind="word", topic="hangtrue/v1/saltmarsh-yard/north/secret", payload=b"")
    changing.step(CONNECTED, cleared)
    assert changing.transport.users == []
    assert changing.publisher.is_connected()


def test_started_after_a_kill_it_tries_what_was_kept(changing: Bench, tmp_path: Path) -> None:
    (tmp_path / "secret.new").write_text(json.dumps({"gen": 2, "key": SECOND[1]}), "utf-8")
    changing.publisher.passwords = Passwords(tmp_path, site="saltmarsh-yard", node="north", user=FIRST[0])
    changing.step()
    assert (changing.transport.users, changing.transport.connects) == ([SECOND], 1)
    changing.step(CONNECTED)
    assert generations(changing) == [2]
