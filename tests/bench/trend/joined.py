"""A joint read by its turn alone, and by its turn with its mean opening and the leaf's rack: which is sooner.

`python -m tests.bench.trend.joined [--sound 60] [--opening 20] [--noise-mm 0] [--lever 0]`
sets the level of each form on sound doors alone, so that all speak falsely as seldom, and asks of other doors
how long before its open limit a joint that lets go is told, and whether a sound joint is named when another
of its leaf lets go. Invented data; each seed is in one part only.
"""

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.trend.series import DAYS_PER_YEAR, PAIR_SPACING_MM
from server.trend.watch import QUIET_SLOPE
from tests.bench.asked import Asked, fleet
from tests.bench.trend.joined_doors import (
    RACK_BY_TURN,
    SOUGHT_EVERY_NIGHTS,
    Doubt,
    Joint,
    Nights,
    joints_of,
    nights_of,
    until_open,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SOUND_SEED, OPENING_SEEDS = 5001, {"lock-hinge": 6001, "top-hinge": 7001}
SPACINGS = {"lock-hinge": 170.0, "top-hinge": 90.0}
SOUND_YEARS = 4.99
MOST_FALSE = 0.05
"""False alarms a joint in ten years at which every form is compared."""
LEVELS = np.arange(0.9, 6.0, 0.05)
RELEASED_NIGHTS, RELEASED_SHARE, RELEASED_MOST = 30, 0.5, 1.0
BEFORE_NIGHTS = 180
"""A sound leaf's rack grows for as long as it hangs: what counts is that it grows faster than it did."""
AGREES_Z, LOWERED_BY = 1.0, 0.7
LOWEST = -9.0
KEYS = ("turn", "opening", "rack", "size")
USUAL_LEVEL, SIZED_LEVEL, SIZED_MRAD = 2.3, 1.6, 0.055
"""Of the turn alone as the watch has it; and of one that must grow by so much a year, pairs 170 mm apart."""
SOUND_EVERY = 4
"""Of the sound joints, each so many-th is asked whether it is named when another lets go."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """A joint's nights as every form asks them; z by series, shape (series, nights).

    `size` is the turn's growth over the least that is asked, times the level it is asked at.
    """

    day: NDArray[np.int64]
    z: FloatArray
    z_beside: FloatArray
    """With the turn's slope beside the late steps; LOWEST where none was sought."""
    by_turn: FloatArray
    """Of each series, by how many of its errors it grows while the turn grows by 1 mrad a year."""
    held: BoolArray
    onset_day: int | None
    crossing_day: int | None


Statistic = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
"""(z, by_turn, correlation of the z of sound joints) to one figure a night."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A way of reading some of a joint's series as one figure."""

    name: str
    keys: tuple[str, ...]
    statistic: Statistic

    def of(self, read: Read, shared: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The figure each night, and what is left of it beside late steps."""
        at = [KEYS.index(key) for key in self.keys]
        some = shared[np.ix_(at, at)]
        return (
            self.statistic(read.z[at], read.by_turn[at], some),
            self.statistic(read.z_beside[at], read.by_turn[at], some),
        )


def alone(z: FloatArray, _by_turn: FloatArray, _shared: FloatArray) -> FloatArray:
    """One series by itself."""
    return np.asarray(z[0])


def summed(z: FloatArray, _by_turn: FloatArray, shared: FloatArray) -> FloatArray:
    """The sum of what each grows, none counted below 0, over the spread of such a sum."""
    return np.asarray(np.maximum(z, 0.0).sum(axis=0) / np.sqrt(shared.sum()))


def fused(z: FloatArray, by_turn: FloatArray, shared: FloatArray) -> FloatArray:
    """The z of one slope of the joint, by generalised least squares, each series moved by its lever."""
    weighed = np.linalg.solve(shared, by_turn)
    return np.asarray((weighed * z).sum(axis=0) / np.sqrt((weighed * by_turn).sum(axis=0)))


def fisher(z: FloatArray, _by_turn: FloatArray, _shared: FloatArray) -> FloatArray:
    """Fisher's sum of logarithms of the series' tails, as the z of its own tail."""
    from scipy.stats import chi2, norm

    tail = chi2.sf(-2.0 * norm.logsf(z).sum(axis=0), 2 * z.shape[0])
    return np.asarray(norm.isf(np.maximum(tail, 1e-300)))


def least(z: FloatArray, _by_turn: FloatArray, _shared: FloatArray) -> FloatArray:
    """Whichever stands out least."""
    return np.asarray(z.min(axis=0))


def lowered(z: FloatArray, _by_turn: FloatArray, _shared: FloatArray) -> FloatArray:
    """The turn, its level lowered while any other series agrees."""
    return np.asarray(z[0] + LOWERED_BY * (z[1:] > AGREES_Z).any(axis=0))


OTHERS = {"opening": ("opening",), "rack": ("rack",), "both": ("opening", "rack")}
JOINING: Mapping[str, Statistic] = {"sum": summed, "fused": fused, "Fisher": fisher, "lowered": lowered}
FORMS = (
    Form(name="turn alone", keys=("turn",), statistic=alone),
    Form(name="turn of some size", keys=("turn", "size"), statistic=least),
    Form(name="opening alone", keys=("opening",), statistic=alone),
    *(
        Form(name=f"{name}, turn and {with_what}", keys=("turn", *keys), statistic=statistic)
        for name, statistic in JOINING.items()
        for with_what, keys in OTHERS.items()
    ),
)


def read_joint(joint: Joint, nights: Mapping[str, Nights], lever: float) -> Read:
    """A joint's nights on the nights of its turn; a series not told yet neither agrees nor disagrees."""
    turn, opening, rack = nights["turn"], nights["opening"], nights["rack"]
    day, quiet = turn.day, {key: QUIET_SLOPE * facts.scale for key, facts in joint.facts.items()}
    before = on(day - BEFORE_NIGHTS, rack, rack.slope)
    errors = [turn.se, on(day, opening, opening.se), np.sqrt(2) * on(day, rack, rack.se)]
    grown = turn.slope - quiet["turn"]
    grows = [grown, on(day, opening, opening.slope) - quiet["opening"], on(day, rack, rack.slope) - before]
    arms = (1.0, max(lever, 0.5) * joint.spacing_mm / 1000, RACK_BY_TURN)
    z = np.nan_to_num(np.array(grows) / np.array(errors))
    sized = SIZED_LEVEL * joint.spacing_mm / PAIR_SPACING_MM / SIZED_MRAD
    grown_beside = turn.slope_beside - quiet["turn"]
    beside, size_beside = _carried(grown_beside / turn.se_beside), _carried(grown_beside * sized)
    return Read(
        day=day,
        z=np.array([*z, grown * sized]),
        z_beside=np.nan_to_num(np.array([beside, *z[1:], size_beside]), nan=LOWEST),
        by_turn=np.nan_to_num(np.array([*(np.array(arms)[:, None] / np.array(errors)), 0.0 * day])),
        held=turn.held,
        onset_day=joint.onset_day,
        crossing_day=joint.crossing_day,
    )


def with_rack_of(sound: Read, other: Read) -> Read | None:
    """A sound joint in a leaf of which another lets go, from its onset on; None where they share no night."""
    since = other.onset_day or 0
    day, mine, its = np.intersect1d(sound.day, other.day[other.day >= since], return_indices=True)
    if day.size == 0:
        return None
    its = its + int(np.searchsorted(other.day, since))
    rack = KEYS.index("rack")
    rows = {name: getattr(sound, name)[:, mine].copy() for name in ("z", "z_beside", "by_turn")}
    for name, row in rows.items():
        row[rack] = getattr(other, name)[rack, its]
    return replace(sound, day=day, held=sound.held[mine], **rows)


def on(day: NDArray[np.int64], nights: Nights, values: FloatArray) -> FloatArray:
    """A series' values on some days; NaN where it has none."""
    found = np.full(day.size, np.nan)
    there = np.isin(day, nights.day)
    found[there] = values[np.searchsorted(nights.day, day[there])]
    return found


def _carried(values: FloatArray) -> FloatArray:
    """A search's answer on the nights until the next search."""
    found = values.copy()
    for back in range(1, SOUGHT_EVERY_NIGHTS):
        earlier = np.concatenate([np.full(back, np.nan), values[:-back]])[: values.size]
        found = np.where(np.isfinite(found), found, earlier)
    return found


def alarms(read: Read, figure: FloatArray, beside: FloatArray, level: float) -> list[int]:
    """Days on which an alarm is raised; each stands until the figure was low for thirty nights."""
    raised, is_latched, quiet = [], False, 0
    low = min(RELEASED_MOST, RELEASED_SHARE * level)
    for place, day in enumerate(read.day.tolist()):
        if is_latched:
            quiet = quiet + 1 if figure[place] < low else 0
            is_latched = quiet < RELEASED_NIGHTS
        elif figure[place] > level and beside[place] > level and not read.held[place]:
            raised.append(day)
            is_latched, quiet = True, 0
    return raised


def false_alarms(reads: Sequence[Read], form: Form, shared: FloatArray, level: float) -> tuple[int, float]:
    """Alarms before a joint lets go, and the joint-years in which they could be raised."""
    count, years = 0, 0.0
    for read in reads:
        if read.day.size == 0:
            continue
        last = int(read.day[-1])
        until = last + 1 if read.onset_day is None else min(read.onset_day, last + 1)
        count += sum(day < until for day in alarms(read, *form.of(read, shared), level))
        years += max(until - int(read.day[0]), 0) / DAYS_PER_YEAR
    return count, years


def least_level(reads: Sequence[Read], form: Form, shared: FloatArray) -> float:
    """The lowest level at which sound joints are falsely alarmed no more than MOST_FALSE."""
    for level in LEVELS.tolist():
        count, years = false_alarms(reads, form, shared, level)
        if 10 * count <= MOST_FALSE * years:
            return float(level)
    return float(LEVELS[-1])


def leads(reads: Sequence[Read], form: Form, shared: FloatArray, level: float) -> list[int]:
    """Days from the first alarm after the onset to the open limit; 0 where there was none before it."""
    found = []
    for read in reads:
        onset, crossing = read.onset_day, read.crossing_day
        if onset is None or crossing is None:
            continue
        told = [day for day in alarms(read, *form.of(read, shared), level) if onset <= day < crossing]
        found.append(crossing - told[0] if told else 0)
    return found


def named_wrongly(
    sound: Sequence[Read], opening: Sequence[Read], asked: tuple[Form, FloatArray, float]
) -> str:
    """How many sound joints are told of while another joint of their leaf lets go."""
    form, shared, level = asked
    made = [with_rack_of(read, other) for read in sound[::SOUND_EVERY] for other in opening]
    there = [read for read in made if read is not None]
    told = sum(bool(alarms(read, *form.of(read, shared), level)) for read in there)
    return f"sound beside one that opens {told} of {len(there)}"


def rows(sound: Sequence[Read], opening: Mapping[str, Sequence[Read]]) -> Iterator[str]:
    """The correlation on sound joints, and a line for each form."""
    shared = np.corrcoef(np.concatenate([read.z[:, ::30] for read in sound], axis=1))
    yield "correlation of z on sound joints: " + ", ".join(
        f"{a} and {b} {shared[KEYS.index(a), KEYS.index(b)]:+.2f}"
        for a, b in (("turn", "opening"), ("turn", "rack"), ("opening", "rack"))
    )
    for form in FORMS:
        usual = {"turn alone": [USUAL_LEVEL], "turn of some size": [SIZED_LEVEL]}.get(form.name, [])
        for level in (*usual, least_level(sound, form, shared)):
            count, years = false_alarms(sound, form, shared, level)
            told = [f"{form.name:26s} level {level:.2f}, false {count} in {years:.0f} joint-years"]
            for joint, reads in opening.items():
                found = leads(reads, form, shared, level)
                low, middle = np.percentile(found, [10, 50])
                told.append(
                    f"{SPACINGS[joint]:.0f} mm {sum(lead > 0 for lead in found)} of {len(found)},"
                    f" median {middle:.0f} d, 10th percentile {low:.0f} d"
                )
            told.append(named_wrongly(sound, opening["lock-hinge"], (form, shared, level)))
            yield "; ".join(told)


def read_doors(doors: Sequence[Asked], names: Sequence[str], doubt: Doubt) -> list[Read]:
    """The named joints of some doors."""
    return [
        read_joint(joint, nights_of(joint), doubt.lever)
        for asked in doors
        for joint in joints_of(asked, doubt)
        if joint.name in names
    ]


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sound", type=int, default=60)
    parser.add_argument("--opening", type=int, default=20)
    parser.add_argument("--noise-mm", type=float, default=0.0)
    parser.add_argument("--lever", type=float, default=0.0)
    asked = parser.parse_args()
    doubt = Doubt(noise_mm=asked.noise_mm, lever=asked.lever)
    # No joint opens in a sound door, so that of it the lever is not asked.
    plain = Doubt(noise_mm=asked.noise_mm)
    sound = read_doors(fleet(asked.sound, years=SOUND_YEARS, first_seed=SOUND_SEED), tuple(SPACINGS), plain)
    opening = {}
    for joint, spacing in SPACINGS.items():
        doors = fleet(asked.opening, years=1.0, first_seed=OPENING_SEEDS[joint], opens=joint)
        opening[joint] = read_doors([until_open(one, spacing) for one in doors], (joint,), doubt)
    for row in rows(sound, opening):
        sys.stdout.write(f"{row}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
