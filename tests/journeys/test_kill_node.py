"""kill -9 of a node, while it journals and while it sends: every instant of its spool is stored once."""

import logging
import random
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from tests.journeys.hung import Hung, hang, write_node_file
from tests.journeys.needs import often
from tests.journeys.yard import SITE, Yard, end, make_yard, serving, until

log = logging.getLogger(__name__)
JOURNALLING_KILLS, SENDING_KILLS = 2, often(4, long=10)
YEARS, SEED = 0.3, 7
SLOWLY, AT_ONCE = "20", "200"  # packs a second: slow enough that a kill finds it sending


def stored(engine: Engine) -> int:
    """Instants that are stored."""
    with engine.connect() as connection:
        return int(connection.execute(text("SELECT count(*) FROM instant")).scalar_one())


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
    begun = stored(engine)
    child = made.start("--packs-per-s", SLOWLY)
    until(lambda: stored(engine) >= begun + after, "instants to be stored", every_s=0.001)
    child.kill()
    end(child)
    with made.spool() as spool:
        return stored(engine) < spool.head


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


def kept_readings(yard: Yard) -> list[tuple[str, int, float]]:
    """Every reading of the store."""
    sql = "SELECT c.name, r.t_ms, r.value FROM reading r JOIN channel c ON c.id = r.channel_id"
    return [(name, ms, value) for name, ms, value in yard.rows(sql)]


@pytest.mark.parametrize(("protocol", "kills"), [("5", SENDING_KILLS), ("3.1.1", 3)])
def test_all_instants_of_a_node_that_is_killed_are_stored_once(
    tmp_path: Path, protocol: str, kills: int
) -> None:
    yard, rng, at_work = make_yard(tmp_path / "yard"), random.Random(20261125), 0
    made = hang(yard, door="north", years=YEARS, seed=SEED)
    with serving(yard) as served, yard.opened() as engine:
        write_node_file(made, served.intake, protocol=protocol)
        for _ in range(JOURNALLING_KILLS):
            kill_while_journalling(made)
        for _ in range(kills):
            at_work += kill_while_sending(made, engine, rng.randint(1, 100))
        send_all(made)
        instants = stored(engine)
    readings = kept_readings(yard)
    log.info("%d kills while sending, %d instants, %d readings", at_work, instants, len(readings))
    assert at_work == kills
    assert len(readings) == len(set(readings))
    assert set(readings) == spooled(made)
    assert instants == head(made)
    assert yard.rows("SELECT count(*) FROM quarantine") == [(0,)]
