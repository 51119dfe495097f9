"""Stiffness: how much stiffer or softer moisture makes wood, and how far it creeps in the long run."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError
from server.timber.published import rows
from server.timber.refusals import MissingPropertyError

TESTED_FROM_PCT = 6.0
SERVICE_CLASSES = (1, 2, 3)


def property_at_mc(
    p12: float, p_green: float, mc_pct: ArrayLike, *, mp_pct: float = 25.0
) -> NDArray[np.float64]:
    """A clear-wood property at a moisture content, in the unit of the two given; shape of mc_pct.

    `p12`: at 12 % MC; `p_green`: green; `mp_pct`: moisture at which drying begins to change it.
    A moisture below 0 in an array gives NaN.
    Raises OutOfRangeError for figures that are not above 0 (`mp_pct`: 12), or a single moisture below 0.
    Source: Wood Handbook FPL-GTR-190 (2010), ch. 5, eq. 5-3.
    """
    mc = np.asarray(mc_pct, dtype=float)
    if not (p12 > 0 and p_green > 0 and mp_pct > 12):
        came = f"{p12:g}, {p_green:g}, {mp_pct:g}"
        raise OutOfRangeError(
            "property at a moisture content", "two figures above 0, and Mp above 12 %", came
        )
    if mc.ndim == 0 and mc < 0:
        raise OutOfRangeError("property at a moisture content", "0 % or more", f"{float(mc):g}")
    mc = np.where(mc < 0, np.nan, mc)
    dried = p12 * (p12 / p_green) ** ((12 - mc) / (mp_pct - 12))
    return np.where(mc < mp_pct, dried, np.where(np.isnan(mc), np.nan, p_green))


def is_extrapolated(mc_pct: ArrayLike) -> NDArray[np.bool_]:
    """Drier than tests support (from memory): the value stands, and is to be marked."""
    return np.asarray(np.asarray(mc_pct, dtype=float) < TESTED_FROM_PCT)


def creep_factor(service_class: int, material: str = "Solid timber") -> float:
    """k_def: what a lasting load adds in the long run, as a share of the first deflection.

    Raises MissingPropertyError for a class that is not 1 to 3, or that the material is not made for.
    Source: EN 1995-1-1, table 3.2. It has no law in time: the final value only.
    """
    found = [row for row in rows("kdef") if row["material"] == material]
    if not found:
        raise MissingPropertyError("creep factor", "a material of the table", repr(material[:40]))
    cell = found[0][f"sc{service_class}"] if service_class in SERVICE_CLASSES else ""
    if not cell:
        needed = f"a service class that {material.lower()} is made for"
        raise MissingPropertyError("creep factor", needed, f"{service_class}")
    return float(cell)


def long_term_mm(first_mm: float, service_class: int, material: str = "Solid timber") -> float:
    """Final deflection under a lasting load. A droop beyond it is more than sound timber's creep explains."""
    return first_mm * (1 + creep_factor(service_class, material))


def long_term_modulus(modulus: float, service_class: int, material: str = "Solid timber") -> float:
    """Modulus to reckon the final deflection with, in the unit given."""
    return modulus / (1 + creep_factor(service_class, material))
