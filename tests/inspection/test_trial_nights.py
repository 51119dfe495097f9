"""Nights of a sealed trial over stored doors: what is put into their joints comes out per 100 N·m."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from math import sqrt

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from server.doors.marks import add_mark
from server.doors.register import DoorHung, find_door
from server.inspection.trial_nights import TrialNight, look_at_trials
from server.readings.tables import DayShut
from server.trials.looks import KeptLook
from server.trials.store import declare, seal_trial
from server.trials.tables import TrialFitRow, TrialLookRow
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, HUNG_DAY, Truth, one_joint
from tests.inspection.stored import stored_door
from tests.trials.yard import declaration

pytestmark = pytest.mark.usefixtures("fits_once")

ON_SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
"""What is reckoned with what was read, which the tests on both have read before."""

DAY_MS = 86_400_000
SEALED = datetime(2021, 4, 1, 9, tzinfo=UTC)
START_DAY = int(datetime(2021, 4, 1, tzinfo=UTC).timestamp()) // 86_400
YEARS = 3.2
NIGHT = HUNG_DAY + round(365.25 * YEARS) + 1
MOMENTS = {"north": "70", "south": "50"}
TURNS = {"north": 0.02, "south": 0.16}


def side(door: str) -> dict[str, object]:
    return {"door": door, "version": 1, "joints": ["lock-hinge"], "moment_n_m": MOMENTS[door]}


def sealed(session: Session, **changes: object) -> str:
    clock = HandClock(SEALED)
    given = declaration(
        pairs=[{"a": side("north"), "b": side("south")}], starts_on="2021-04-01", horizon_days=2192
    )
    asked = {key: value for key, value in (given | changes).items() if value is not None}
    number = declare(session, asked, by="M. Hale", clock=clock)
    return seal_trial(session, number, clock=clock, seen_until=None)


def two_doors(session: Session) -> tuple[DoorHung, ...]:
    return tuple(
        stored_door(session, Truth(years=YEARS, turn_mrad_per_year=TURNS[name], seed=seed), one_joint(name))
        for seed, name in enumerate(MOMENTS)
    )


@pytest.fixture
def doors(session: Session) -> tuple[DoorHung, ...]:
    return two_doors(session)


def looked(session: Session, end_day: int = NIGHT, **around: object) -> Sequence[KeptLook]:
    return look_at_trials(session, TrialNight(end_day=end_day, **around))  # type: ignore[arg-type]  # as the case has it


def fits(session: Session) -> int:
    return session.scalars(select(func.count()).select_from(TrialFitRow)).one()


def test_a_night_tells_the_turn_per_100_n_m(session: Session, doors: tuple[DoorHung, ...]) -> None:
    seal = sealed(session)
    (one,) = looked(session)
    true = TURNS["south"] * 100 / 50 - TURNS["north"] * 100 / 70
    assert one.estimate is not None
    assert one.se is not None
    assert one.estimate == pytest.approx(true, abs=1.96 * one.se)
    assert 0 < one.se < true / 3
    assert one.word == "b_turns_more"
    assert one.facts["rests_on"] == {
        "north": ["north/lock-hinge-top", "north/lock-hinge-bottom"],
        "south": ["south/lock-hinge-top", "south/lock-hinge-bottom"],
    }
    kept = session.scalars(select(TrialLookRow)).one()
    assert (kept.seal, kept.night, kept.again) == (seal, NIGHT, 0)


def test_a_night_is_looked_at_once_and_goes_on_with_what_was_fitted(
    session: Session, doors: tuple[DoorHung, ...]
) -> None:
    sealed(session)
    first, again, later = looked(session, NIGHT - 7), looked(session, NIGHT - 7), looked(session)
    assert (len(first), len(again), len(later), fits(session)) == (1, 0, 1, 1)


def test_a_late_reading_before_the_last_fit_makes_it_fit_anew(
    session: Session, doors: tuple[DoorHung, ...]
) -> None:
    sealed(session)
    looked(session, NIGHT - 7)
    before = session.scalars(select(TrialFitRow.basis)).one()
    channel = doors[0].channels["lock-hinge-top"].id
    session.execute(
        update(DayShut)
        .where(DayShut.channel_id == channel, DayShut.day == START_DAY + 300)
        .values(median=DayShut.median + 0.01)
    )
    looked(session)
    assert session.scalars(select(TrialFitRow.basis)).one() != before


@ON_SQLITE
def test_only_days_from_the_start_count(session: Session, doors: tuple[DoorHung, ...]) -> None:
    """The first year of the trial has a look that tells nothing, whatever the door told before its start."""
    sealed(session)
    (one,) = looked(session, START_DAY + 364)
    assert (one.word, one.estimate) == ("not_to_be_compared", None)


@pytest.mark.parametrize("end_day", [START_DAY, START_DAY + 2193])
def test_no_look_outside_the_trial(session: Session, doors: tuple[DoorHung, ...], end_day: int) -> None:
    sealed(session)
    assert list(looked(session, end_day)) == []


@ON_SQLITE
def test_a_gauge_in_doubt_stops_the_comparison(session: Session, doors: tuple[DoorHung, ...]) -> None:
    sealed(session)
    (one,) = looked(session, in_doubt=frozenset({"south/lock-hinge-top"}))
    assert (one.word, one.why) == ("not_to_be_compared", "gauge_in_doubt")


def test_a_repaired_joint_ends_its_pair_which_keeps_what_it_showed(
    session: Session, doors: tuple[DoorHung, ...]
) -> None:
    sealed(session)
    (before,) = looked(session, NIGHT - 30)
    when = (NIGHT - 20) * DAY_MS
    add_mark(session, doors[1].id, t_ms=when, kind="repaired", text="new glue", by="M. Hale")
    (after,) = looked(session)
    assert (after.estimate, after.se) == (before.estimate, before.se)
    assert after.facts["pairs"][0]["ended"] is True  # type: ignore[index]  # facts as they are kept


def test_a_door_that_does_not_hang_here_is_refused_not_guessed(session: Session) -> None:
    sealed(session)
    (one,) = looked(session)
    assert (one.word, one.why) == ("not_to_be_compared", "not_all_served")


@ON_SQLITE
def test_by_openings_it_needs_both_counters(session: Session, doors: tuple[DoorHung, ...]) -> None:
    sealed(session, quantity="turn_per_100_n_m_per_10000")
    (without,) = looked(session, NIGHT - 7)
    assert without.facts["pairs"][0]["refused"] == "use_unknown"  # type: ignore[index]  # facts as they are kept
    use = {find_door(session, "north").id: 10_000.0, find_door(session, "south").id: 20_000.0}
    (counted,) = looked(session, openings_a_year=lambda _, door, _from, _to: use[door.id])
    true = TURNS["south"] * 100 / 50 / 2 - TURNS["north"] * 100 / 70
    assert counted.estimate is not None
    assert counted.se is not None
    assert counted.estimate == pytest.approx(true, abs=1.96 * counted.se)


@ON_SQLITE
def test_unmatched_doors_are_compared_by_their_own_rates(session: Session) -> None:
    names = {"north": 3, "south": 3}
    groups: dict[str, list[dict[str, object]]] = {}
    for key, (name, count) in zip("ab", names.items(), strict=True):
        groups[key] = []
        for place in range(count):
            truth = Truth(years=YEARS, turn_mrad_per_year=TURNS[name] + 0.01 * place, seed=place + 7)
            door = stored_door(session, truth, renamed(name, f"{name}-{place}"))
            groups[key].append(side(name) | {"door": door.name})
    sealed(session, design="groups", scope="kind", groups=groups, pairs=None)
    (one,) = looked(session)
    true = (TURNS["south"] + 0.01) * 100 / 50 - (TURNS["north"] + 0.01) * 100 / 70
    assert one.estimate == pytest.approx(true, abs=0.03 * sqrt(3))
    assert fits(session) == 6


def renamed(name: str, as_name: str) -> DoorHung:
    door = one_joint(name)
    return replace(door, built=replace(door.built, name=as_name, node=as_name, hung=HUNG), name=as_name)
