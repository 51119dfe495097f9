"""kill -9 of a node, while it journals and while it sends: every instant of its spool is stored once."""

import logging
import random
from collections.abc import Iterator

import pytest
from sqlalchemy import Engine, text

from tests.journeys.hung import Hung, hang, write_node_file
from tests.journeys.needs import often
from tests.journeys.yard import SITE, Served, Yard, end, make_yard, serving, until

log = logging.getLogger(__name__)
JOURNALLING_KILLS = 2
SENDING_KILLS = {"north": often(3, long=10), "south": often(2, long=3)}
YEARS, SEED = 0.3, 7
SLOWLY, AT_ONCE = "20", "200"  # packs a second: slow enough that a kill finds it sending


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Yard, Served]]:
    """A service for both nodes."""
    yard = make_yard(tmp_path_factory.mktemp("killed") / "yard")
    with serving(yard) as served:
        yield yard, served


def stored(engine: Engine, door: str) -> int:
    """Instants of a node that are stored."""
    sql = (
        "SELECT count(*) FROM instant i JOIN journal j ON j.id = i.journal_id "
        "JOIN node n ON n.id = j.node_id WHERE n.name = :door"
    )
    with engine.connect() as connection:
        return int(connection.execute(text(sql), {"door": door}).scalar_one())


def kill_while_journalling(made: Hung) -> None:
    """Kill the node when a part of its years is in the spool and a part is not."""
    before = head(made)
    child = made.start("--packs-per-s", SLOWLY)
    assert child.stdout is not None
    said = ""
    while "of" not in said.rpartition("\r")[2]:
        came = child.stdout.read(1)
        assert came, said
        said += came
    child.kill()
    end(child)
    assert head(made) > before


def head(made: Hung) -> int:
    """The newest instant of the spool."""
    if not made.is_begun:
        return 0
    with made.spool() as spool:
        return spool.head


def kill_while_sending(made: Hung, engine: Engine, after: int) -> bool:
    """Kill the node once `after` instants more are stored; whether it had more to send then."""
    begun = stored(engine, made.door)
    child = made.start("--packs-per-s", SLOWLY)
    until(lambda: stored(engine, made.door) >= begun + after, "instants to be stored", every_s=0.001)
    child.kill()
    end(child)
    with made.spool() as spool:
        return stored(engine, made.door) < spool.head


def send_all(made: Hung) -> None:
    """Let the node run until nothing waits in it."""
    child = made.start("--packs-per-s", AT_ONCE)
    try:
        until(lambda: made.counts()["waiting"] == 0, "the spool to be stored", every_s=0.2, within_s=60)
    finally:
        assert end(child) == 0


def spooled(made: Hung) -> set[tuple[str, int, float]]:
    """Channel, ms and value of every reading of the spool, as the decimals of the layout say."""
    with made.spool() as spool:
        assert (spool.tail, spool.lost) == (1, 0)
        kept = spool.read(1, spool.head)
        assert [each.seq for each in kept] == list(range(1, spool.head + 1))
        return {
            (f"{SITE}/{made.door}/{layout[index][0]}", each.ms, whole / 10 ** layout[index][2])
            for each in kept
            for layout in [spool.layout_at(each.seq)[1]]
            for index, whole in each.values
        }


def kept_readings(yard: Yard, door: str) -> list[tuple[str, int, float]]:
    """Every reading of a node in the store."""
    sql = "SELECT c.name, r.t_ms, r.value FROM reading r JOIN channel c ON c.id = r.channel_id"
    return [(name, ms, value) for name, ms, value in yard.rows(sql) if name.startswith(f"{SITE}/{door}/")]


@pytest.mark.parametrize(("door", "protocol"), [("north", "5"), ("south", "3.1.1")])
def test_all_instants_of_a_node_that_is_killed_are_stored_once(
    running: tuple[Yard, Served], door: str, protocol: str
) -> None:
    (yard, served), kills = running, SENDING_KILLS[door]
    rng, at_work = random.Random(20261125), 0
    made = hang(yard, door=door, years=YEARS, seed=SEED)
    with yard.opened() as engine:
        write_node_file(made, served.intake, protocol=protocol)
        for _ in range(JOURNALLING_KILLS):
            kill_while_journalling(made)
        for _ in range(kills):
            at_work += kill_while_sending(made, engine, rng.randint(1, 100))
        send_all(made)
        instants = stored(engine, door)
    readings = kept_readings(yard, door)
    log.info("%d kills while sending, %d instants, %d readings", at_work, instants, len(readings))
    assert at_work == kills
    assert len(readings) == len(set(readings))
    assert set(readings) == spooled(made)
    assert instants == head(made)
    assert yard.rows("SELECT count(*) FROM quarantine") == [(0,)]
