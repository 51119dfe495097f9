"""How what was said is scored: reckoned here by hand on a straight line."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy.orm import Session

from server.inspection.results import SeriesResult
from server.inspection.said import Said
from server.inspection.scoring import score, scored
from server.inspection.values import Parts
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door

KEY = "turn:lock-hinge"
FIRST, YEARS = 20_000, 3
DAYS = round(YEARS * 365.25) + 1
A_YEAR, LIMIT = 0.1, 0.2  # the limit is reached after two years to the day
REACHED = FIRST + 731


def day_of(slot: date) -> int:
    return (slot - date(1970, 1, 1)).days - 1


def known_now() -> dict[str, SeriesResult]:
    day = np.arange(FIRST, FIRST + DAYS)
    stays = np.asarray(A_YEAR * (day - FIRST) / 365.25, dtype=np.float64)
    none = np.full(DAYS, np.nan)
    parts = Parts(day=day, seen=stays, stays=stays, stays_low=none, stays_high=none, back=none, moisture=none)
    plain = {"unit": "mrad", "slot": "2027-01-01", "status": "served", "reason": None}
    figures = {"rate": A_YEAR, "low": 0.0, "high": 0.2}
    return {KEY: SeriesResult(key=KEY, **plain, **figures, facts={"first_day": FIRST}, parts=parts)}  # type: ignore[arg-type]  # spelled out above


def nights(off: float = 0.0, half: float = 0.02) -> list[Said]:
    """Every night: what stays, `off` by so much, give or take `half`."""
    made = []
    for day in range(FIRST, FIRST + DAYS):
        slot, stays = date(1970, 1, 1) + timedelta(days=day + 1), A_YEAR * (day - FIRST) / 365.25 + off
        made.append(
            Said(
                series=KEY,
                slot=slot.isoformat(),
                revision=1,
                at=datetime(2026, 1, 1, tzinfo=UTC),
                day=day,
                status="served",
                stays=stays,
                stays_low=stays - half,
                stays_high=stays + half,
                alarm=False,
                bound=LIMIT,
            )
        )
    return made


def months_judged() -> int:
    """First nights of calendar months, of those whose day is 90 days before the last or earlier."""
    return len({one.slot[:7] for one in nights() if one.day <= FIRST + DAYS - 1 - 90})


@pytest.mark.parametrize(("off", "held"), [(0.0, True), (0.019, True), (-0.019, True), (0.021, False)])
def test_intervals_hold_or_do_not(off: float, *, held: bool) -> None:
    made = score(nights(off), known_now())
    assert (made.asked, made.held) == (months_judged(), months_judged() * held)
    assert [year.is_held for year in made.series[0].years] == [held] * YEARS
    assert [year.years for year in made.series[0].years] == [1, 2, 3]
    assert made.series[0].years[0].later == pytest.approx(A_YEAR * 365 / 365.25)


def test_what_was_not_told_is_not_judged() -> None:
    untold = [replace(one, stays=None, stays_low=None, stays_high=None) for one in nights()]
    made = score(untold, known_now())
    assert (made.asked, made.held) == (0, 0)
    assert [year.is_held for year in made.series[0].years] == [None] * YEARS


def test_what_was_said_first_is_judged_and_what_is_known_now_stands_beside() -> None:
    said = nights(off=0.1)
    place = round(365.25)
    again = replace(said[place], revision=2, stays=0.1, stays_low=0.08, stays_high=0.12)
    made = score([*said[: place + 1], again, *said[place + 1 :]], known_now())
    (one,) = made.series
    assert (one.said_again, one.nights, made.held) == (1, DAYS, 0)
    assert one.years[0].said.revision == 1
    assert one.years[0].known_now == again
    assert one.years[1].known_now is None


def test_a_night_of_which_two_series_were_said_again_is_one_night() -> None:
    again = [replace(nights()[400], revision=2, series=key) for key in (KEY, "droop")]
    assert score([*nights(), *again], known_now()).nights_said_again == 1


def with_alarm(earliest: int, latest: int | None, *, since: int = 500) -> list[Said]:
    return [
        replace(one, alarm=True, earliest=earliest, latest=latest) if one.day >= FIRST + since else one
        for one in nights()
    ]


@pytest.mark.parametrize(
    ("earliest", "latest", "met"),
    [
        (REACHED - 100, REACHED + 50, True),
        (REACHED, REACHED, True),
        (REACHED - 100, None, True),
        (REACHED - 100, REACHED - 1, False),
        (REACHED + 1, None, False),
    ],
)
def test_a_date_is_met_or_not(earliest: int, latest: int | None, *, met: bool) -> None:
    (told,) = score(with_alarm(earliest, latest), known_now()).dates
    assert (told.said.day, told.reached, told.is_met) == (FIRST + 500, REACHED, met)


def test_a_limit_that_is_not_reached_decides_only_once_the_latest_is_over() -> None:
    far = [replace(one, bound=9.0) for one in with_alarm(FIRST + 600, FIRST + 700)]
    open_ended = [replace(one, bound=9.0) for one in with_alarm(FIRST + 600, None)]
    assert [one.is_met for said in (far, open_ended) for one in score(said, known_now()).dates] == [
        False,
        None,
    ]


def test_each_alarm_has_one_date() -> None:
    said = with_alarm(REACHED - 100, None)
    said[700] = replace(said[700], alarm=False, earliest=None)
    made = score(said, known_now())
    assert len(made.dates) == 2
    assert made.series[0].alarms == 2


def test_a_door_never_looked_at(session: Session) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    made = scored(session, door.id)
    assert (made.series, made.asked, made.held, made.dates) == ((), 0, 0, ())
