"""Verifying the database that is in use: its pages, parents, readings and rollups."""

from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

import numpy as np
from sqlalchemy import Connection, Engine
from sqlalchemy.orm import Session

from server.backup.contents import Contents, contents_of
from server.backup.refusals import BackupError
from server.backup.sqlite_file import check_pages
from server.readings.checking import channels_gone, channels_with_readings, days_to_check, wrong_days
from server.readings.thinning import thinned_before_ms
from server.readings.write import DAY_MS
from server.schema import check, differences

ASKED = "verify the database"
SAMPLE = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What was seen. `faults` are words; `days` counts the rollups that were made again and compared."""

    contents: Contents
    days: int
    faults: tuple[str, ...]


def verify(engine: Engine, *, chance: np.random.Generator, sample: int | None = SAMPLE) -> Verified:
    """Look at everything once: rows without parents, channels that are gone, and rollups.

    Of rollups `sample` days are drawn by chance (None: every day is looked at).
    Raises StaleSchemaError for a database of another version.
    """
    check(engine)
    faults = [f"the tables differ: {one!r:.100}" for one in differences(engine)[:5]]
    with engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            faults += _pages(connection)
        contents = contents_of(connection)
        with Session(connection) as session:
            faults += [f"channel {one} has readings and is not enrolled" for one in channels_gone(session)]
            days = _chosen(session, chance, sample)
            wrong = [
                (channel, day)
                for channel, its in groupby(days, key=itemgetter(0))
                for day in wrong_days(session, channel, [day for _, day in its])
            ]
    faults += [
        f"the rollup of channel {channel} on {np.datetime64(day, 'D')} is not what its readings say"
        for channel, day in wrong
    ]
    return Verified(contents=contents, days=len(days), faults=tuple(faults))


def _pages(connection: Connection) -> list[str]:
    try:
        check_pages(connection, asked=ASKED)
    except BackupError as fault:
        return [fault.came]
    return []


def _chosen(session: Session, chance: np.random.Generator, sample: int | None) -> list[tuple[int, int]]:
    """Channel-days to make again. Those from before a thinning are left: their rollups know more."""
    first_day = -(-(thinned_before_ms(session.connection()) or 0) // DAY_MS)
    days = [
        (channel, day)
        for channel in channels_with_readings(session)
        for day in days_to_check(session, channel)
        if day >= first_day
    ]
    if sample is None or len(days) <= sample:
        return days
    return [days[place] for place in sorted(chance.choice(len(days), sample, replace=False))]
