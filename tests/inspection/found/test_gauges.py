"""Gauges: still, wet, shifted, in doubt, out."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.found.feelers import NO_FEELER
from server.inspection.found.gauges import (
    IS_OPEN,
    NO_REDUNDANCY,
    NOTHING_CAME,
    gauges,
    swing_of,
)
from server.inspection.seen import Seen
from server.inspection.values import DoorInputs, Finding
from tests.inspection.doors import Truth, hung, made_inputs, one_gauge
from tests.inspection.found.seeing import about, marked, seen_in, seen_of, told, verdicts

GOOD = dict.fromkeys(hung().channels, 96)
YEARS = Truth(years=1.1, season_mm=0.4)


def the(seen: Seen, channel: str) -> Finding:
    return about(gauges(seen), f"north/{channel}")


def with_gauge(
    inputs: DoorInputs, name: str, median: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> DoorInputs:
    gauges_of = {**inputs.gauges, name: replace(inputs.gauges[name], median=median)}
    return replace(inputs, gauges=gauges_of)


def wood_moved(seen: Seen, pct: float) -> Seen:
    """The same with the wood's moisture a ramp of so much in the last 30 days."""
    assert seen.moisture is not None
    ramp = np.full(seen.inputs.day.size, 10.0)
    ramp[-30:] += np.linspace(0.0, pct, 30)
    return replace(seen, moisture=replace(seen.moisture, pct=ramp))


@pytest.mark.parametrize(("count", "said"), [(0, "holds"), (1, "between"), (11, "between"), (12, "gone")])
def test_out(count: int, said: str) -> None:
    found = the(told(seen_of(), good={**GOOD, "head-latch": count}), "head-latch")
    assert verdicts(found)["gauge_out"] == said


def test_out_says_what_its_box_says() -> None:
    seen = told(seen_of(), good={})
    status = '{"st": "up", "err": [["chan", "head-latch", "io-error"], ["time", "lost"]]}'
    door = replace(seen.inputs.door, node_status=status)
    seen = replace(seen, inputs=replace(seen.inputs, door=door))
    assert the(seen, "head-latch").evidence["problem"] == "io-error"
    assert "problem" not in the(seen, "head-hinge").evidence


def test_out_is_not_judged_of_a_door_open_all_day_or_a_box_without_a_day() -> None:
    is_open = told(seen_of(), good={**GOOD, "head-latch": 0}, is_open=True)
    found = the(is_open, "head-latch")
    assert (verdicts(found)["gauge_out"], dict(found.evidence)["not_judged"]) == (
        "unjudged",
        {
            "gauge_off": NO_FEELER,
            "gauge_still": "too few days of now or of a year ago to compare",
            "gauge_out": IS_OPEN,
        },
    )
    assert verdicts(the(is_open, "air-rh"))["gauge_out"] == "gone"
    assert the(seen_of(), "air-temp").unjudged == NOTHING_CAME


@pytest.mark.parametrize(
    ("low", "said"), [(99.5, "holds"), (99.4, "between"), (97.0, "between"), (96.9, "gone")]
)
def test_wet(low: float, said: str) -> None:
    found = the(told(seen_of(), good=GOOD, low_rh_pct={"air-rh": low}), "air-rh")
    assert verdicts(found)["gauge_wet"] == said
    assert verdicts(the(told(seen_of(), good=GOOD), "air-rh"))["gauge_wet"] == "unjudged"


@pytest.mark.parametrize(
    ("shift", "said"),
    [(0.00051, "at_once"), (-0.00051, "at_once"), (0.0005, "between"), (0.00039, "gone"), (None, "unjudged")],
)
def test_converter(shift: float | None, said: str) -> None:
    assert verdicts(the(told(seen_of(), good=GOOD, ref_shift=shift), "ref"))["gauge_converter"] == said


@pytest.mark.parametrize(("share", "said"), [(0.199, "holds"), (0.201, "between"), (0.51, "gone")])
def test_still(share: float, said: str) -> None:
    inputs = made_inputs(YEARS)
    value, then = np.zeros(inputs.day.size), np.linspace(0.0, 0.2, 30)
    stop = inputs.last_ended + 1
    value[stop - 395 : stop - 365] = then
    value[stop - 30 :] = share * then
    seen = with_gauge(inputs, "lock-hinge-top", value)
    found = the(wood_moved(seen_in(seen), 0.56), "lock-hinge-top")
    assert found.evidence["swing_then_mm"] == pytest.approx(0.18)
    assert found.evidence["moisture_change_pct"] == pytest.approx(0.504)
    assert verdicts(found)["gauge_still"] == said
    assert verdicts(the(wood_moved(seen_in(seen), 0.55), "lock-hinge-top"))["gauge_still"] == "unjudged"


def test_still_is_not_judged_across_a_mark_or_with_few_days() -> None:
    seen = wood_moved(seen_in(made_inputs(YEARS)), 1.0)
    assert verdicts(the(seen, "lock-hinge-top"))["gauge_still"] != "unjudged"
    assert verdicts(the(marked(seen, "rehung", 10), "lock-hinge-top"))["gauge_still"] == "unjudged"
    assert verdicts(the(seen_of(Truth(years=0.9)), "lock-hinge-top"))["gauge_still"] == "unjudged"
    days = np.arange(30.0)
    days[:11] = np.nan
    assert (swing_of(days), swing_of(days[1:]) is None) == (None, True)
    assert swing_of(days[10:]) is None
    assert swing_of(np.arange(20.0)) == pytest.approx(17.1)
    drawn = np.random.default_rng(20260301).normal(size=30)
    assert swing_of(drawn) == pytest.approx(np.subtract(*np.percentile(drawn, (95, 5))))


def test_a_gauge_that_does_not_fit_the_others_is_in_doubt() -> None:
    sound = gauges(seen_of())
    assert {verdicts(one)["gauge_doubt"] for one in sound if "diag" in one.about} == {"gone"}
    inputs = made_inputs(Truth(years=0.25))
    median = inputs.gauges["head-latch"].median.copy()
    median[-1] += 0.6
    off = gauges(seen_in(with_gauge(inputs, "head-latch", median)))
    assert verdicts(about(off, "north/head-latch"))["gauge_doubt"] == "holds"
    assert verdicts(about(off, "north/diag-fall"))["gauge_doubt"] == "between"
    assert verdicts(about(off, "north/lock-hinge-top"))["gauge_doubt"] == "unjudged"


def test_each_gauge_of_a_list_of_suspects_is_in_doubt() -> None:
    inputs = made_inputs(Truth(years=0.25))
    median = inputs.gauges["latch-top"].median.copy()
    median[-1] += 1.5
    found = gauges(seen_in(with_gauge(inputs, "latch-top", median)))
    # the two gauges of an edge can stand in for one another: neither is named alone
    assert {one.about for one in found if verdicts(one)["gauge_doubt"] == "holds"} >= {
        "north/latch-top",
        "north/latch-bottom",
    }


def test_a_kit_without_a_gauge_to_spare_names_none() -> None:
    door = hung()
    kept = tuple(
        one for one in door.built.gauges if one.channel in ("head-hinge", "head-latch", "air-temp", "air-rh")
    )
    seen = seen_of(Truth(years=0.25), hung(built=replace(door.built, gauges=kept)))
    why = the(seen, "head-latch").evidence["not_judged"]
    assert isinstance(why, dict)
    assert why["gauge_doubt"] == NO_REDUNDANCY


def test_what_is_no_gauge_of_the_door_has_none() -> None:
    names = {one.about for one in gauges(seen_of())}
    assert {"north/shut", "north/battery"}.isdisjoint(names)
    assert {one.rests_on for one in gauges(seen_of())} == {(name,) for name in names}
    assert {one.about for one in gauges(seen_of(Truth(years=0.25), one_gauge()))} == {
        "north/air-temp",
        "north/air-rh",
        "north/droop",
    }
