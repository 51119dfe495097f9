"""How many back-ups are kept: the last of each of 7 days, 4 weeks and 12 months."""

import re
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime
from pathlib import Path

from server.backup.manifest import OURS

DAYS, WEEKS, MONTHS = 7, 4, 12
FORM = "hangtrue-%Y%m%dT%H%M%SZ"
NAME = re.compile(r"hangtrue-\d{8}T\d{6}Z")


def name_of(made: datetime) -> str:
    """The name of a back-up's folder."""
    return made.astimezone(UTC).strftime(FORM)


def made_at(name: str) -> datetime | None:
    """When the back-up of this name was made; None where it is no such name."""
    try:
        return datetime.strptime(name, FORM).replace(tzinfo=UTC) if NAME.fullmatch(name) else None
    except ValueError:
        return None


def kept(made: Iterable[datetime]) -> set[datetime]:
    """Which of these back-ups stay: the newest of each of the last days, weeks and months that have one.

    The newest of all always stays.
    """
    newest_first = sorted(made, reverse=True)
    spans: list[tuple[Callable[[date], object], int]] = [
        (lambda day: day, DAYS),
        (lambda day: day.isocalendar()[:2], WEEKS),
        (lambda day: (day.year, day.month), MONTHS),
    ]
    stay: set[datetime] = set()
    for span_of, most in spans:
        newest: dict[object, datetime] = {}
        for moment in newest_first:
            newest.setdefault(span_of(moment.astimezone(UTC).date()), moment)
        stay |= set(list(newest.values())[:most])
    return stay


def back_ups(folder: Path) -> dict[datetime, Path]:
    """The back-ups in a folder, by when they were made. What else lies there is not looked at."""
    if not folder.is_dir():
        return {}
    found = {path: made_at(path.name) for path in folder.iterdir() if path.is_dir() and not path.is_symlink()}
    return {made: path for path, made in found.items() if made is not None}


def prune(folder: Path) -> list[Path]:
    """Remove the back-ups that are beyond the count; give their folders. One with a strange file stays."""
    found = back_ups(folder)
    gone: list[Path] = []
    for made in sorted(found.keys() - kept(found)):
        path = found[made]
        inside = list(path.iterdir())
        if all(one.name in OURS and one.is_file() for one in inside):
            for one in inside:
                one.unlink()
            path.rmdir()
            gone.append(path)
    return gone
