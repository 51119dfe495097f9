"""Figures and dates as a sentence says them. Pure."""

from collections.abc import Mapping
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from server.alerts.verdicts import number

Evidence = Mapping[str, object]
UNKNOWN = "…"  # stands where a figure is missing; no sentence with one is said


def figure(value: float | None, places: int = 2) -> str:
    """A figure with its decimals, never minus nought."""
    return UNKNOWN if value is None else f"{round(value, places) + 0.0:.{places}f}"


def of(evidence: Evidence, key: str, places: int = 2) -> str:
    """A figure of the evidence."""
    return figure(number(evidence, key), places)


def between(low: float | None, high: float | None) -> str:
    """The bounds of a figure, as the rest of a sentence."""
    if low is None:
        return ""
    if high is None:
        return f", at least {figure(low)}"
    return f", between {figure(low)} and {figure(high)}"


def count(value: float | None, one: str, many: str) -> str:
    """A count and its noun: "1 pack", "3 packs"."""
    if value is None:
        return f"some {many}"
    return f"{value:.0f} {one if round(value) == 1 else many}"


def day(value: object) -> str | None:
    """A date of the evidence, as "11 November 2026"; None where it is none."""
    if not isinstance(value, str):
        return None
    try:
        when = date.fromisoformat(value[:10])
    except ValueError:
        return None
    return f"{when.day} {when:%B %Y}"


def month(value: object) -> str | None:
    """A date of the evidence, as "May 2027"."""
    said = day(value)
    return None if said is None else said.partition(" ")[2]


def moment(evidence: Evidence, key: str, zone: str, *, with_hour: bool = True) -> str | None:
    """A moment in ms of the evidence, in the yard's own time."""
    at_ms = number(evidence, key)
    if at_ms is None:
        return None
    local = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZoneInfo(zone))
    return f"{local.day} {local:%B %Y}{f', {local:%H:%M}' if with_hour else ''}"


def text(evidence: Evidence, key: str) -> str | None:
    """A word of the evidence."""
    value = evidence.get(key)
    return value if isinstance(value, str) and value else None


def inside(evidence: Evidence) -> str:
    """What of a door or a box it is about: `north/head@2027-03-01` is head."""
    about = text(evidence, "about") or ""
    return about.partition("@")[0].partition("/")[2]


def named_day(evidence: Evidence) -> str | None:
    """The day that the cause carries in its name."""
    return day((text(evidence, "about") or "").partition("@")[2])
