"""Thinning the database: marked on every door first, then channel after channel."""

from datetime import UTC, date, datetime, timedelta

from sqlalchemy import Engine, select

from server.backup.refusals import NotThinnedError
from server.database import session_of
from server.doors.marks import add_mark, marks_of
from server.doors.tables import Door
from server.readings.checking import channels_with_readings
from server.readings.rollup import recompute_all
from server.readings.thinning import KIND, Thinned, thin_channel

ASKED = "thin the readings"
LEAST_AGE = timedelta(days=100)  # longer than a refused pack is held, so that none of them is of thinned days
BY = "hangtrue"


def thin(engine: Engine, *, before: date, now: datetime) -> Thinned:
    """Put hourly means in the place of all readings from before a day (UTC), and mark it on every door.

    What a node sends again of those days is acknowledged and dropped. Raises NotThinnedError.
    """
    limit = datetime(before.year, before.month, before.day, tzinfo=UTC)
    if limit > now - LEAST_AGE:
        raise NotThinnedError(ASKED, f"a day at least {LEAST_AGE.days} days back", f"{before}")
    before_ms = round(limit.timestamp() * 1000)
    # what waits to be rolled up is rolled up from whole readings, while they are there
    recompute_all(engine, now_ms=round(now.timestamp() * 1000))
    _mark(engine, before_ms, before)
    found = Thinned()
    with session_of(engine) as session:
        channels = channels_with_readings(session)
    for channel in channels:
        with session_of(engine) as session:
            one = thin_channel(session, channel, before_ms=before_ms)
        found = Thinned(readings=found.readings + one.readings, means=found.means + one.means)
    return found


def _mark(engine: Engine, before_ms: int, before: date) -> None:
    with session_of(engine) as session:
        doors = session.scalars(select(Door.id).order_by(Door.id)).all()
        if not doors:
            raise NotThinnedError(ASKED, "a door to mark it on", "none hung")
        for door in doors:
            if not any(one.kind == KIND and one.t_ms == before_ms for one in marks_of(session, door)):
                text = f"readings from before {before} are hourly means"
                add_mark(session, door, t_ms=before_ms, kind=KIND, text=text, by=BY)
