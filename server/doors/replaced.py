"""Gauges that replaced others: whether the new one is tied to the old one's readings, in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import pairwise

from server.doors.changes import replaced_by
from server.doors.versions import Overlap, Version

ASKED_DAYS = 7
"""On which both are to read. Source: joinery, section 13."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Replaced:
    """A new gauge and the one it replaces, since a day; `overlap` None: its line is not drawn yet."""

    new: str
    old: str
    on: date
    overlap: Overlap | None


def replaced_of(versions: Sequence[Version]) -> tuple[Replaced, ...]:
    """Every gauge of a door that replaced another, oldest first."""
    return tuple(
        Replaced(
            new=new,
            old=old,
            on=datetime.fromtimestamp(now.from_ms / 1000, UTC).date(),
            overlap=None if now.line is None else _overlap(now, new, old),
        )
        for before, now in pairwise(versions)
        for new, old in replaced_by(before.built, now.built).items()
    )


def _overlap(version: Version, new: str, old: str) -> Overlap:
    """As it was kept with the line; a gauge that had no reading then was not tied."""
    kept = version.line.gauges.get(new) if version.line is not None else None
    none = Overlap(replaces=old, days=0, by_mm=None, sd_mm=None)
    return none if kept is None or kept.tied is None else kept.tied


def said(one: Replaced) -> str:
    """What is to be known of it, in one sentence."""
    begins = f"{one.new} replaces {one.old}"
    if one.overlap is None:
        return (
            f"{begins}: leave {one.old} in place for {ASKED_DAYS} days more, so that both read; "
            "over these days the new one is tied to the old."
        )
    days = f"{one.overlap.days} day{'' if one.overlap.days == 1 else 's'}"
    if one.overlap.by_mm is not None and one.overlap.sd_mm is not None:
        return (
            f"{begins} and is tied to it over {days} on which both read, to {one.overlap.sd_mm:.3f} mm (sd): "
            "its series goes on."
        )
    why = f"on {days} alone did both read" if one.overlap.days < ASKED_DAYS else "the two did not read alike"
    return (
        f"{begins} and is not tied to it, since {why}: its series goes on from what it had come to, "
        "and what moved meanwhile is not known."
    )
