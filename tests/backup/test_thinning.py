"""Thinning the database: marked first, refused for what is young."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
from sqlalchemy import Engine, text

from server.backup.refusals import NotThinnedError
from server.backup.thinning import LEAST_AGE, thin
from server.backup.verifying import verify
from server.database import session_of
from server.doors.marks import marks_of
from server.readings.thinning import Thinned
from tests.backup.yard import contents, fill
from tests.readings.gauges import JAN_1_MS, put
from tests.refusals import refuses

FEB_1 = date(2026, 2, 1)
LATER = datetime(2026, 12, 1, tzinfo=UTC)


def test_it_is_marked_on_the_door_and_the_rest_is_whole(engine: Engine) -> None:
    channels = fill(engine)
    put(engine, [(channels[0], JAN_1_MS + n * 60_000, 0.5) for n in range(1, 60)])
    assert thin(engine, before=FEB_1, now=LATER) == Thinned(readings=31 * 24 * 3 + 59, means=31 * 24 * 3)
    with session_of(engine) as session:
        (mark,) = marks_of(session, 1)
    assert (mark.kind, mark.t_ms, mark.by) == ("thinned", 1769904000000, "hangtrue")  # 2026-02-01T00:00Z
    assert mark.text == "readings from before 2026-02-01 are hourly means"
    assert contents(engine).rows["reading"] == 40 * 24 * 3
    assert thin(engine, before=FEB_1, now=LATER).readings == 31 * 24 * 3
    assert contents(engine).rows["event_mark"] == 1


def test_rollups_of_thinned_days_know_more_and_are_no_fault(engine: Engine) -> None:
    channels = fill(engine)
    put(engine, [(channels[0], JAN_1_MS + n * 60_000, 0.5) for n in range(1, 60)])
    thin(engine, before=FEB_1, now=LATER)
    with engine.connect() as connection:
        day = "SELECT n FROM rollup_day WHERE channel_id = 1 AND day = 20454"
        assert connection.execute(text(day)).scalar() == 24 + 59
    found = verify(engine, chance=np.random.default_rng(1), sample=None)
    assert (found.faults, found.days) == ((), 9 * 3)


def test_young_days_are_refused(engine: Engine) -> None:
    fill(engine, days=1)
    now = datetime(2026, 2, 1, tzinfo=UTC) + LEAST_AGE - timedelta(seconds=1)
    with refuses(NotThinnedError, asked="thin", needed="at least 100 days back", came="2026-02-01"):
        thin(engine, before=FEB_1, now=now)
    assert contents(engine).rows["event_mark"] == 0


def test_without_a_door_there_is_nowhere_to_mark_it(engine: Engine) -> None:
    with refuses(NotThinnedError, asked="thin", needed="a door", came="none"):
        thin(engine, before=FEB_1, now=LATER)
