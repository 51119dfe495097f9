"""Movement: the millimetres that a change of moisture brings across, or along, a piece of wood."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError
from server.timber.species import Species, Value

Direction = Literal["radial", "tangential", "mixed", "longitudinal"]
Form = Literal["auto", "coefficient", "green"]

LETTER = {"radial": "r", "tangential": "t"}
DIRECTIONS = ("radial", "tangential", "mixed", "longitudinal")
FORMS = ("auto", "coefficient", "green")
# The span for which the coefficients are printed.
DRIEST_PCT, BASE_PCT, DAMPEST_PCT = 6.0, 10.0, 14.0
GREATEST_MC_PCT = 200.0
ALONG_PER_PCT = 0.15 / 100 / 30
ALONG = Value(
    number=ALONG_PER_PCT,
    source="0.15 % green to ovendry, middle of 0.1 to 0.2: American Wood Council; over 30 % MC",
    origin="default",
)
RING = "cos2, sin2 of the ring angle: common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A size in a direction of a wood. `ring_angle_deg`, of `mixed` alone, counts from the tangential."""

    size_mm: float
    species: Species
    direction: Direction
    ring_angle_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeChange:
    """Free movement, an upper bound: change of shape of `mc_to`, mm, + growing.

    `green`: where the green form was used. `refused`: moistures of an array that cannot be, or for which the
    wood lacks a figure; NaN there. `coefficient` and `shrinkage`: the figures used, None if unused.
    """

    change_mm: NDArray[np.float64]
    green: NDArray[np.bool_]
    refused: NDArray[np.bool_]
    coefficient: Value | None
    shrinkage: Value | None


def size_change(
    section: Section, mc_from_pct: float, mc_to_pct: ArrayLike, *, form: Form = "auto"
) -> SizeChange:
    """Change of a size from one reference moisture to others; never chained day upon day.

    `auto` takes the coefficient where both moistures are 6 to 14 % and one is known, else the green form.
    Raises OutOfRangeError for a size, direction, form or single moisture that cannot be, MissingPropertyError
    for a figure that the wood lacks.
    Source: Wood Handbook FPL-GTR-190 (2010), ch. 13: coefficient form 13-2, green form 13-1.
    """
    given = np.asarray(mc_to_pct, dtype=float)
    outside = (given < 0) | (given > GREATEST_MC_PCT)
    mc_to = np.where(outside & (given.ndim > 0), np.nan, given)
    _check(section, mc_from_pct, mc_to, form)
    if section.direction == "longitudinal":
        return _along(section, mc_from_pct, mc_to, outside)
    green = _is_green(section, mc_from_pct, mc_to, form)
    change = np.full(mc_to.shape, np.nan)
    coefficient = shrinkage = None
    if not green.all():
        coefficient = _figure(section, "c")
        change = np.where(green, change, section.size_mm * coefficient.number * (mc_to - mc_from_pct))
    if green.all() or (green.any() and _has_green(section)):
        shrinkage = _figure(section, "s")
        fsp = section.species.value("fsp").number
        swollen = _by_green(section.size_mm, shrinkage.number, fsp, mc_from_pct, mc_to)
        change = np.where(green, swollen, change)
    return SizeChange(
        change_mm=change,
        green=green,
        refused=np.asarray(outside | (np.isnan(change) & ~np.isnan(mc_to))),
        coefficient=coefficient,
        shrinkage=shrinkage,
    )


def gap_change_mm(section: Section, mc_from_pct: float, mc_to_pct: ArrayLike) -> NDArray[np.float64]:
    """Change of the gap beside that section: what the wood gains the gap loses."""
    return -size_change(section, mc_from_pct, mc_to_pct).change_mm


def coefficient(species: Species, direction: Direction, *, ring_angle_deg: float = 0.0) -> Value:
    """Change per 1 % MC as a fraction of the size, with its source.

    Raises OutOfRangeError for an unknown direction, MissingPropertyError for a figure the wood lacks.
    """
    if direction == "longitudinal":
        return ALONG
    section = Section(size_mm=1.0, species=species, direction=direction, ring_angle_deg=ring_angle_deg)
    _check(section, BASE_PCT, np.asarray(BASE_PCT), "auto")
    return _figure(section, "c")


def _check(section: Section, mc_from: float, mc_to: NDArray[np.float64], form: str) -> None:
    if section.direction not in DIRECTIONS:
        raise OutOfRangeError("direction of the grain", ", ".join(DIRECTIONS), repr(section.direction[:40]))
    if form not in FORMS:
        raise OutOfRangeError("form of the movement", ", ".join(FORMS), repr(form[:40]))
    if not section.size_mm > 0:
        raise OutOfRangeError("size that moves", "above 0 mm", f"{section.size_mm:g}")
    bad = np.append(mc_to, mc_from)
    bad = bad[(bad < 0) | (bad > GREATEST_MC_PCT)]
    if bad.size or np.isnan(mc_from):
        came = f"{bad[0]:g}" if bad.size else "nan"
        raise OutOfRangeError("moisture content", f"0 to {GREATEST_MC_PCT:g} % of ovendry mass", came)


def _is_green(section: Section, mc_from: float, mc_to: NDArray[np.float64], form: str) -> NDArray[np.bool_]:
    if form != "auto":
        return np.full(mc_to.shape, form == "green")
    known = all(section.species.has(f"c_{letter}") for letter in _letters(section))
    # So written that a day without moisture asks for no figure.
    beyond = (np.minimum(mc_to, mc_from) < DRIEST_PCT) | (np.maximum(mc_to, mc_from) > DAMPEST_PCT)
    return np.asarray(beyond if known else np.ones(mc_to.shape, dtype=bool))


def _has_green(section: Section) -> bool:
    return all(section.species.has(name) for name in ("fsp", *(f"s_{way}" for way in _letters(section))))


def _by_green(
    size_mm: float, shrinkage_pct: float, fsp: float, mc_from: float, mc_to: NDArray[np.float64]
) -> NDArray[np.float64]:
    start = min(mc_from, fsp)
    return np.asarray(size_mm * (np.minimum(mc_to, fsp) - start) / (100 * fsp / shrinkage_pct - fsp + start))


def _along(
    section: Section, mc_from: float, mc_to: NDArray[np.float64], refused: NDArray[np.bool_]
) -> SizeChange:
    fsp = section.species.values.get("fsp")
    limit = fsp.number if fsp else 30.0
    change = section.size_mm * ALONG.number * (np.minimum(mc_to, limit) - min(mc_from, limit))
    green = np.zeros(mc_to.shape, dtype=bool)
    return SizeChange(
        change_mm=np.asarray(change), green=green, refused=refused, coefficient=ALONG, shrinkage=None
    )


def _letters(section: Section) -> str:
    return "rt" if section.direction == "mixed" else LETTER[section.direction]


def _figure(section: Section, kind: str) -> Value:
    found = [section.species.value(f"{kind}_{letter}") for letter in _letters(section)]
    if len(found) == 1:
        return found[0]
    radial, tangential = found
    angle = np.radians(section.ring_angle_deg)
    number = float(tangential.number * np.cos(angle) ** 2 + radial.number * np.sin(angle) ** 2)
    return Value(number=number, source=f"{radial.source}; {tangential.source}; {RING}", origin="derived")
