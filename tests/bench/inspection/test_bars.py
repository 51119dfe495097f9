"""The bars of the inversion, on one short run of each door."""

import pytest

from tests.bench.inspection import bars


@pytest.mark.parametrize("like", ["north", "south"])
def test_a_door_of_four_months_is_read_within_the_bars(like: str) -> None:
    score = bars.scored(bars.asked_of(like, 1, 0.33))
    assert 0.0 < score.rack_rms_mm <= bars.RACK_MM
    assert 0.0 < score.plain_rms_mm <= bars.RACK_MM
    for rms_mrad in score.turn_rms_mrad.values():
        assert 0.0 < rms_mrad <= bars.TURN_NINE_IN_TEN_MRAD
    usable = {key: counts for key, counts in score.held.items() if counts.usable}
    assert {kit for kit, _, name in usable if name == "rack"} == set("ABCDEFG")
    # no number of edge gaps parts rack from a lean
    assert {kit for kit, frame, name in usable if (frame, name) == ("leans", "rack")} == set("DEG")
    for key, held in score.held.items():
        assert held.usable <= held.told <= held.days == 93, key
        assert held.usable_held >= bars.HELD * held.usable, key
        assert held.told_held >= bars.HELD * held.told, key


def scored(rack_rms_mm: float, told_held: int) -> bars.Score:
    held = bars.Held(days=100, usable=50, usable_held=50, told=100, told_held=told_held)
    turns = {"lock-hinge": 0.01, "lock-latch": 0.01}
    return bars.Score(
        rack_rms_mm=rack_rms_mm,
        plain_rms_mm=0.001,
        turn_rms_mrad=turns,
        held={("A", "rigid", "rack"): held},
    )


def test_a_missed_bar_is_named() -> None:
    good, bad = scored(0.001, 100), scored(0.005, 80)
    assert list(bars.told({"south": [good, good]}))[-1] == "Every bar is kept."
    missed = [line for line in bars.told({"south": [good, bad, bad]}) if line.startswith("missed")]
    assert len(missed) == 2
    assert "rack by diagonals, inverted" in missed[0]
    assert "A rigid rack: 0.8667 of 0.93" in missed[1]
