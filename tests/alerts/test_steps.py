"""The table of steps as data."""

from itertools import pairwise

from server.alerts.steps import DOUBTING, LAPSING, STEPS, steps_of
from server.alerts.words import WORDS


def test_each_topic_has_its_ranks_in_order() -> None:
    for topic in {step.topic for step in STEPS.values()} - {"news"}:
        ranks = [step.rank for step in steps_of(topic, "north")]
        assert ranks == list(range(1, len(ranks) + 1))


def test_a_higher_rank_is_never_lighter() -> None:
    order = {"note": 0, "soon": 1, "today": 2}
    for topic in {step.topic for step in STEPS.values()} - {"news"}:
        for low, high in pairwise(steps_of(topic, "north")):
            assert order[low.weight] <= order[high.weight]


def test_news_stand_on_the_step_of_their_name() -> None:
    assert [step.code for step in steps_of("news", "north/line_soon@2027-03-10")] == ["line_soon"]
    assert steps_of("news", "north/joint_open@2027-03-10") == []
    assert steps_of("news", "north/nothing@2027-03-10") == []


def test_each_step_has_a_word_and_the_named_ones_are_there() -> None:
    assert set(WORDS) == set(STEPS)
    assert set(DOUBTING) <= set(STEPS)
    assert set(LAPSING) <= {step.topic for step in STEPS.values()}
