"""The watch over a door's series: goes on, is gone over where its past changed, and never looks ahead."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from server.doors.marks import Mark
from server.inspection import watching
from server.inspection.cutting import as_of
from server.inspection.look import Looked, watched_look
from server.inspection.values import DoorInputs, GaugeDays, SeriesLook
from server.inspection.watching import Air, SeriesWatch
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, missing, one_joint

pytestmark = pytest.mark.usefixtures("fits_once")

DAY_MS = 86_400_000
TURN = "turn:lock-hinge"
NOTHING: Mapping[str, SeriesWatch] = {}


def without_air(inputs: DoorInputs, *spans: tuple[int, int]) -> DoorInputs:
    gone = np.any([(inputs.day >= start) & (inputs.day < stop) for start, stop in spans], axis=0)
    return replace(
        inputs,
        temp_c=np.where(gone, np.nan, inputs.temp_c),
        rh_pct=np.where(gone, np.nan, inputs.rh_pct),
    )


def opened(inputs: DoorInputs, since: int, mrad_a_year: float) -> DoorInputs:
    """The lock rail's joint turns from a day on, ever faster."""
    half = mrad_a_year * (np.maximum(inputs.day - since, 0) / 365.25) ** 1.4 / 1000 * 170 / 2
    return shifted(inputs, half)


def shifted(inputs: DoorInputs, half_mm: np.ndarray[tuple[int], np.dtype[np.float64]]) -> DoorInputs:
    """Half of a movement added to the top gauge of the pair and taken from the bottom one."""
    side = {"lock-hinge-top": 1.0, "lock-hinge-bottom": -1.0}
    gauges = {
        name: GaugeDays(median=days.median + side[name] * half_mm, n=days.n)
        for name, days in inputs.gauges.items()
    }
    return replace(inputs, gauges=gauges)


def up_to(inputs: DoorInputs, day: int) -> DoorInputs:
    """Up to and with a day since hanging."""
    return as_of(inputs, HUNG_DAY + day + 1)


def turn(looked: Looked) -> SeriesLook:
    return next(one for one in looked.inspection.series if one.key == TURN)


OPENS = without_air(
    opened(made_inputs(Truth(years=2.6), one_joint()), 500, 0.25),
    (10, 13),
    (300, 305),
    (560, 580),
    (610, 614),
)


@pytest.fixture(scope="module")
def at_800(fits_once: None) -> Looked:
    """Looked at on day 800, with nothing kept from before."""
    return watched_look(up_to(OPENS, 800), NOTHING)


def raised_on(inputs: DoorInputs) -> object:
    return turn(watched_look(inputs, NOTHING)).facts["alarm_day"]


def test_no_watch_before_the_first_refit() -> None:
    before, after = (watched_look(up_to(OPENS, day), NOTHING) for day in (364, 365))
    assert (before.watches, turn(before).facts["alarm"]) == ({}, None)
    assert set(after.watches) == {TURN, "opening:lock-hinge"}
    assert turn(after).facts["alarm"] is False
    assert [point.day for point in after.watches[TURN].refits] == [365]


def test_a_record_that_was_cut_has_the_same_alarm(at_800: Looked) -> None:
    raised = turn(watched_look(OPENS, NOTHING)).facts["alarm_day"]
    assert isinstance(raised, int)
    day = raised - HUNG_DAY
    assert 500 < day < 800
    assert {cut: raised_on(up_to(OPENS, cut)) for cut in (day - 1, day)} == {day - 1: None, day: raised}
    assert turn(at_800).facts["alarm_day"] == raised


def test_one_that_is_fed_the_future_is_caught() -> None:
    """A negative control of the check above: gauges that show the mean of the sixty days to come."""

    def ahead(inputs: DoorInputs) -> DoorInputs:
        gauges = {
            name: replace(
                days, median=np.array([np.mean(days.median[at : at + 60]) for at in range(days.median.size)])
            )
            for name, days in inputs.gauges.items()
        }
        return replace(inputs, gauges=gauges)

    raised = raised_on(ahead(OPENS))
    assert isinstance(raised, int)
    assert raised_on(ahead(up_to(OPENS, raised - HUNG_DAY))) != raised


def test_gone_on_with_night_by_night_is_as_gone_over_anew(at_800: Looked) -> None:
    looked = watched_look(up_to(OPENS, 640), NOTHING)
    for day in (641, 642, 729, 730, 800):
        looked = watched_look(up_to(OPENS, day), looked.watches)
    anew = at_800
    for key, one in anew.watches.items():
        other = looked.watches[key]
        assert [point.day for point in other.refits] == [365, 730]
        assert (other.now.day, other.now.alarm_day, other.basis) == (
            one.now.day,
            one.now.alarm_day,
            one.basis,
        )
        assert other.now.watched.posterior.mean == pytest.approx(one.now.watched.posterior.mean, abs=1e-9)
    assert turn(looked).number("stays") == pytest.approx(turn(anew).number("stays"), abs=1e-9)


def test_a_night_like_the_last_is_not_refitted(at_800: Looked, monkeypatch: pytest.MonkeyPatch) -> None:
    looked = at_800
    monkeypatch.setattr(watching, "began", None)  # a refit would fall over it
    assert turn(watched_look(up_to(OPENS, 801), looked.watches)).facts["alarm"] is not None


def test_readings_that_come_late_are_gone_over_from_the_refit_before_them(at_800: Looked) -> None:
    heard = missing(OPENS, 600, 650)
    looked = watched_look(up_to(heard, 800), NOTHING)
    late, anew = watched_look(up_to(OPENS, 800), looked.watches), at_800
    first, second = late.watches[TURN].refits
    assert first is looked.watches[TURN].refits[0]
    assert second.basis != looked.watches[TURN].refits[1].basis
    assert second.basis == anew.watches[TURN].refits[1].basis
    assert turn(late).number("stays") == pytest.approx(turn(anew).number("stays"), abs=1e-9)


def test_what_changed_lately_is_gone_over_from_where_the_watch_is_kept(at_800: Looked) -> None:
    days = [point.day for point in at_800.watches[TURN].points]
    assert days == [735, 750, 765, 780, 795]
    heard = watched_look(up_to(missing(OPENS, 788, 791), 800), at_800.watches)
    again = watched_look(up_to(OPENS, 800), heard.watches)
    for then, now in ((at_800, heard), (heard, again)):
        was, came = then.watches[TURN].points, now.watches[TURN].points
        assert [point.day for point in came] == days
        assert [one is other for one, other in zip(was, came, strict=True)] == [True] * 4 + [False]
    first, other, last = (one.watches[TURN].now.watched.posterior.mean for one in (at_800, heard, again))
    assert np.abs(other - first).max() > 1e-4
    assert last == pytest.approx(first, abs=1e-9)
    assert again.watches[TURN].basis == at_800.watches[TURN].basis


def test_air_that_is_known_further_on_tells_a_night_nothing(at_800: Looked) -> None:
    gone = without_air(OPENS, (812, 816), (828, 840))
    alone = watched_look(up_to(gone, 831), at_800.watches)
    shared = watched_look(up_to(gone, 831), at_800.watches, air=Air(gone))
    for key, one in alone.watches.items():
        mean = shared.watches[key].now.watched.posterior.mean
        assert mean == pytest.approx(one.now.watched.posterior.mean, abs=1e-12)
    now = turn(alone).number("now")
    assert now is not None
    assert turn(shared).number("now") == pytest.approx(now, abs=1e-12)


def test_a_mark_that_comes_late_is_a_step_from_then_on() -> None:
    quiet = made_inputs(Truth(years=2.4), one_joint())
    knocked = shifted(quiet, np.where(quiet.day >= 780, 0.02, 0.0))  # 0.24 mrad between the two gauges
    before = watched_look(knocked, NOTHING)
    mark = Mark(t_ms=(HUNG_DAY + 780) * DAY_MS, kind="gauge-moved", text="lock-hinge-top moved", by="maker")
    after = watched_look(replace(knocked, marks=(mark,)), before.watches)
    steps = turn(before).facts["found_steps"]
    assert isinstance(steps, list)
    assert [abs(step[0] - HUNG_DAY - 780) <= 1 for step in steps] == [True]
    assert steps[0][1] == pytest.approx(1000 * 0.04 / 170, abs=0.06)
    assert turn(after).facts["found_steps"] == []
    assert [point.basis for point in after.watches[TURN].refits] == [
        point.basis for point in before.watches[TURN].refits
    ]
    # The gauge was set anew, the wood did not move. Source: joinery, section 13.
    assert turn(after).number("stays") == pytest.approx(0.0, abs=0.06)


def test_a_look_leaves_the_watches_it_was_given_alone(at_800: Looked) -> None:
    looked = at_800
    was = dict(looked.watches)
    watched_look(up_to(OPENS, 830), looked.watches)
    assert looked.watches == was


def test_a_gauge_that_fell_silent_keeps_its_watch_where_it_stood() -> None:
    silent = missing(OPENS, 780, 1000)
    looked = watched_look(up_to(OPENS, 779), NOTHING)
    later = watched_look(silent, looked.watches)
    assert later.watches[TURN].now.day == 779
    assert turn(later).facts["last_day"] == HUNG_DAY + 779
