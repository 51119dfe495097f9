"""What the service marks on a door of what its node says: a clock in doubt, two boxes of one name."""

from dataclasses import replace

from sqlalchemy import Engine, text

from sensors.message.statement import write_status
from server.database import session_of
from server.doors.marks import Mark, marks_of
from server.doors.tables import Channel, Door, Node
from server.readings import store
from server.readings.rollup import recompute_all
from tests.intake.test_statements import UP
from tests.intake.yard import ARRIVAL_MS, MADE, collect, enrol_world, north_pack, offer, rows

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
OTHER = "00000001"


def hung(engine: Engine) -> None:
    """The nodes of the golden packs, and the north door with north's channels on it."""
    enrol_world(engine)
    sizes = {"width_mm": 900.0, "height_mm": 2000.0, "thickness_mm": 45.0}
    texts = {"name": "north", "shown": "North", "species": "oak", "joint": "one deep tenon", "built": "{}"}
    with session_of(engine) as session:
        node = session.query(Node).filter_by(name="north").one()
        session.add(door := Door(site_id=node.site_id, hung=MADE, added=MADE, **sizes, **texts))
        session.flush()
        session.query(Channel).filter_by(node_id=node.id).update({"door_id": door.id})


def marks(engine: Engine) -> list[Mark]:
    with session_of(engine) as session:
        return marks_of(session, 1)


def say(engine: Engine, *, at_ms: int = ARRIVAL_MS, **changes: object) -> None:
    """The node says how it is."""
    status = write_status(replace(UP, **changes))  # type: ignore[arg-type]  # the names are those of Status
    collect(engine, [offer(status, leaf="status", at_ms=at_ms)], now_ms=at_ms)


def test_a_clock_that_was_reset_is_marked_once(engine: Engine) -> None:
    hung(engine)
    fix = (ARRIVAL_MS - 3 * HOUR_MS, ARRIVAL_MS, 90_000)
    for _ in range(2):
        say(engine, clock_fix=fix)
    (mark,) = marks(engine)
    assert (mark.kind, mark.t_ms, mark.by) == ("clock-suspect", ARRIVAL_MS, "hangtrue")
    said = "clock set by +90.0 s after 3.0 h, more than drift, times stay: saltmarsh-yard/north"
    assert mark.text == said


def test_a_clock_that_drifted_is_no_matter(engine: Engine) -> None:
    hung(engine)
    say(engine, clock_fix=(ARRIVAL_MS - 30 * DAY_MS, ARRIVAL_MS, 90_000))
    assert marks(engine) == []


def test_a_drift_told_through_the_wire_moves_what_is_read(engine: Engine) -> None:
    """Instants of a drifting clock, the word of its drift, and late ones: one right time for all."""
    hung(engine)
    begin = ARRIVAL_MS - 10 * DAY_MS
    packs = [north_pack(seq, 2, start_ms=begin).replace(b'"bclk":"utc"', b'"bclk":"drift"') for seq in (1, 3)]
    collect(engine, [offer(packs[0])])
    say(engine, clock_fix=(begin, ARRIVAL_MS, 100_000))
    collect(engine, [offer(packs[1], token=2)])
    with session_of(engine) as session:
        found = store.raw(session, north_channel(engine), begin, ARRIVAL_MS)
    sent = [begin + 600_000 * seq for seq in (1, 2, 3, 4)]
    assert found.ms.tolist() == [ms + 100_000 * (ms - begin) // (10 * DAY_MS) for ms in sent]
    assert [ms for (ms,) in rows(engine, "SELECT DISTINCT t_ms FROM reading ORDER BY 1")] == sent


def test_a_late_reading_is_rolled_up_on_its_right_day(engine: Engine) -> None:
    """Sent a minute before midnight by a clock that was slow: it is of the day after."""
    hung(engine)
    midnight = ARRIVAL_MS // DAY_MS * DAY_MS
    say(engine, clock_fix=(midnight - 10 * DAY_MS, midnight + HOUR_MS, 100_000))
    pack = north_pack(1, start_ms=midnight - 660_000).replace(b'"bclk":"utc"', b'"bclk":"drift"')
    collect(engine, [offer(pack)])
    recompute_all(engine)
    assert rows(engine, "SELECT DISTINCT t_ms FROM reading") == [(midnight - 60_000,)]
    assert rows(engine, "SELECT DISTINCT day FROM rollup_day") == [(midnight // DAY_MS,)]


def north_channel(engine: Engine) -> int:
    with engine.connect() as connection:
        asked = text("SELECT id FROM channel WHERE name = 'saltmarsh-yard/north/air-rh'")
        return int(connection.execute(asked).scalar_one())


def test_two_journals_in_turn_are_twins(engine: Engine) -> None:
    hung(engine)
    say(engine)
    say(engine, journal=OTHER, at_ms=ARRIVAL_MS + HOUR_MS)
    assert marks(engine) == [], "a wiped box begins another journal"
    say(engine, at_ms=ARRIVAL_MS + 2 * HOUR_MS)
    (mark,) = marks(engine)
    assert (mark.kind, mark.t_ms) == ("twin", ARRIVAL_MS + 2 * HOUR_MS)
    assert mark.text == "two boxes speak in turn under the name saltmarsh-yard/north"


def test_twins_are_marked_once_a_day(engine: Engine) -> None:
    hung(engine)
    for n in range(30):
        say(engine, journal=(UP.journal, OTHER)[n % 2], at_ms=ARRIVAL_MS + n * HOUR_MS)
    moments = [mark.t_ms for mark in marks(engine)]
    assert moments == [ARRIVAL_MS + 2 * HOUR_MS, ARRIVAL_MS + 26 * HOUR_MS]
