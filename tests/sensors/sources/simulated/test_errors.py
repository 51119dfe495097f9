"""The refusal says its three parts, and nothing from outside runs on."""

from sensors.sources.simulated.errors import SimulationError, shown


def test_one_sentence_of_three_parts() -> None:
    error = SimulationError("years", "more than 0", "-1")
    assert (error.asked, error.needed, error.came) == ("years", "more than 0", "-1")
    assert str(error) == "years: needs more than 0, got -1"


def test_what_came_is_cut_at_40_characters() -> None:
    assert shown("short") == "'short'"
    assert len(shown("x" * 500)) == 40
