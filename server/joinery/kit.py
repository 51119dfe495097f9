"""Which gauges to buy: what a kit can tell of a leaf, the best kit of so many, and the best next gauge."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import comb

import numpy as np

from server.errors import OutOfRangeError
from server.joinery.leaf import (
    DERIVED,
    NOT_OBSERVED,
    STATES,
    FloatArray,
    Shape,
    Station,
    Told,
    derived_rows,
    growth_prior,
    prior_sd,
    row,
    told,
)

PLANNED_MOISTURE_PCT = 2.0
FARTHEST_TENTHS = 200
MOST_KITS = 10_000
# States that matter: v, phi, gam.
MATTER = (1, 2, 3)
NUISANCE = "lam"
# Dirt, mats and water, from the cleanest place on; and how near two scores are a tie.
CLEANLINESS = {"head": 0, "latch": 1, "hinge": 2, "diag": 3, "tilt": 3, "sill": 4}
TIE = 5e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The leaf, its kind of opening, and how far from the hung moisture the kit is to serve.

    `frame_sd_rad`: how far jambs and head may turn, where that is known better than from the kind.
    `start_doubt_pct`: what is not known of that change because the wood's moisture at the start was not.
    """

    shape: Shape
    opening: str
    moisture_change_pct: float = PLANNED_MOISTURE_PCT
    frame_sd_rad: float | None = None
    start_doubt_pct: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """What a set of gauges can tell. `left`: of each state, how much of what was believed is still in doubt.

    `sd_mm` and `told`: of sag, rack and droop. `score`: greater is better. Growth along the grain is never in
    `not_observed`.
    """

    gauges: tuple[str, ...]
    score: float
    left: Mapping[str, float]
    sd_mm: Mapping[str, float]
    told: Mapping[str, Told]
    not_observed: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """A gauge, or a pair of crossing diagonals, and the rack's standard deviation with it."""

    gauges: tuple[str, ...]
    rack_sd_mm: float


def judge(place: Place, gauges: Mapping[str, Station]) -> Kit:
    """What these gauges can tell of the leaf. Raises OutOfRangeError for an opening or gauge not known."""
    sd = _prior(place)
    information = sum((_information(place, station, sd) for station in gauges.values()), np.eye(8))
    doubt = np.asarray(np.linalg.inv(information), dtype=float)
    left = np.sqrt(np.diag(doubt))
    rows = derived_rows(place.shape) * sd
    derived = np.sqrt(np.einsum("ki,ij,kj->k", rows, doubt, rows))
    unseen = left > NOT_OBSERVED
    # By tilt alone a leaning frame is read as sag, and a rack as nothing: it tells none of them.
    by_distance = any(station.kind != "tilt" for station in gauges.values())
    seen = [by_distance and not unseen[np.flatnonzero(needs)].any() for needs in rows != 0]
    return Kit(
        gauges=tuple(gauges),
        score=float(_scores(doubt[None])[0]),
        left={name: float(value) for name, value in zip(STATES, left, strict=True)},
        sd_mm={name: float(value) for name, value in zip(DERIVED, derived, strict=True)},
        told={
            name: told(float(value), observed=bool(good))
            for name, value, good in zip(DERIVED, derived, seen, strict=True)
        },
        not_observed=tuple(n for n, u in zip(STATES, unseen, strict=True) if u and n != NUISANCE),
    )


def judged_within_pct(place: Place, gauges: Mapping[str, Station]) -> dict[str, float | None]:
    """How far from the hung moisture sag, rack and droop may be judged on one day, to 0.1 %, at most 20 %.

    None: on no day. Beside the place's own doubt of the start; its own change of moisture is not asked.
    """
    found: dict[str, float | None] = dict.fromkeys(DERIVED)
    for name in DERIVED:
        low, high = -1, FARTHEST_TENTHS + 1
        while high - low > 1:  # the doubt grows with the change: the last tenth that may be judged
            middle = (low + high) // 2
            kit = judge(replace(place, moisture_change_pct=middle / 10), gauges)
            low, high = (middle, high) if kit.told[name] == "usable" else (low, middle)
        found[name] = None if low < 0 else low / 10
    return found


def plan(place: Place, candidates: Mapping[str, Station], count: int, *, owned: Iterable[str] = ()) -> Kit:
    """The best kit of `count` gauges of the candidates, those owned among them.

    All kits are tried while there are at most 10 000, else gauges are added and exchanged one by one. Of kits
    that tie, the one whose places stay cleanest. For an opening that leans, or is not known, plan diagonals.
    Raises OutOfRangeError for a count that the candidates cannot fill.
    """
    kept = tuple(dict.fromkeys(owned))
    if not len(kept) <= count <= len(candidates) or count < 1 or not set(kept) <= set(candidates):
        needed = f"{max(1, len(kept))} to {len(candidates)} gauges, the owned among the candidates"
        raise OutOfRangeError("kit of gauges", needed, f"{count}, owned {', '.join(kept) or 'none'}")
    search = _Search(place, candidates)
    others = [name for name in candidates if name not in kept]
    if comb(len(others), count - len(kept)) <= MOST_KITS:
        best = search.best([(*kept, *more) for more in combinations(others, count - len(kept))])
    else:
        best = search.exchanged(kept, others, count)
    return judge(place, {name: candidates[name] for name in candidates if name in best})


def next_gauges(place: Place, candidates: Mapping[str, Station], owned: Iterable[str]) -> tuple[Next, ...]:
    """Each candidate beside what is owned, and each pair of diagonals, by the rack's standard deviation."""
    mine = {name: candidates[name] for name in owned}
    others = [name for name in candidates if name not in mine]
    diagonals = [name for name in others if candidates[name].kind == "diag"]
    steps = [(name,) for name in others] + list(combinations(diagonals, 2))
    found = [
        Next(
            gauges=step,
            rack_sd_mm=judge(place, mine | {name: candidates[name] for name in step}).sd_mm["rack"],
        )
        for step in steps
    ]
    return tuple(sorted(found, key=lambda option: option.rack_sd_mm))


def _prior(place: Place) -> FloatArray:
    growth = growth_prior(place.moisture_change_pct, start_doubt_pct=place.start_doubt_pct)
    sd = np.append(prior_sd(place.opening), growth.sd[0])
    if place.frame_sd_rad is not None:
        sd[[STATES.index("phif"), STATES.index("gamf")]] = place.frame_sd_rad
    return sd


def _information(place: Place, station: Station, sd: FloatArray) -> FloatArray:
    scaled = row(place.shape, station) * sd / station.sd_mm
    return np.outer(scaled, scaled)


def _scores(doubt: FloatArray) -> FloatArray:
    block = doubt[:, np.array(MATTER)[:, None], np.array(MATTER)]
    return -np.asarray(np.linalg.slogdet(block).logabsdet)


class _Search:
    """Every candidate's information, once."""

    def __init__(self, place: Place, candidates: Mapping[str, Station]) -> None:
        sd = _prior(place)
        self.number = {name: number for number, name in enumerate(candidates)}
        self.each = np.array([_information(place, station, sd) for station in candidates.values()])
        self.dirt = np.array([CLEANLINESS[station.kind] for station in candidates.values()])

    def best(self, kits: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
        numbers = np.array([[self.number[name] for name in kit] for kit in kits], dtype=int)
        scores = _scores(np.linalg.inv(self.each[numbers].sum(axis=1) + np.eye(8)))
        ties = np.flatnonzero(scores >= scores.max() - TIE)
        dirt = self.dirt[numbers[ties]].sum(axis=1)
        clean = ties[dirt == dirt.min()]
        return kits[int(clean[np.argmax(scores[clean])])]

    def exchanged(self, kept: tuple[str, ...], others: list[str], count: int) -> tuple[str, ...]:
        kit = kept
        while len(kit) < count:
            kit = self.best([(*kit, name) for name in others if name not in kit])
        while True:
            swaps = [
                (*(one for one in kit if one != out), new)
                for out in kit
                if out not in kept
                for new in others
                if new not in kit
            ]
            better = self.best([kit, *swaps])
            if self._score(better) <= self._score(kit) + TIE:
                return kit
            kit = better

    def _score(self, kit: tuple[str, ...]) -> float:
        numbers = [self.number[name] for name in kit]
        return float(_scores(np.linalg.inv(self.each[numbers].sum(axis=0) + np.eye(8))[None])[0])
