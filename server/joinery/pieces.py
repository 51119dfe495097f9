"""Test pieces broken on the bench: what they held, how they scatter and where they failed, and no more."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from server.errors import OutOfRangeError
from server.joinery.refusals import TooFewPiecesError, UnlikePiecesError
from server.joinery.scatter import FloatArray, Interval, run_chance, share_interval, tolerance_k, welch

PLACES = ("glue", "wood", "shoulder", "tenon", "other")
ENOUGH_PIECES = 5
# Conventions of this project: how unlike pieces may be that are set side by side.
ARMS_APART, MOISTURE_APART_PCT = 0.25, 2.0
UNLIKELY_RUN = 0.05
WORDS = (
    "Sample joints, broken once, quickly, dry. A door's joint lives for years, in damp and dry, under a load "
    "that stays; wood and glue hold less for long than for a minute."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One broken piece. `order`: in which it was made; `arm_m`: shoulder to load; `where` one of PLACES."""

    batch: str
    order: int
    arm_m: float
    load_n: float
    where: str
    moisture_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What like pieces held. `limit_n_m` is what 19 in 20 hold, wrong once in 20. None: `why_no_limit`.

    `glue`: share that failed in the glue; `run`: longest run of those in the order made, `run_chance` of one
    so long by chance.
    """

    pieces: int
    mean_n_m: float
    sd_n_m: float
    limit_n_m: float | None
    why_no_limit: str
    glue: Interval
    run: int
    run_chance: float
    says: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinds:
    """Two kinds of piece, b against a: difference of means in N m, ratio of typical pieces.

    `batches`: the difference with each batch as one piece, None where a side has one batch.
    """

    difference: Interval
    ratio: Interval
    batches: Interval | None
    says: str


def moment_n_m(piece: Piece) -> float:
    """Moment at failure; the stub's own weight is not counted, a convention of this project.

    Raises OutOfRangeError for an arm or a load that is not above 0, or a place of failure that is not known.
    """
    if not (piece.arm_m > 0 and piece.load_n > 0):
        came = f"{piece.arm_m:g} m, {piece.load_n:g} N"
        raise OutOfRangeError("moment of a test piece", "an arm and a load above 0", came)
    if piece.where not in PLACES:
        raise OutOfRangeError("place of failure", ", ".join(PLACES), repr(piece.where[:40]))
    return piece.load_n * piece.arm_m


def spread(pieces: Sequence[Piece]) -> Spread:
    """What like pieces held and where they failed. Raises TooFewPiecesError for under two."""
    if len(pieces) < 2:
        raise TooFewPiecesError("scatter of test pieces", "2 broken or more", f"{len(pieces)}")
    moments = np.array([moment_n_m(piece) for piece in pieces])
    mean, sd = float(moments.mean()), float(moments.std(ddof=1))
    limit = mean - tolerance_k(len(pieces)) * sd if len(pieces) >= ENOUGH_PIECES else 0.0
    failed = [piece.where == "glue" for piece in sorted(pieces, key=lambda piece: piece.order)]
    run = _longest(failed)
    chance = run_chance(len(failed), sum(failed), run) if run else 1.0
    return Spread(
        pieces=len(pieces),
        mean_n_m=mean,
        sd_n_m=sd,
        limit_n_m=limit if limit > 0 else None,
        why_no_limit="" if limit > 0 else "too few or too scattered to name one",
        glue=share_interval(sum(failed), len(failed)),
        run=run,
        run_chance=chance,
        says=_words(failed, run, chance),
    )


def compare_kinds(a: Sequence[Piece], b: Sequence[Piece]) -> Kinds:
    """Two kinds of piece side by side, by Welch; never what a door holds.

    Raises TooFewPiecesError for under 5 of either, UnlikePiecesError for arms or moistures too far apart.
    """
    if min(len(a), len(b)) < ENOUGH_PIECES:
        needed = f"{ENOUGH_PIECES} broken of each"
        raise TooFewPiecesError("two kinds of test piece", needed, f"{len(a)} and {len(b)}")
    _check_alike(a, b)
    first, second = (np.array([moment_n_m(piece) for piece in side]) for side in (a, b))
    logs = welch(np.log(first), np.log(second))
    means = [_batch_means(side) for side in (a, b)]
    several = min(len(mean) for mean in means) >= 2
    return Kinds(
        difference=welch(first, second),
        ratio=Interval(
            value=float(np.exp(logs.value)),
            low=float(np.exp(logs.low)),
            high=float(np.exp(logs.high)),
            df=logs.df,
        ),
        batches=welch(*means) if several else None,
        says="" if several else "speaks of these two glue-ups",
    )


def _longest(failed: Sequence[bool]) -> int:
    longest = now = 0
    for one in failed:
        now = now + 1 if one else 0
        longest = max(longest, now)
    return longest


def _words(failed: Sequence[bool], run: int, chance: float) -> tuple[str, ...]:
    said = []
    if 2 * sum(failed) > len(failed):
        said.append(f"{sum(failed)} of {len(failed)} failed in the glue: that comes before any moment.")
    if run >= 2 and chance < UNLIKELY_RUN:
        said.append(
            f"{run} glue failures in a row: look at that pot, its age and its clamping before the joint."
        )
    return (*said, WORDS)


def _check_alike(a: Sequence[Piece], b: Sequence[Piece]) -> None:
    asked = "two kinds of test piece"
    arms = [float(np.mean([piece.arm_m for piece in side])) for side in (a, b)]
    if max(arms) > (1 + ARMS_APART) * min(arms):
        raise UnlikePiecesError(
            asked, "arms within a quarter of each other", f"{arms[0]:g} and {arms[1]:g} m"
        )
    known = [[piece.moisture_pct for piece in side if piece.moisture_pct is not None] for side in (a, b)]
    if all(known):
        damp = [float(np.mean(side)) for side in known]
        if abs(damp[0] - damp[1]) > MOISTURE_APART_PCT:
            needed = f"moisture within {MOISTURE_APART_PCT:g} points of each other"
            raise UnlikePiecesError(asked, needed, f"{damp[0]:.1f} and {damp[1]:.1f} %")


def _batch_means(pieces: Sequence[Piece]) -> FloatArray:
    names = sorted({piece.batch for piece in pieces})
    return np.array(
        [np.mean([moment_n_m(piece) for piece in pieces if piece.batch == name]) for name in names]
    )
