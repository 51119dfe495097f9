"""A sealed trial in words: its word, its record, its nights."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import Engine

from dashboards.pages.trial_told import (
    NONE_YET,
    declared_rows,
    drawn,
    listed,
    names_of,
    night_rows,
    plan_words,
    trial_view,
    verdict_of,
)
from server.database import Session
from server.trials.looks import EPOCH, KeptLook
from server.trials.store import Trial, find, list_trials, withdraw
from tests.fakes.clock import HandClock
from tests.trials.yard import SEALING, groups, sealed

NAMES = ("North", "South")


def night(
    day: date, *, d: float | None = 0.1, word: str = "b_turns_more", why: str | None = None
) -> KeptLook:
    half = 0.04
    return KeptLook(
        night=(day - EPOCH).days,
        again=0,
        pairs=1,
        estimate=d,
        se=0.02,
        tau=None,
        factor=2.0,
        low=None if d is None else d - half,
        high=None if d is None else d + half,
        word=word,
        why=why,
        facts={},
    )


@pytest.fixture
def trial(declared: Engine) -> Trial:
    """The sealed one of the two doors."""
    with Session(declared) as session:
        return list_trials(session)[0]


def test_before_the_first_night_it_says_when_that_comes(trial: Trial) -> None:
    said = verdict_of(trial.declared, NAMES, (), None)
    assert (said.head, said.say) == ("Not looked at yet", NONE_YET)


def test_a_word_that_was_told_stays_and_the_figures_are_tonights(trial: Trial) -> None:
    first = night(date(2028, 5, 3))
    last = night(date(2028, 6, 3), d=0.02, word="cant_tell_yet")
    said = verdict_of(trial.declared, NAMES, (first, last), first)
    assert said.head == "South’s joint turns more"
    assert said.figures is not None
    assert said.figures.middle == "+0.020"


def test_a_night_that_could_not_be_compared_says_why(trial: Trial) -> None:
    last = night(date(2028, 5, 3), d=None, word="not_to_be_compared", why="not_all_served")
    said = verdict_of(trial.declared, NAMES, (last,), None)
    assert (said.head, said.interval) == ("Not to be compared", None)
    assert said.say == "Not every pair has given a rate yet."


def test_of_each_month_the_last_night_stands_newest_first() -> None:
    looks = tuple(night(date(2028, month, day)) for month, day in ((5, 3), (5, 30), (6, 1)))
    rows = night_rows(NAMES, looks)
    assert [row.iso for row in rows] == ["2028-06-01", "2028-05-30"]
    assert rows[0].between == "0.06 to 0.14"


def test_a_night_looked_at_again_is_drawn_by_its_newest_look(trial: Trial) -> None:
    day = date(2023, 5, 3)
    looks = (night(day), replace(night(day), again=1), night(date(2023, 6, 3)))
    still = drawn(trial.declared, looks)
    assert still is not None
    line = next(stroke.path for stroke in still.strokes if stroke.kind == "l-stays")
    assert line.count("L") == 1
    assert drawn(trial.declared, looks[:2]) is None


def test_the_record_is_told_field_by_field(trial: Trial) -> None:
    rows = dict(declared_rows(trial))
    assert rows["From and to"].startswith("1\u00a0April\u00a02021 to")
    assert rows["Speaks of"] == "these doors"
    assert "lock rail, hinge side, carrying 66.45\u00a0N·m" in rows["The other"]
    assert len(plan_words(trial)) == 3


def test_the_view_is_whole_and_names_the_doors(declared: Engine) -> None:
    with Session(declared) as session:
        view = trial_view(session, list_trials(session)[0])
    assert "".join(view.groups) == view.seal
    assert view.verdict.head == "\u2068South\u2069’s joint turns more"
    assert view.told_on.startswith("Told on")
    assert (view.count, view.ended) == (3, "")


def test_a_trial_of_a_kind_names_the_ways_of_joining(engine: Engine) -> None:
    with Session(engine) as session:
        found = find(session, sealed(session, **groups(3, 3), pairs=None))
        assert names_of(session, found) == tuple(
            f"\u2068{side.name}\u2069" for side in (found.declared.side_a, found.declared.side_b)
        )


def test_a_door_that_is_gone_keeps_the_name_of_the_record(engine: Engine) -> None:
    with Session(engine) as session:
        found = find(session, sealed(session))
        assert names_of(session, found) == (
            f"\u2068{found.declared.a[0].door}\u2069",
            f"\u2068{found.declared.b[0].door}\u2069",
        )


def test_a_withdrawn_trial_says_so_in_the_list(engine: Engine) -> None:
    with Session(engine) as session:
        seal = sealed(session)
        withdraw(session, seal, reason="sold", by="M. Hale", clock=HandClock(SEALING + timedelta(days=1)))
        first, last = list_trials(session)
        assert listed(session, first).word.startswith("Replaced by")
        assert listed(session, last).word == "Withdrawn."
        assert plan_words(last) == ()
