"""Drafts, sealed records and their amendments: put in, found again, and checked against their seals."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.clock import Clock
from server.trials.canonical import SEAL, canonical, normal, seal_of, shown
from server.trials.declared import (
    Declared,
    declared_of,
    draft_of,
    refuse_early_start,
    refuse_overclaim,
    sides_of,
    without_doors,
)
from server.trials.refusals import DeclarationError, SealBrokenError, SealedError, UnknownTrialError
from server.trials.tables import TrialDraftRow, TrialRecordRow

LEAST_LETTERS = 8
LONGEST_REASON = 200
CHANGES = {
    "pairs": "moment or version",
    "groups": "moment or version",
    "starts_on": "start",
    "side_a": "name",
}
NO_CHANGE = ("declared_on", "declared_by", "seen_until", "amends", "reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A declaration not yet sealed. `amends` is the seal of the record that it would replace."""

    id: int
    by: str
    made: datetime
    record: Mapping[str, object]
    amends: str | None
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A sealed record, read and found to agree with its seal.

    `place` of `line_length`: which it is of its line of amendments. `replaced_by`: the next one's seal.
    """

    seal: str
    record: Mapping[str, object]
    declared: Declared
    sealed: datetime
    by: str
    place: int
    line_length: int
    replaced_by: str | None

    @property
    def stands(self) -> bool:
        """Whether it is the one of its line that counts, and not withdrawn."""
        return self.replaced_by is None and not self.declared.is_withdrawn

    @property
    def last_day(self) -> date:
        """The last day on which it may be read."""
        return self.declared.starts_on + timedelta(days=self.declared.horizon_days)


def declare(session: Session, given: Mapping[str, object], *, by: str, clock: Clock) -> int:
    """Keep a declaration as a draft; give its number. Raises as `draft_of`."""
    return _keep(session, {"record": draft_of(given), "amends": None, "reason": None}, by, clock)


def redeclare(session: Session, draft_id: int, given: Mapping[str, object]) -> None:
    """Change a draft's fields; what it amends stays. Raises as `draft_of`, or UnknownTrialError."""
    row = _draft_row(session, draft_id)
    row.body = json.dumps(json.loads(row.body) | {"record": draft_of(given)})
    session.flush()


def drop_draft(session: Session, draft_id: int) -> None:
    """Remove a draft. Raises UnknownTrialError."""
    session.delete(_draft_row(session, draft_id))
    session.flush()


def amend(
    session: Session, name: str, given: Mapping[str, object], *, reason: str, by: str, clock: Clock
) -> int:
    """Keep a draft of a record that would replace the sealed one called `name`; give its number.

    Raises as `declare`; SealedError where that one was replaced already; DeclarationError without a reason.
    """
    old = find(session, name)
    _refuse_replaced(old, "amend")
    body = {"record": draft_of(given), "amends": old.seal, "reason": _reason(reason)}
    return _keep(session, body, by, clock)


def withdraw(session: Session, name: str, *, reason: str, by: str, clock: Clock) -> str:
    """Seal an amendment that names no doors, which ends a trial; give its seal. Raises as `amend`."""
    old = find(session, name)
    _refuse_replaced(old, "withdraw")
    record = without_doors(old.record) | {"starts_on": clock().date().isoformat()}
    filled = _filled(record, by=by, clock=clock, seen_until=None)
    return _insert(session, filled | {"amends": old.seal, "reason": _reason(reason)}, by, clock)


def draft(session: Session, draft_id: int) -> Draft:
    """The draft of that number. Raises UnknownTrialError."""
    return _draft(_draft_row(session, draft_id))


def drafts(session: Session) -> tuple[Draft, ...]:
    """All drafts, oldest first."""
    return tuple(_draft(row) for row in session.scalars(select(TrialDraftRow).order_by(TrialDraftRow.id)))


def seal_trial(session: Session, draft_id: int, *, clock: Clock, seen_until: date | None) -> str:
    """Seal a draft, which is then gone; give the seal.

    `seen_until` is the last day on which any of its joints was heard, None for never.
    Raises StartError for a start before today, SealedError where the same doors are in a trial that stands,
    and what `declare` raises.
    """
    row = _draft_row(session, draft_id)
    found = _draft(row)
    refuse_overclaim(found.record)
    refuse_early_start(date.fromisoformat(str(found.record["starts_on"])), clock().date())
    record = _filled(found.record, by=found.by, clock=clock, seen_until=seen_until)
    record |= {"amends": found.amends, "reason": found.reason}
    if found.amends is not None:
        _refuse_replaced(find(session, found.amends), "amend")
    _refuse_second(session, record, clock().date())
    seal = _insert(session, record, found.by, clock)
    session.delete(row)
    session.flush()
    return seal


def find(session: Session, name: str) -> Trial:
    """The trial of that seal, of which the first 8 letters do, with or without blanks.

    Raises UnknownTrialError for none or several, SealBrokenError where the record reads otherwise.
    """
    plain = "".join(name.split()).lower()
    if len(plain) < LEAST_LETTERS or not SEAL.fullmatch(plain.ljust(64, "0")):
        raise UnknownTrialError("trial", f"{LEAST_LETTERS} letters or more of its seal", repr(name[:40]))
    rows = session.scalars(select(TrialRecordRow).where(TrialRecordRow.seal.startswith(plain))).all()
    if len(rows) != 1:
        raise UnknownTrialError(f"trial {shown(plain)}", "one of that seal", str(len(rows) or "none"))
    return _trial(rows[0], _links(session))


def list_trials(session: Session) -> tuple[Trial, ...]:
    """All sealed trials in order of sealing. Raises as `find`."""
    rows = session.scalars(select(TrialRecordRow).order_by(TrialRecordRow.sealed, TrialRecordRow.seal))
    links = _links(session)
    return tuple(_trial(row, links) for row in rows)


def seals(session: Session) -> tuple[str, ...]:
    """The seals of all records in order of sealing, none of them checked."""
    order = (TrialRecordRow.sealed, TrialRecordRow.seal)
    return tuple(session.scalars(select(TrialRecordRow.seal).order_by(*order)))


def _keep(session: Session, body: Mapping[str, object], by: str, clock: Clock) -> int:
    row = TrialDraftRow(body=json.dumps(body), by=normal(by), made=clock())
    session.add(row)
    session.flush()
    return row.id


def _draft_row(session: Session, draft_id: int) -> TrialDraftRow:
    if (row := session.get(TrialDraftRow, draft_id)) is None:
        raise UnknownTrialError(f"draft {draft_id}", "a draft that is not sealed yet", "none")
    return row


def _draft(row: TrialDraftRow) -> Draft:
    body: dict[str, Any] = json.loads(row.body)
    return Draft(
        id=row.id,
        by=row.by,
        made=row.made,
        record=body["record"],
        amends=body["amends"],
        reason=body["reason"],
    )


def _filled(
    record: Mapping[str, object], *, by: str, clock: Clock, seen_until: date | None
) -> dict[str, object]:
    return {
        **record,
        "declared_on": clock().date().isoformat(),
        "declared_by": by,
        "seen_until": None if seen_until is None else seen_until.isoformat(),
        "amends": None,
        "reason": None,
    }


def _insert(session: Session, record: Mapping[str, object], by: str, clock: Clock) -> str:
    body = canonical(dict(record))
    amends = record["amends"]
    row = TrialRecordRow(
        seal=seal_of(body),
        body=body.decode("utf-8"),
        sealed=clock(),
        by=normal(by),
        amends=None if amends is None else str(amends),
    )
    session.add(row)
    session.flush()
    return row.seal


def _reason(text: str) -> str:
    plain = normal(text).strip()
    if not 1 <= len(plain) <= LONGEST_REASON or not plain.isprintable():
        needed = f"a reason of 1 to {LONGEST_REASON} letters on one line"
        raise DeclarationError("amendment", needed, repr(text[:40]))
    return plain


def _refuse_replaced(old: Trial, verb: str) -> None:
    if old.replaced_by is not None:
        needed = f"the record that took its place, {shown(old.replaced_by)}"
        raise SealedError(f"{verb} trial {shown(old.seal)}", needed, "the one that it replaced")


def _refuse_second(session: Session, record: Mapping[str, object], today: date) -> None:
    """One trial at a time of the same joints and quantity: a second would let its maker choose later."""
    for other in list_trials(session):
        is_old = other.seal == record["amends"] or not other.stands or other.last_day < today
        if is_old or _subject(other.record) != _subject(record):
            continue
        changed = [
            CHANGES.get(key, key.removesuffix("_days").replace("_", " "))
            for key in _changed(other.record, record)
        ]
        came = f"a change of {' and '.join(changed)}" if changed else "the same again"
        needed = "an amendment, a new record that names this one"
        raise SealedError(f"trial {shown(other.seal)}", needed, came)


def _subject(record: Mapping[str, object]) -> object:
    a, b = sides_of(record)
    sides = [[(side["door"], side["joints"]) for side in one] for one in (a, b)]
    return sides, record["quantity"]


def _changed(old: Mapping[str, object], new: Mapping[str, object]) -> list[str]:
    return [key for key in sorted({*old, *new} - set(NO_CHANGE)) if old.get(key) != new.get(key)]


def _links(session: Session) -> dict[str, str]:
    """The seal of the record that amends each amended one."""
    rows = session.execute(select(TrialRecordRow.amends, TrialRecordRow.seal))
    return {amends: seal for amends, seal in rows if amends is not None}


def _trial(row: TrialRecordRow, links: Mapping[str, str]) -> Trial:
    record = _checked(row)
    before, after = _line(row.seal, {new: old for old, new in links.items()}), _line(row.seal, links)
    return Trial(
        seal=row.seal,
        record=record,
        declared=declared_of(record),
        sealed=row.sealed,
        by=row.by,
        place=before + 1,
        line_length=before + 1 + after,
        replaced_by=links.get(row.seal),
    )


def _checked(row: TrialRecordRow) -> dict[str, object]:
    reads = seal_of(row.body.encode("utf-8"))
    if reads != row.seal:
        came = f"one that reads {shown(reads, 4)} …"
        raise SealBrokenError(f"trial {shown(row.seal)}", "a record with that seal", came)
    record: dict[str, object] = json.loads(row.body)
    if record["amends"] != row.amends:
        came = f"another beside it, {shown(row.amends)}" if row.amends else "none beside it"
        raise SealBrokenError(f"trial {shown(row.seal)}", "the record that it amends", came)
    return record


def _line(seal: str, links: Mapping[str, str]) -> int:
    steps = 0
    while (following := links.get(seal)) is not None:
        seal, steps = following, steps + 1
    return steps
