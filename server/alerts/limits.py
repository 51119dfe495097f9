"""Limits of the rules as they are set for a door: what each is, why its default is so, what holds when."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from itertools import pairwise

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts.limits_table import HOUSE, LADDERS, ORDER, REASONS
from server.alerts.tables import LimitRow
from server.alerts.verdicts import Limits
from server.errors import OutOfRangeError, SettingsError

MOST = 1_000_000.0
NAMES = tuple(one.name for one in fields(Limits))


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitView:
    """A limit as it holds from the coming night on; `since` None: nobody has set it."""

    name: str
    value: float
    default: float
    unit: str
    said: str
    why: str
    since: str | None = None
    by: str | None = None


def limits_of(session: Session, door_id: int | None, slot: str) -> Limits:
    """The limits of a door (None: of the house) that hold on a night."""
    return replace(Limits(), **_set_by(session, door_id, slot))


def views_of(session: Session, door_id: int | None) -> list[LimitView]:
    """Every limit of a door, or of the house, as it holds from the coming night on, with its reason."""
    rows = {row.name: row for row in _rows(session, door_id)}
    usual = asdict(Limits())
    return [
        _view(name, usual[name], rows.get(name)) for name in NAMES if (name in HOUSE) is (door_id is None)
    ]


def set_limits(
    session: Session,
    door_id: int | None,
    given: Mapping[str, float | None],
    *,
    since: str,
    at: datetime,
    by: str,
) -> list[LimitView]:
    """Set limits from a night on; None is the default again. Gives those that were changed.

    Raises SettingsError for a name that is none of these, OutOfRangeError for a value that cannot be used.
    """
    whose = "the house" if door_id is None else "a door"
    known = [name for name in NAMES if (name in HOUSE) is (door_id is None)]
    for name, value in given.items():
        if name not in known:
            raise SettingsError(f"set a limit of {whose}", f"one of {', '.join(known)}", f"{name!r:.40}")
        if value is not None and not (math.isfinite(value) and 0 <= value <= MOST):
            raise OutOfRangeError(f"set {name}", f"a number from 0 to {MOST:g}", f"{value:g}")
    before = {row.name: row.value for row in _rows(session, door_id)}
    _check_order(_with(Limits(), {**before, **given}))
    changed = [name for name, value in given.items() if before.get(name) != value]
    for name in changed:
        session.add(LimitRow(door_id=door_id, name=name, value=given[name], since=since, at=at, by=by))
    session.flush()
    return [one for one in views_of(session, door_id) if one.name in changed]


def _check_order(limits: Limits) -> None:
    """A step must be over on the other side of its limit, or it would stand and be over at once.

    And of one thing the mild is said before the grave.
    """
    for name, gone, rises in ORDER:
        limit, over = getattr(limits, name), getattr(limits, gone)
        if (over > limit) if rises else (over < limit):
            raise OutOfRangeError(
                f"set {name} and {gone}",
                f"{gone} to be at {'most' if rises else 'least'} {name}, so that a step can end",
                f"{limit:g} and {over:g}",
            )

    for mild, grave in (pair for ladder in LADDERS for pair in pairwise(ladder)):
        if getattr(limits, mild) < getattr(limits, grave):
            raise OutOfRangeError(
                f"set {mild} and {grave}",
                f"{mild} to be at least {grave}, so that the milder is said first",
                f"{getattr(limits, mild):g} and {getattr(limits, grave):g}",
            )


def _set_by(session: Session, door_id: int | None, slot: str) -> dict[str, float]:
    rows = {row.name: row.value for row in _rows(session, door_id) if row.since <= slot[:10]}
    return {name: value for name, value in rows.items() if value is not None and name in NAMES}


def _rows(session: Session, door_id: int | None) -> Iterable[LimitRow]:
    """Oldest first, so that the last of a name is what holds."""
    query = select(LimitRow).order_by(LimitRow.id)
    mine = LimitRow.door_id.is_(None) if door_id is None else LimitRow.door_id == door_id
    return session.scalars(query.where(mine)).all()


def _with(limits: Limits, given: Mapping[str, float | None]) -> Limits:
    return replace(
        limits, **{name: value for name, value in given.items() if value is not None and name in NAMES}
    )


def _view(name: str, default: float, row: LimitRow | None) -> LimitView:
    unit, said, why = REASONS[name]
    is_set = row is not None and row.value is not None
    return LimitView(
        name=name,
        value=float(row.value) if row is not None and row.value is not None else float(default),
        default=float(default),
        unit=unit,
        said=said,
        why=why,
        since=row.since if row is not None and is_set else None,
        by=row.by if row is not None and is_set else None,
    )
