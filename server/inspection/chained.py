"""Pieces of a series, one a version of the door, joined so that what had stayed is carried on."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
# Days at the end of a version from which its last agreed value is taken. A convention of this project.
AGREED_DAYS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Days of one version, counted from its own line; NaN on all others. Shape (days,).

    `shift`: where the gauges went on reading as they did, how far the line's own zero moved by; None where
    they were set anew, or the leaf was: then nothing measured across, and the last agreed value is carried.
    """

    value: FloatArray
    shift: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """The whole series, and what the last of its pieces was begun with.

    `anew`: the places of the pieces that were begun with the last agreed value, nothing measured across.
    """

    value: FloatArray
    carried: float
    anew: tuple[int, ...] = ()


def joined(pieces: Sequence[Piece]) -> Joined:
    """The pieces one after another, each begun with what the one before it had come to."""
    whole = np.full_like(pieces[0].value, np.nan)
    carried, heard = 0.0, False
    anew: list[int] = []
    for place, piece in enumerate(pieces):
        known = np.isfinite(piece.value)
        if not known.any():
            continue
        if heard:
            carried = _agreed(whole) if piece.shift is None else carried + piece.shift
            anew += [place] if piece.shift is None else []
        whole = np.where(known, piece.value + carried, whole)
        heard = True
    return Joined(value=whole, carried=carried, anew=tuple(anew))


def _agreed(value: FloatArray) -> float:
    return float(np.median(value[np.isfinite(value)][-AGREED_DAYS:]))
