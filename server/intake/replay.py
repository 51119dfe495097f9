"""Held packs once more: each through the full check, and what nodes are told of it."""

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sqlalchemy import Engine

from server.intake.commit import Committer
from server.intake.enrolled import Enrolment
from server.intake.statements import Stater
from server.readings import quarantine

# the wire's alphabet has no sign that LIKE reads otherwise
READINGS_OF = "hangtrue/v1/{site}/{node}/readings"


@dataclass(slots=True, kw_only=True)
class Replay:
    """Packs that were stored, with their new readings; those that stay, by code; those without bytes."""

    stored: int = 0
    readings: int = 0
    stays: dict[str, int] = field(default_factory=dict)
    counted_alone: int = 0


def held_packs(
    engine: Engine, *, now_ms: int, code: str | None = None, node: tuple[str | None, str] | None = None
) -> list[quarantine.Held]:
    """The packs in quarantine, oldest first, of one code, of one node (site None: of any site)."""
    topics = None if node is None else READINGS_OF.format(site=node[0] or "%", node=node[1])
    with engine.connect() as connection:
        return quarantine.held(connection, now=_moment(now_ms), code=code, topics=topics)


def replay(
    engine: Engine,
    *,
    clock_ms: Callable[[], int],
    code: str | None = None,
    node: tuple[str | None, str] | None = None,
) -> Replay:
    """Check held packs again, each in a transaction of its own, and say to their nodes what is stored now.

    A service that runs says it too, with its next statement: it computes each from the database.
    """
    enrolment = Enrolment(engine)
    enrolment.read()
    found, touched = Replay(), dict[int, set[str]]()
    with closing(Committer(engine, enrolment, clock_ms=clock_ms)) as committer:
        for held in held_packs(engine, now_ms=clock_ms(), code=code, node=node):
            came = committer.replay(held)
            if came is None:
                found.counted_alone += held.size_bytes is None
            elif came.code is not None:
                found.stays[came.code] = found.stays.get(came.code, 0) + 1
            else:
                found.stored, found.readings = found.stored + 1, found.readings + came.readings
            if came is not None and came.node_id is not None and came.journal is not None:
                touched.setdefault(came.node_id, set()).add(came.journal)
    _state(Stater(engine, clock_ms=clock_ms), enrolment, touched)
    return found


def _state(stater: Stater, enrolment: Enrolment, touched: dict[int, set[str]]) -> None:
    """The last word to each node, on the journal that it writes now: of another it would not read it."""
    for node_id, journal in stater.present_journals().items():
        node = enrolment.by_id.get(node_id)
        if node is not None and journal in touched.get(node_id, set()):
            stater.state(node, journal, if_other=True)


def _moment(ms: int) -> datetime:
    return datetime.fromtimestamp(ms / 1000, UTC)
