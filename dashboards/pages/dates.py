"""Dates and times in words, in the site's zone. Day numbers count from 1970-01-01."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

NBSP = "\u00a0"
EPOCH = date(1970, 1, 1)
MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October"]
MONTHS += ["November", "December"]


def at_ms(t_ms: int) -> datetime:
    """The moment `t_ms` milliseconds after 1970, in UTC."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=t_ms)


def day_date(day: int) -> date:
    """The date of a day number."""
    return EPOCH + timedelta(days=int(day))


def day_number(moment: datetime) -> int:
    """The day number of a moment."""
    return (moment.astimezone(UTC).date() - EPOCH).days


def long_date(day: date) -> str:
    """24 November 2026, on one line."""
    return f"{day.day}{NBSP}{MONTHS[day.month - 1]}{NBSP}{day.year}"


def month(day: date) -> str:
    """August 2027."""
    return f"{MONTHS[day.month - 1]}{NBSP}{day.year}"


def local_date(moment: datetime, zone: str) -> str:
    """The date of a moment where the door hangs."""
    return long_date(moment.astimezone(ZoneInfo(zone)).date())


def local_time(moment: datetime, zone: str) -> str:
    """24 November 2026, 07:40."""
    there = moment.astimezone(ZoneInfo(zone))
    return f"{long_date(there.date())}, {there:%H:%M}"


def ago(moment: datetime, now: datetime, zone: str) -> str:
    """When something was heard: "12 seconds ago", "today, 07:31", "29 October, 16:12"."""
    seconds = int((now - moment).total_seconds())
    if 0 <= seconds < 60:
        return f"{seconds} second{'' if seconds == 1 else 's'} ago"
    there, here = moment.astimezone(ZoneInfo(zone)), now.astimezone(ZoneInfo(zone))
    if there.date() == here.date():
        return f"today, {there:%H:%M}"
    return f"{_short(there.date(), here.date())}, {there:%H:%M}"


def span(first: datetime, last: datetime, zone: str) -> str:
    """From and to, as short as it can be said: "2 to 19 February 2026"."""
    a, b = (moment.astimezone(ZoneInfo(zone)).date() for moment in (first, last))
    if a == b:
        return long_date(a)
    if (a.year, a.month) == (b.year, b.month):
        return f"{a.day} to {long_date(b)}"
    if a.year == b.year:
        return f"{a.day}{NBSP}{MONTHS[a.month - 1]} to {long_date(b)}"
    return f"{long_date(a)} to {long_date(b)}"


def lasted(days: int) -> str:
    """A length of time in whole days, weeks, months or years, whichever a person would say."""
    for most, size, one in ((28, 1, "day"), (180, 7, "week"), (730, 30.44, "month"), (10**9, 365.25, "year")):
        if days < most:
            number = int(days / size)
            return f"{number}{NBSP}{one}{'' if number == 1 else 's'}"
    return f"{days}{NBSP}days"


def _short(day: date, today: date) -> str:
    words = f"{day.day}{NBSP}{MONTHS[day.month - 1]}"
    return words if day.year == today.year else f"{words}{NBSP}{day.year}"
