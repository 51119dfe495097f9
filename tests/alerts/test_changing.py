"""What a night makes of an alert, where the published nights do not look."""

import pytest

from server.alerts.changing import AlertNow, are_words, changes, closed_by_person, most_left, worsened
from server.alerts.folding import Condition, Count

NIGHT = "2027-03-10"
STANDS = Condition(counts={"joint_open": Count(over=7, since=NIGHT)}, holds=True)


@pytest.mark.parametrize(("stood", "how"), [(True, "gone"), (False, "contradicted")])
def test_an_end_is_gone_or_never_was(stood: bool, how: str) -> None:
    (change,) = changes(AlertNow(step="joint_open"), Condition(), night=NIGHT, stood=stood)
    assert (change.kind, change.detail) == ("ended", how)


def test_a_mark_ends_and_what_holds_is_raised_anew() -> None:
    made = changes(AlertNow(step="joint_opening", frozen=True), STANDS, night=NIGHT, marked=True)
    assert [(one.kind, one.step, one.detail) for one in made] == [
        ("ended", "joint_opening", "mark"),
        ("raised", "joint_open", ""),
    ]


@pytest.mark.parametrize("how", ["told", "lapsed"])
def test_what_is_told_or_lapsed_never_returns(how: str) -> None:
    assert changes(AlertNow(step="slam", ended="2027-03-01", how=how), STANDS, night=NIGHT) == []


@pytest.mark.parametrize(
    ("ended", "kind"), [("2027-03-03", "back"), ("2027-03-02", "raised"), ("2027-03-12", "back")]
)
def test_back_within_seven_nights(ended: str, kind: str) -> None:
    """A clock that ran ahead may have ended it on a night to come."""
    (change,) = changes(AlertNow(step="joint_open", ended=ended, how="gone"), STANDS, night=NIGHT)
    assert change.kind == kind


def test_frozen_and_thawed_are_said_once_each() -> None:
    held = Condition(counts=STANDS.counts, frozen="not heard")
    said = [
        [one.kind for one in changes(AlertNow(step="joint_open", frozen=frozen), now, night=NIGHT)]
        for frozen, now in ((False, held), (True, held), (True, STANDS), (False, STANDS))
    ]
    assert said == [["frozen"], [], ["thawed"], []]


def test_what_a_closed_gauge_hides_since_then_opens_it_again() -> None:
    closed = closed_by_person(STANDS, step="joint_open", night="2027-03-05")
    assert worsened(closed, ["2027-03-05"]).closed == closed.closed
    assert worsened(closed, ["2027-03-01", "2027-03-06"]).closed is None
    assert worsened(STANDS, ["2027-03-06"]) == STANDS


@pytest.mark.parametrize(
    ("text", "is_said"), [("", False), ("ok", False), ("12345", False), ("set", True), (" a b c", True)]
)
def test_words_are_three_letters(text: str, *, is_said: bool) -> None:
    assert are_words(text) is is_said


def test_how_long_it_may_be_left() -> None:
    assert [most_left(weight) for weight in ("today", "soon", "note")] == [30, 365, 365]
