"""What was said of a door's series on each night. Rows are added and never changed.

A night that is said again otherwise, because a mark or readings came late, is there twice: what was known
then and what is known now.
"""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from server.inspection.tables import SaidRow
from server.inspection.values import SeriesLook

NUMBERS = ("rate", "low", "high", "stays", "stays_low", "stays_high", "bound")
DATES = ("earliest", "latest")
FIGURES = ("day", "status", "alarm", *NUMBERS, *DATES)
# Two ways through the same sums differ by less, and nothing that is said by more.
SAME = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What was said of one series for one night; days count from 1970, figures are None where not told.

    `day`: the last that was heard. `bound`: its limit. `earliest`: None without a date; `latest`: None where
    it was open. `revision`: 1 what was said first.
    """

    series: str
    slot: str
    revision: int
    at: datetime
    day: int
    status: str
    rate: float | None = None
    low: float | None = None
    high: float | None = None
    stays: float | None = None
    stays_low: float | None = None
    stays_high: float | None = None
    alarm: bool | None = None
    bound: float | None = None
    earliest: int | None = None
    latest: int | None = None

    def says_as(self, other: "Said") -> bool:
        """Whether it says the same as another, whenever that was said."""
        plain = all(
            getattr(self, name) == getattr(other, name) for name in ("day", "status", "alarm", *DATES)
        )
        return plain and all(_is_same(getattr(self, name), getattr(other, name)) for name in NUMBERS)


def say(session: Session, door_id: int, slot: str, looks: Iterable[SeriesLook], *, at: datetime) -> None:
    """Add what a look says of a night; a series of which the same was said for it last is not added again.

    A date that was not reckoned this time stays as it was said.
    """
    last = _last_of(session, door_id, slot)
    rows: list[dict[str, Any]] = []
    for look in looks:
        one, before = _of_look(look, slot, at), last.get(look.key)
        if one is None:
            continue
        if before is not None:
            dates = {name: getattr(before if "forecast" not in look.facts else one, name) for name in DATES}
            one = replace(one, revision=before.revision + 1, **dates)
        if before is None or not before.says_as(one):
            rows.append({"door_id": door_id, **asdict(one)})
    if rows:
        session.execute(insert(SaidRow), rows)


def said_of(session: Session, door_id: int, *, series: str | None = None) -> list[Said]:
    """All that was said of a door, by series, night and revision."""
    asked = select(SaidRow).where(SaidRow.door_id == door_id)
    if series is not None:
        asked = asked.where(SaidRow.series == series)
    rows = session.scalars(asked.order_by(SaidRow.series, SaidRow.slot, SaidRow.revision))
    return [_said(row) for row in rows]


def _last_of(session: Session, door_id: int, slot: str) -> dict[str, Said]:
    of_night = (SaidRow.door_id == door_id, SaidRow.slot == slot)
    newest = select(SaidRow.series, func.max(SaidRow.revision)).where(*of_night).group_by(SaidRow.series)
    numbers: Sequence[Any] = session.execute(newest).all()
    if not numbers:
        return {}
    revisions = dict(tuple(row) for row in numbers)
    rows = session.scalars(select(SaidRow).where(*of_night))
    return {row.series: _said(row) for row in rows if row.revision == revisions[row.series]}


def _of_look(look: SeriesLook, slot: str, at: datetime) -> Said | None:
    """None for a series of which nothing was heard."""
    day, date, alarm = look.facts.get("last_day"), look.facts.get("forecast"), look.facts.get("alarm")
    if not isinstance(day, int):
        return None
    dates = date if isinstance(date, dict) else {}
    figures = {name: look.number(name) for name in ("stays", "stays_low", "stays_high")}
    return Said(
        series=look.key,
        slot=slot,
        revision=1,
        at=at,
        day=day,
        status=look.status,
        rate=look.rate,
        low=look.low,
        high=look.high,
        alarm=alarm if isinstance(alarm, bool) else None,
        bound=look.number("limit"),
        earliest=dates.get("earliest"),
        latest=dates.get("latest"),
        **figures,
    )


def _said(row: SaidRow) -> Said:
    return Said(**{name: getattr(row, name) for name in ("series", "slot", "revision", "at", *FIGURES)})


def _is_same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= SAME
