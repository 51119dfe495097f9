"""What the nights of a trial hand on: the fits of its pairs, or of the doors of a group, as JSON."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from server.inspection.standing import kept_of
from server.trend.answer import Kept
from server.trend.paired_nights import PairKept
from server.trend.together import Shares
from server.trials.tables import TrialFitRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """Which fit of a trial: its seal, the place of the pair or door in its record, the series, its basis.

    A fit whose basis is another one is not found: what it rested on has changed since.
    """

    seal: str
    place: int
    joint: str
    basis: str


def kept_pair(session: Session, spot: Spot) -> PairKept | None:
    """What was kept of a pair; None where nothing was, or where it rests on other days."""
    told = _told(session, spot)
    if told is None:
        return None
    first, second = (kept_of(one) for one in told["doors"])
    return PairKept(
        doors=(first, second),
        shares=None if told["shares"] is None else Shares(**told["shares"]),
        age=told["age"],
        refusal=told["refusal"],
    )


def kept_rate(session: Session, spot: Spot) -> Kept | None:
    """What was kept of one door; None where nothing was, or where it rests on other days."""
    told = _told(session, spot)
    return None if told is None else kept_of(told)


def keep(session: Session, spot: Spot, kept: PairKept | Kept) -> None:
    """Keep what the next night needs, in the place of what was there."""
    session.execute(delete(TrialFitRow).where(*_at(spot)))
    session.execute(insert(TrialFitRow).values(**asdict(spot), state=json.dumps(asdict(kept))))


def _told(session: Session, spot: Spot) -> Mapping[str, Any] | None:
    query = select(TrialFitRow.state).where(*_at(spot), TrialFitRow.basis == spot.basis)
    state = session.scalar(query)
    return None if state is None else dict(json.loads(state))


def _at(spot: Spot) -> tuple[Any, ...]:
    return (TrialFitRow.seal == spot.seal, TrialFitRow.place == spot.place, TrialFitRow.joint == spot.joint)
