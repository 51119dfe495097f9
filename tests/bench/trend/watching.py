"""Alarms and dates of known doors, as each night would have said them."""

from collections.abc import Iterator, Sequence

import numpy as np

from server.trend.forecast import Forecast, forecast
from server.trend.refit import refit
from server.trend.series import DAYS_PER_YEAR
from server.trend.watch import Alarm, watch
from tests.bench.trend.doors import KnownDoor

AHEAD = (365, 180)
OPEN = float("inf")
CAUSAL_DOORS, CAUSAL_SHARE = 10, 0.7


def watch_rows(doors: Sequence[KnownDoor], *, dates: bool = True) -> Iterator[str]:
    """Lines for false alarms, lead, dates and causality. Doors that move all along are neither."""
    alarms = [watch(door.daily, door.facts) for door in doors]
    pairs = list(zip(doors, alarms, strict=True))
    yield _false_row(pairs)
    failing = [(door, found) for door, found in pairs if door.crossing_day is not None]
    firsts = [(door, _first(door, found)) for door, found in failing]
    lead = [(door.crossing_day or 0) - day for door, day in firsts if day is not None]
    low, middle = np.percentile(lead, [10, 50]) if lead else (np.nan, np.nan)
    yield f"caught {len(lead)} of {len(failing)}  lead median {middle:.0f} d, 10th percentile {low:.0f} d"
    if dates:
        yield from _date_rows(firsts)
    changed = sum(is_changed(door, found) for door, found in pairs[:CAUSAL_DOORS])
    yield f"alarms that change with later data: {changed} of {len(pairs[:CAUSAL_DOORS])} doors"


def is_changed(door: KnownDoor, alarms: Sequence[Alarm]) -> bool:
    """Whether the record cut at its first alarm, or at 0.7 of it, has other alarms than the whole had."""
    days = [alarm.day for alarm in alarms]
    for cut in {*days[:1], int(door.daily.day[int(CAUSAL_SHARE * door.daily.day.size)])}:
        early = [alarm.day for alarm in watch(door.daily.up_to(cut), door.facts)]
        if early != [day for day in days if day <= cut]:
            return True
    return False


def _false_row(pairs: Sequence[tuple[KnownDoor, list[Alarm]]]) -> str:
    false, years = 0, 0.0
    for door, alarms in pairs:
        if door.is_moving_all_along:
            continue
        until = int(door.daily.day[-1]) if door.onset_day is None else door.onset_day
        false += sum(alarm.day < until for alarm in alarms)
        years += max(until - DAYS_PER_YEAR, 0.0) / DAYS_PER_YEAR
    return f"false alarms {false} in {years:.0f} door-years, {10 * false / years:.2f} a door in 10 years"


def _first(door: KnownDoor, alarms: Sequence[Alarm]) -> int | None:
    onset, crossing = door.onset_day or 0, door.crossing_day or 0
    return next((alarm.day for alarm in alarms if onset <= alarm.day < crossing), None)


def _date_rows(firsts: Sequence[tuple[KnownDoor, int | None]]) -> Iterator[str]:
    for ahead in AHEAD:
        asked = [(door, (door.crossing_day or 0) - ahead) for door, _ in firsts]
        yield _dates(f"{ahead} d before", [(door, day) for door, day in asked if day > (door.onset_day or 0)])
    yield _dates("at the alarm", [(door, day) for door, day in firsts if day is not None])


def _dates(when: str, asked: Sequence[tuple[KnownDoor, int]]) -> str:
    rng = np.random.default_rng(20)
    told = []
    for door, day in asked:
        answer = refit(door.daily, door.facts, through=day)
        said = forecast(answer, door.facts.limit or 0.0, rng)
        told.append((said, door.crossing_day or 0, day))
    inside = np.mean([said.earliest_day <= crossing <= _latest(said) for said, crossing, _ in told])
    width = np.median([_latest(said) - said.earliest_day for said, _, _ in told])
    early = np.median([(said.earliest_day - day) / (crossing - day) for said, crossing, day in told])
    return (
        f"date {when}: {len(told)} asked  covered {inside:.3f}  median width {width:.0f} d"
        f"  (earliest - today) / (true - today) {early:.2f}"
    )


def _latest(said: Forecast) -> float:
    return OPEN if said.latest_day is None else said.latest_day
