"""Finish: how well coats keep moisture out, and what that makes of them as a film on a leaf."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Literal

from server.errors import OutOfRangeError
from server.timber.published import rows
from server.timber.refusals import MissingPropertyError

MEE_SOURCES = {
    "WH16-3": "Wood Handbook FPL-GTR-190 (2010), table 16-3",
    "WM": "the same laboratory's series, two coats, read in a magazine's table",
    "UKW": "the same laboratory's series, three coats, read second-hand",
}
FILM_SOURCE = "fitted to the published moisture-excluding effectiveness of 1, 7 and 14 days"
# One figure for all specimens, fitted; the half-thickness of a 5/8 in board is from memory.
SPECIMEN_PER_DAY = 0.35
SPECIMEN_HALF_MM = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """A finish in so many coats. Effectiveness after 1, 7 and 14 days, %; None: not read or not fitted."""

    key: str
    shown: str
    coats: int
    mee_1d: float | None = None
    mee_7d: float | None = None
    mee_14d: float | None = None
    s_mm_per_day: float | None = None
    source: str
    origin: Literal["default", "user"] = "default"


def find_finish(key: str, coats: int, own: Iterable[Finish] = ()) -> Finish:
    """The finish of that key in so many coats, the user's own first; never extrapolated to more coats.

    Raises MissingPropertyError for a finish or a number of coats that is not listed, or one of the user's own
    without a source; OutOfRangeError for one whose figures cannot be.
    """
    for finish in (mine := list(own)):
        check_finish(finish)
    every = [*mine, *default_finishes()]
    for finish in every:
        if (finish.key, finish.coats) == (key, coats):
            return finish
    listed = sorted({finish.coats for finish in every if finish.key == key})
    if not listed:
        raise MissingPropertyError("finish", "one that is listed", repr(key[:40]))
    needed = " or ".join(f"{count}" for count in listed) + " coats, as tested"
    raise MissingPropertyError(f"finish {key}", needed, f"{coats}")


def check_finish(finish: Finish) -> None:
    """Raises OutOfRangeError for figures that cannot be, MissingPropertyError where no source is named."""
    name = f"finish {finish.key[:40]}"
    known = [mee for mee in (finish.mee_1d, finish.mee_7d, finish.mee_14d) if mee is not None]
    surface = 1.0 if finish.s_mm_per_day is None else finish.s_mm_per_day
    if finish.coats < 1 or not surface > 0 or not all(0 <= mee <= 100 for mee in known):
        came = f"{finish.coats} coats, {known}, {finish.s_mm_per_day}"
        raise OutOfRangeError(name, "coats, an effectiveness of 0 to 100 %, a film above 0 mm/day", came)
    if not finish.source.strip():
        raise MissingPropertyError(name, "words that say where it is from", "none")


def film_surface_mm_per_day(finish: Finish) -> float:
    """Surface coefficient S of the film, mm/day: a prior, good to a factor of 2.

    Raises MissingPropertyError for a finish too weak for the test to tell.
    """
    if finish.s_mm_per_day is None:
        needed = "a finish that the fortnight's test could tell from bare wood, or a coefficient of your own"
        raise MissingPropertyError(f"film of {finish.key}, {finish.coats} coats", needed, "none")
    return finish.s_mm_per_day


def in_series_mm_per_day(surfaces_mm_per_day: Iterable[float]) -> float:
    """Surface coefficient of layers one behind the other: 1/S is the sum of theirs.

    Raises OutOfRangeError for one that is not above 0, or for no layer.
    """
    layers = list(surfaces_mm_per_day)
    if not layers or not all(layer > 0 for layer in layers):
        raise OutOfRangeError("film of several layers", "surface coefficients above 0", f"{layers[:4]}")
    return 1 / sum(1 / layer for layer in layers)


def film_biot(surface_mm_per_day: float, half_thickness_mm: float, d20_mm2_per_day: float = 6.5) -> float:
    """Biot number S l / D of a leaf behind such a film.

    Raises OutOfRangeError for a figure that is not above 0.
    """
    if not min(surface_mm_per_day, half_thickness_mm, d20_mm2_per_day) > 0:
        came = f"{surface_mm_per_day:g}, {half_thickness_mm:g}, {d20_mm2_per_day:g}"
        raise OutOfRangeError("Biot number of a leaf", "figures above 0", came)
    return surface_mm_per_day * half_thickness_mm / d20_mm2_per_day


@cache
def default_finishes() -> tuple[Finish, ...]:
    """Every finish and number of coats of the packaged tables."""
    films = {(row["finish"], row["coats"]): float(row["s_mm_per_day"]) for row in rows("finish_film")}
    return tuple(
        Finish(
            key=_key(row["finish"]),
            shown=row["finish"],
            coats=int(row["coats"]),
            mee_1d=_number(row["mee_1d"]),
            mee_7d=_number(row["mee_7d"]),
            mee_14d=_number(row["mee_14d"]),
            s_mm_per_day=films.get((row["finish"], row["coats"])),
            source=f"{MEE_SOURCES[row['source']]}; film: {FILM_SOURCE}",
        )
        for row in rows("finish_mee")
    )


def _key(shown: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", shown.lower()).strip("-")


def _number(cell: str) -> float | None:
    return float(cell) if cell else None
