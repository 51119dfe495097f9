"""The months that `reading` is cut into on PostgreSQL, made as readings of them come. SQLite has none."""

from collections.abc import Iterable
from datetime import UTC, datetime

from sqlalchemy import Engine, func, select, text

DAY_MS = 86_400_000
LOCK = 7_481_202_612  # any number of our own, the same in every hangtrue
Month = tuple[int, int]  # year, month of the year


def month_of(t_ms: int) -> Month:
    """The month in UTC of a moment."""
    moment = datetime.fromtimestamp(t_ms // 1000, UTC)
    return moment.year, moment.month


def start_ms(month: Month) -> int:
    """The first millisecond of a month."""
    return int(datetime(*month, 1, tzinfo=UTC).timestamp()) * 1000


def ensure_months(engine: Engine, moments_ms: Iterable[int], known: set[Month]) -> None:
    """Make the months of these moments that are not `known` yet, and add them to `known`.

    In a transaction of its own: what is made stays, whatever becomes of the readings.
    Source: PostgreSQL manual, CREATE TABLE, PARTITION OF.
    """
    if engine.dialect.name != "postgresql":
        return
    # days first: a month is costly to name, and a group holds few days
    days = {moment // DAY_MS for moment in moments_ms}
    missing = sorted({month_of(day * DAY_MS) for day in days} - known)
    if not missing:
        return
    with engine.begin() as connection:
        connection.execute(select(func.pg_advisory_xact_lock(LOCK)))
        for year, month in missing:
            name = f"reading_{year:04d}_{month:02d}"
            if connection.execute(select(func.to_regclass(name))).scalar() is None:
                begin, end = start_ms((year, month)), start_ms((year + month // 12, month % 12 + 1))
                connection.execute(
                    text(f"CREATE TABLE {name} PARTITION OF reading FOR VALUES FROM ({begin}) TO ({end})")
                )
    known.update(missing)
