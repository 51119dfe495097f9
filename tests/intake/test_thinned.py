"""What is sent again of thinned days: acknowledged and dropped."""

from sqlalchemy import Engine

from sensors.message.statement import read_statement
from server.database import session_of
from server.doors.tables import EventMark
from tests.intake.yard import ARRIVAL_MS, START_MS, Kept, collect, enrol_world, north_pack, offer, rows

DAY_MS = 86_400_000
LATE_MS = ARRIVAL_MS + 120 * DAY_MS
PACE_MS = 600_000
LIMIT_MS = START_MS + 5 * PACE_MS  # of instants 1 to 8 the first four are older


def thinned(engine: Engine) -> None:
    """Readings before the fifth instant are marked as thinned."""
    with session_of(engine) as session:
        session.add(EventMark(t_ms=LIMIT_MS, kind="thinned", text="hourly means", by="hangtrue"))


def late(engine: Engine, *packs: bytes) -> Kept:
    """Packs that arrive months later."""
    return collect(engine, [offer(pack, at_ms=LATE_MS) for pack in packs], now_ms=LATE_MS)


def moments(engine: Engine) -> list[int]:
    return [ms for (ms,) in rows(engine, "SELECT DISTINCT t_ms FROM reading ORDER BY t_ms")]


def test_older_readings_are_dropped_and_their_instants_count_as_stored(engine: Engine) -> None:
    enrol_world(engine)
    thinned(engine)
    kept = late(engine, north_pack(1, 8))
    assert kept.codes() == [None]
    assert moments(engine) == [START_MS + seq * PACE_MS for seq in (5, 6, 7, 8)]
    said = read_statement(kept.sent[-1].payload)
    assert said is not None
    assert said.upto == 8
    touched = rows(engine, "SELECT day FROM dirty_day UNION SELECT day FROM rollup_day")
    assert touched == [(LIMIT_MS // DAY_MS,)]


def test_a_redelivery_does_not_meet_the_mean_that_stands_there(engine: Engine) -> None:
    """Another value under the same key would be a refusal; of a thinned day nothing is compared."""
    enrol_world(engine)
    collect(engine, [offer(north_pack(1, 8))])
    with engine.begin() as connection:
        connection.exec_driver_sql(f"UPDATE reading SET value = 0.123 WHERE t_ms < {LIMIT_MS}")  # noqa: S608
    assert late(engine, north_pack(1, 8)).codes() == ["duplicate-different-value"]
    thinned(engine)
    kept = late(engine, north_pack(1, 8, value=0), north_pack(1, 4))
    assert kept.codes() == [None, None]
    assert rows(engine, f"SELECT DISTINCT value FROM reading WHERE t_ms < {LIMIT_MS}") == [(0.123,)]  # noqa: S608


def test_what_is_new_beside_dropped_readings_is_stored(engine: Engine) -> None:
    """Instants that are stored, instants that were thinned, and new ones in one pack."""
    enrol_world(engine)
    collect(engine, [offer(north_pack(1, 6))])
    with engine.begin() as connection:
        connection.exec_driver_sql(f"DELETE FROM reading WHERE t_ms < {LIMIT_MS}")  # noqa: S608  (a number)
    thinned(engine)
    assert late(engine, north_pack(1, 8)).codes() == [None]
    assert moments(engine) == [START_MS + seq * PACE_MS for seq in (5, 6, 7, 8)]
    assert rows(engine, "SELECT count(*) FROM reading") == [(8,)]


def test_without_a_thinning_old_readings_are_stored(engine: Engine) -> None:
    enrol_world(engine)
    assert late(engine, north_pack(1, 8)).codes() == [None]
    assert len(moments(engine)) == 8


def test_what_is_young_is_not_asked_about(engine: Engine) -> None:
    """A pack of this week is older than no thinning that may be."""
    enrol_world(engine)
    thinned(engine)
    pack = north_pack(1, 2, start_ms=ARRIVAL_MS - 2 * DAY_MS)
    assert collect(engine, [offer(pack)]).codes() == [None]
    assert rows(engine, "SELECT count(*) FROM reading") == [(4,)]
