"""When a message is tried again: the published cases, the spread, the quiet hours."""

from datetime import UTC, datetime, timedelta

import pytest

from server.alerts.delivery.tries import Quiet, after_try, life_of
from server.alerts.delivery.values import Answer, Failed, Later, Refused, Sent
from tests.alerts.delivery.cases import cases, names

START = datetime(2027, 3, 2, 6, tzinfo=UTC)
YARD = Quiet.of("21:00-06:00", "Europe/London")


def answer(text: str) -> Answer:
    if text.startswith("later:"):
        return Later(60.0 * int(text.partition(":")[2]))
    answers: dict[str, Answer] = {"ok": Sent(), "refused": Refused("refused", 550), "fail": Failed("busy")}
    return answers[text]


def minutes(moment: datetime) -> int:
    return round((moment - START).total_seconds() / 60)


@pytest.mark.parametrize("case", cases("outbox"), ids=names("outbox"))
def test_published_tries(case: dict[str, object]) -> None:
    at = START + timedelta(minutes=int(str(case.get("quiet_until_min", 0))))
    expires, state, tries, results = at + life_of(str(case["message"])), "waiting", [], list(case["results"])  # type: ignore[call-overload]  # of JSON
    while state == "waiting":
        tries.append(minutes(at))
        after = after_try(answer(results.pop(0)), tries=len(tries), now=at, expires=expires, spread=1.0)
        at, state = after.next_try, after.state
    assert {"tries_min": tries, "state": state} == case["expect"]


@pytest.mark.parametrize("spread", [0.8, 1.2])
def test_the_spread_is_a_factor_of_each_wait_of_ours(spread: float) -> None:
    for tries, wait_min in ((1, 1), (2, 5), (3, 15), (4, 60), (5, 240), (9, 240)):
        after = after_try(
            Failed("busy"), tries=tries, now=START, expires=START + timedelta(days=3), spread=spread
        )
        assert after.next_try - START == timedelta(minutes=wait_min) * spread


def test_a_wait_that_is_asked_for_is_not_spread_nor_negative() -> None:
    for seconds, wait_s in ((90.0, 90.0), (-5.0, 0.0), (1e9, 4 * 3600.0)):
        after = after_try(Later(seconds), tries=1, now=START, expires=START + timedelta(days=3), spread=1.2)
        assert (after.next_try - START).total_seconds() == wait_s


@pytest.mark.parametrize(
    ("moment", "said"),
    [
        ("2027-03-02T05:59:00+00:00", "2027-03-02T06:00:00+00:00"),
        ("2027-03-02T06:00:00+00:00", "2027-03-02T06:00:00+00:00"),
        ("2027-03-02T20:59:00+00:00", "2027-03-02T20:59:00+00:00"),
        ("2027-03-02T21:00:00+00:00", "2027-03-03T06:00:00+00:00"),
        ("2027-03-02T23:30:00+00:00", "2027-03-03T06:00:00+00:00"),
        ("2027-07-01T05:00:00+00:00", "2027-07-01T05:00:00+00:00"),  # summer time: six in the yard
        ("2027-07-01T04:59:00+00:00", "2027-07-01T05:00:00+00:00"),
        ("2027-03-27T22:00:00+00:00", "2027-03-28T05:00:00+00:00"),  # the clocks go forward in between
        ("2027-10-30T21:30:00+00:00", "2027-10-31T06:00:00+00:00"),  # and back
    ],
)
def test_quiet_hours_are_the_yards(moment: str, said: str) -> None:
    assert YARD.after(datetime.fromisoformat(moment)) == datetime.fromisoformat(said)


def test_quiet_hours_within_a_day_and_none() -> None:
    noon = Quiet.of("12:00-14:00", "UTC")
    assert noon.after(START.replace(hour=13)) == START.replace(hour=14)
    assert noon.after(START.replace(hour=15)) == START.replace(hour=15)
    none = Quiet.of("00:00-00:00", "UTC")
    assert none.after(START.replace(hour=0)) == START.replace(hour=0)


def test_a_later_try_waits_for_the_quiet_hours_too() -> None:
    evening = START.replace(hour=20, minute=50)
    after = after_try(
        Failed("busy"), tries=3, now=evening, expires=evening + timedelta(days=3), spread=1.0, quiet=YARD
    )
    assert after.next_try == START + timedelta(days=1)


@pytest.mark.parametrize("text", ["", "21-6", "21:00", "late"])
def test_other_texts_are_no_hours(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        Quiet.of(text, "UTC")
