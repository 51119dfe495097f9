"""What a look is called, and what goes with it, in words for people."""

from collections.abc import Mapping
from datetime import timedelta

from server.trend.trial_use import Said
from server.trials.declared import Declared, spoken
from server.trials.looks import EPOCH, KeptLook, could_tell_on
from server.trials.planned import Warned

TWO_DOORS = (
    "Two doors are two doors. Even a clear difference here says how these two went, in these two places; "
    "it does not prove a joint."
)
MAY_LOOK = (
    "You may look every night: the bounds are drawn so wide early on that, in nineteen trials of twenty, "
    "the truth is never once outside them from the first night to the last."
)
READ_BY: Mapping[str, str] = {
    "fence-1": "By fence-1, as it was sealed. Measured since: left in 52 trials of a thousand, not in 50.",
    "fence-2": "By fence-2: wider early on than fence-1, for what a pair tells grows faster than the years.",
}
"""Of each method's bounds. Source: 400 simulated pairs through the comparison, by this project."""
KEEP_A_COPY = (
    "A seal is as old as the oldest copy out of your hands: print and sign it, or send it to someone."
)
REASONS: Mapping[str, str] = {
    "first_year": "The trial is read from one year after its start.",
    "not_all_served": "Not every pair has given a rate yet.",
    "no_moment": "A joint's own moment is not known.",
    "gauge_in_doubt": "A gauge is in doubt: look at it first.",
    "season": "The season cannot yet be told from what stays.",
    "contradiction": "Tonight's readings contradict the trial's own earlier bounds: look at the gauges.",
    "as_much_not_told": "Whether by as much as matters is not told.",
    "not_within_trial": "Not within this trial, if it goes on so.",
}
WARNINGS: Mapping[Warned, str] = {
    "two_pairs_for_a_kind": "Two pairs never told a kind apart in 6 years of trials on paper.",
    "chance_under_half": "A difference that matters would be told in fewer than half of such trials.",
    "readings_already_seen": "Readings of these joints were seen before the sealing.",
    "not_in_one_room": "The doors do not hang in one room: what the room does is not taken out.",
}
NUMBERS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def verdict(word: str, name_a: str, name_b: str) -> str:
    """A word of a look as a heading; the names are those of the doors, or of the ways of joining."""
    return {
        "a_turns_more": f"{name_a}’s joint turns more",
        "b_turns_more": f"{name_b}’s joint turns more",
        "no_difference_that_matters": "No difference that matters",
        "cant_tell_yet": "Can’t tell yet",
        "not_to_be_compared": "Not to be compared",
    }[word]


def beside(look: KeptLook, declared: Declared, name_a: str, name_b: str) -> str:
    """The sentence that goes with a word; empty where none does."""
    years = look.facts.get("could_tell_years")
    if look.why == "ended":
        return (
            f"The trial ended on {spoken(could_tell_on(declared, declared.horizon_years))} without an answer."
        )
    if look.word == "no_difference_that_matters":
        return _within(look.why, name_a, name_b)
    if look.why is None and isinstance(years, float):
        return f"It could be told on {spoken(could_tell_on(declared, years))}, if it goes on so."
    return "" if look.why is None else REASONS[look.why]


def told_on(first: KeptLook, tonight: KeptLook) -> str:
    """The night on which a word was told, and whether tonight would tell it alone."""
    day = spoken(EPOCH + timedelta(days=first.night))
    alone = "" if tonight.word == first.word else " Tonight’s bounds alone would not tell."
    return f"Told on {day}.{alone}"


def undeclared(comparisons: int, which: str = "this") -> str:
    """What stands beside a comparison without a sealed trial: how many others could have been picked."""
    return (
        f"Nobody declared {which} beforehand. These doors allow {_number(comparisons)} such comparisons, and "
        "one picked because it looks striking proves less."
    )


def of_use(said: Said, name: str, times_as_often: float | None = None) -> str:
    """What may be said of use; `name`: the door that turns more, or the one without a counter."""
    often = "" if times_as_often is None else f"{name} is opened {times_as_often:.1f} times as often. "
    return {
        "not_by_use": f"{often}Counted by openings it turns more all the same: use does not account for it.",
        "may_be_use": "Counted by openings no difference is told: use may account for it. "
        "That is not shown, only left open.",
        "by_openings_only": "Told by openings only, which was not what was declared: a reason for a new "
        "trial, no verdict.",
        "not_counted": f"Not said: {name}’s openings are not counted.",
        "nothing_told": "",
    }[said]


def closing(declared: Declared) -> str:
    """How every verdict ends: of what it does not speak."""
    if declared.scope == "doors":
        return TWO_DOORS
    doors = len(declared.a) + len(declared.b)
    counted = f"{_number(doors)} doors" if declared.design == "groups" else f"{_number(declared.size)} pairs"
    return f"These were {counted} by one maker, in one place. Another hand, glue or room is another trial."


def which_of_the_line(place: int, line_length: int) -> str:
    """Which of how many amended trials this is, and what that costs; empty for one alone."""
    if line_length == 1:
        return ""
    ordinal = ORDINALS[place] if place < len(ORDINALS) else f"{place}th"
    count = _number(line_length)
    such = "pairs" if line_length == 2 else f"sets of {count}"
    return (
        f"The {ordinal} of {count}: of twenty such {such} of trials with nothing to find, "
        f"at most {count} say something."
    )


def _within(why: str | None, name_a: str, name_b: str) -> str:
    if why is None:
        return "It speaks of the mean up to that night, no further."
    return f"{name_a if why == 'a_more_within_band' else name_b}’s turns more, by less than you said matters."


def _number(count: int) -> str:
    return NUMBERS[count] if count < len(NUMBERS) else str(count)
