"""One night of 50 trials of 6 pairs, their fits kept from the night before.

`python -m tests.bench.trials_night`. Twelve invented doors of three years, paired anew in each trial.
The aim: at most 5 s, the doors read once.
"""

import argparse
import itertools
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from server.database import open_engine, session_of
from server.doors.register import DoorHung, find_door
from server.inspection.comparing import series_of
from server.inspection.pair_kept import keep
from server.inspection.paired import DoorSeries, pair_days
from server.inspection.trial_nights import Where
from server.schema import upgrade
from server.service.trials import look_at_trials
from server.trend.paired_nights import PairDays, PairKept
from server.trend.refit import refit
from server.trend.together import Shares
from server.trend.trial_pairs import scaling
from server.trials.store import declare, seal_trial
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, HUNG_DAY, Truth, one_joint
from tests.inspection.stored import stored_door
from tests.trials.yard import declaration

KEY = "turn:lock-hinge"
YEARS, MOMENTS = 3.2, ("70", "50")
SEALED = datetime(2021, 4, 1, 9, tzinfo=UTC)
NIGHT = HUNG_DAY + round(365.25 * YEARS)
SHARED = Shares(level=0.3, ar=0.3, slope=0.1)


def main() -> None:
    """Print what a night takes."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--trials", type=int, default=50)
    asked.add_argument("--pairs", type=int, default=6)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'trials.db'}"
        upgrade(url)
        engine = open_engine(url)
        made(engine, given.trials, given.pairs)
        import scipy.stats  # noqa: F401 - the doors' own looks, which come first, have it

        started, at_work = time.perf_counter(), time.process_time()
        looks = look_at_trials(engine, NIGHT)
        took_s, cpu_s = time.perf_counter() - started, time.process_time() - at_work
        engine.dispose()
    told = sum(one.estimate is not None for one in looks)
    took = f"{took_s:.2f} s, of it {cpu_s:.2f} s at work"
    print(f"{len(looks)} trials of {given.pairs} pairs, {told} served: {took}")  # noqa: T201 - a bench


def made(engine: Engine, trials: int, pairs: int) -> None:
    """Doors, trials over all ways of pairing them, and the fits that an earlier night would have kept."""
    with session_of(engine) as session:
        sides = [[_door(session, name, place) for place in range(pairs)] for name in ("north", "south")]
        series = [[series_of(session, door, NIGHT) for door in side] for side in sides]
        fits: dict[tuple[int, int], PairKept] = {}
        orders = itertools.islice(itertools.permutations(range(pairs)), trials)
        for order in orders:
            seal = _sealed(session, sides, order)
            for place, other in enumerate(order):
                days = _days(series[0][place], series[1][other])
                spot = Where(session=session, seal=seal, place=place, joint=KEY).spot(
                    (days.a, days.b), days.facts, days.later_days
                )
                keep(session, spot, _kept(fits, days, (place, other)))


def _door(session: Session, name: str, place: int) -> DoorHung:
    door = one_joint(name)
    called = f"{name}-{place}"
    built = replace(door.built, name=called, node=called, hung=HUNG)
    truth = Truth(years=YEARS, turn_mrad_per_year=0.02 + 0.005 * place, seed=place + 11 * len(name + called))
    stored_door(session, truth, replace(door, built=built, name=called))
    return find_door(session, called)


def _sealed(session: Session, sides: Sequence[Sequence[DoorHung]], order: Sequence[int]) -> str:
    given = declaration(
        pairs=[
            {"a": _side(sides[0][place], 0), "b": _side(sides[1][other], 1)}
            for place, other in enumerate(order)
        ],
        starts_on="2021-04-01",
        horizon_days=2192,
    )
    clock = HandClock(SEALED)
    return seal_trial(session, declare(session, given, by="bench", clock=clock), clock=clock, seen_until=None)


def _side(door: DoorHung, place: int) -> dict[str, object]:
    return {"door": door.name, "version": 1, "joints": ["lock-hinge"], "moment_n_m": MOMENTS[place]}


def _days(a: DoorSeries, b: DoorSeries) -> PairDays:
    start = int(SEALED.timestamp()) // 86_400
    size = scaling(float(MOMENTS[0]), float(MOMENTS[1]))
    days = pair_days(a, b, (KEY, KEY), from_day=start, scaling=size)
    assert days is not None
    return days


def _kept(fits: dict[tuple[int, int], PairKept], days: PairDays, places: tuple[int, int]) -> PairKept:
    """Each door is fitted once: what it kept is the same in every pair."""
    sides = []
    for side, (place, daily, facts) in enumerate(zip(places, (days.a, days.b), days.facts, strict=True)):
        found = fits.get((side, place))
        if found is None:
            kept = refit(daily, facts).kept
            assert kept is not None
            found = PairKept(doors=(kept, kept), shares=SHARED, age=days.age)
            fits[side, place] = found
        sides.append(found.doors[0])
    return PairKept(doors=(sides[0], sides[1]), shares=SHARED, age=days.age)


if __name__ == "__main__":
    main()
