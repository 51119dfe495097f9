"""Words for people."""

from dataclasses import replace
from typing import get_args

import pytest

from server.trend.trial import Why, Word
from server.trend.trial_use import Said
from server.trials.declared import declared_of
from server.trials.looks import KeptLook
from server.trials.planned import Warned
from server.trials.words import (
    REASONS,
    TWO_DOORS,
    WARNINGS,
    beside,
    closing,
    of_use,
    told_on,
    undeclared,
    verdict,
    which_of_the_line,
)
from tests.trend.trial_cases import CASES
from tests.trials.yard import pairs

DECLARED = declared_of(CASES["seal-second"]["input"])
KIND = declared_of(CASES["seal-second"]["input"] | {"scope": "kind", "pairs": pairs(3)})
NO_NUMBERS = dict.fromkeys(("estimate", "se", "tau", "factor", "low", "high"))


def kept(word: str, why: str | None, could_tell_years: float | None = None) -> KeptLook:
    facts = {"could_tell_years": could_tell_years}
    return KeptLook(night=22000, again=0, pairs=1, word=word, why=why, facts=facts, **NO_NUMBERS)


@pytest.mark.parametrize(
    ("word", "wanted"),
    [
        ("a_turns_more", "North’s joint turns more"),
        ("b_turns_more", "South’s joint turns more"),
        ("no_difference_that_matters", "No difference that matters"),
        ("cant_tell_yet", "Can’t tell yet"),
        ("not_to_be_compared", "Not to be compared"),
    ],
)
def test_headings(word: str, wanted: str) -> None:
    assert verdict(word, "North", "South") == wanted


@pytest.mark.parametrize(
    ("look", "wanted"),
    [
        (kept("cant_tell_yet", "ended"), "The trial ended on 23 December 2032 without an answer."),
        (kept("cant_tell_yet", None, 3.5), "It could be told on 24 June 2030, if it goes on so."),
        (
            kept("no_difference_that_matters", "b_more_within_band"),
            "South’s turns more, by less than you said matters.",
        ),
        (
            kept("no_difference_that_matters", "a_more_within_band"),
            "North’s turns more, by less than you said matters.",
        ),
        (kept("no_difference_that_matters", None), "It speaks of the mean up to that night, no further."),
        (kept("b_turns_more", "as_much_not_told"), "Whether by as much as matters is not told."),
        (kept("b_turns_more", None), ""),
    ],
)
def test_what_goes_with_a_word(look: KeptLook, wanted: str) -> None:
    assert beside(look, DECLARED, "North", "South") == wanted


def test_every_word_reason_and_warning_has_its_words() -> None:
    for word in get_args(Word):
        assert verdict(word, "North", "South")
    named = {"ended", "a_more_within_band", "b_more_within_band"}  # with a day or a door in them: above
    assert set(REASONS) | named == {*get_args(Why), "not_all_served"}
    assert set(WARNINGS) == set(get_args(Warned))


def test_a_word_once_told_is_shown_with_its_night() -> None:
    first = replace(kept("b_turns_more", None), night=22037)
    assert told_on(first, first) == "Told on 3 May 2030."
    later = "Told on 3 May 2030. Tonight’s bounds alone would not tell."
    assert told_on(first, kept("cant_tell_yet", None)) == later


def test_a_comparison_that_nobody_declared_says_so() -> None:
    assert "allow six such comparisons" in undeclared(6)
    assert "allow 28 such comparisons" in undeclared(28)


def test_what_is_said_of_use() -> None:
    assert of_use("not_by_use", "South", 1.42).startswith("South is opened 1.4 times as often. Counted")
    assert of_use("not_counted", "North") == "Not said: North’s openings are not counted."
    assert {said for said in get_args(Said) if not of_use(said, "South")} == {"nothing_told"}


def test_how_a_verdict_ends() -> None:
    assert closing(DECLARED) == TWO_DOORS
    assert closing(KIND).startswith("These were three pairs by one maker, in one place.")
    groups = replace(KIND, design="groups", a=KIND.a, b=KIND.b)
    assert closing(groups).startswith("These were six doors by one maker")


@pytest.mark.parametrize(
    ("place", "of", "wanted"),
    [
        (1, 1, ""),
        (
            2,
            2,
            "The second of two: of twenty such pairs of trials with nothing to find, at most two say",
        ),
        (3, 3, "The third of three: of twenty such sets of three of trials with nothing to find"),
    ],
)
def test_which_of_the_line(place: int, of: int, wanted: str) -> None:
    assert which_of_the_line(place, of).startswith(wanted)
    assert bool(which_of_the_line(place, of)) == bool(wanted)
