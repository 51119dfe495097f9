"""Checks that are due, and load tests that give more."""

from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pytest

from server.doors.checks import FeelerCheck
from server.doors.load_tests import LoadTest
from server.inspection.found.checks import AT_BOUND, NO_CHECK, ONE_TEST, check_due, load_test
from server.inspection.seen import Seen
from server.inspection.values import Finding
from tests.inspection.doors import HUNG_DAY, hung
from tests.inspection.found.seeing import marked, seen_of, told, verdicts


@cache
def today() -> int:
    return HUNG_DAY + seen_of().inputs.last_ended


MOVING = [name for name in hung().channels if name not in ("air-temp", "air-rh", "shut", "ref", "battery")]


def checked(**days_ago: int) -> Seen:
    """All gauges checked today but those named, with `_` for `-`."""
    ago = {name.replace("_", "-"): days for name, days in days_ago.items()}
    return told(seen_of(), checked_day={name: today() - ago.get(name, 0) for name in MOVING})


def the(seen: Seen) -> Finding:
    (one,) = check_due(seen)
    return one


AHEAD = ("checked_on", "other_due_on")


def judged(found: Finding) -> dict[str, object]:
    """What the rule reads, without the days that are only shown."""
    return {key: value for key, value in found.evidence.items() if key not in AHEAD}


def ahead(seen: Seen) -> list[int | None]:
    """How many days from tonight the days that are shown lie."""
    days = [the(seen).evidence.get(key) for key in AHEAD]
    return [
        None if day is None else (date.fromisoformat(str(day)) - date(1970, 1, 1)).days - today()
        for day in days
    ]


@pytest.mark.parametrize(("days", "said", "gauges"), [(365, "holds", 1), (364, "gone", None)])
def test_a_year(days: int, said: str, gauges: int | None) -> None:
    found = the(checked(head_latch=days))
    assert (verdicts(found)["check_due"], found.evidence.get("gauges")) == (said, gauges)


def test_a_mark_checks_all_gauges_or_those_it_names() -> None:
    due = checked(head_latch=400, latch_top=400)
    assert verdicts(the(marked(due, "calibrated", 3)))["check_due"] == "gone"
    assert the(marked(due, "calibrated", 3, "feeler at latch-top")).evidence["gauges"] == 1
    assert verdicts(the(marked(due, "calibrated", 3, "All, on the blocks")))["check_due"] == "gone"


@pytest.mark.parametrize("text", ["airrh over a salt jar: 75.1 %", "lock-latch-top", "latch-top-2", "Friday"])
def test_a_mark_that_names_none_of_them_checks_none(text: str) -> None:
    due = checked(head_latch=400, latch_top=400)
    assert the(marked(due, "calibrated", 3, text)).evidence["gauges"] == 2


@pytest.mark.parametrize("kind", ["slam", "rehung", "repaired"])
def test_a_week_after_an_upset_a_check_is_due(kind: str) -> None:
    before = checked(**{name.replace("-", "_"): 50 for name in MOVING})
    assert verdicts(the(marked(before, kind, 6)))["check_due"] == "gone"
    due = marked(before, kind, 7)
    assert judged(the(due)) == {"days_since_check": 365, "gauges": len(MOVING)}
    assert verdicts(the(marked(due, "calibrated", 6)))["check_due"] == "gone"


def felt(name: str, days_ago: int, third_mm: float = 0.3) -> FeelerCheck:
    at_ms = (today() - days_ago) * 86_400_000
    return FeelerCheck(
        gauge=name,
        t_ms=at_ms,
        values_mm=(0.3, 0.3, third_mm),
        step_mm=0.05,
        enters=True,
        by="Anna",
        added_ms=at_ms,
    )


def test_a_feeler_checks_the_gauge_it_was_held_beside() -> None:
    due = checked(head_latch=400, latch_top=400)
    assert the(told(due, feelers=(felt("head-latch", 3),))).evidence["gauges"] == 1
    both = (felt("head-latch", 3), felt("latch-top", 2))
    assert verdicts(the(told(due, feelers=both)))["check_due"] == "gone"
    assert the(told(due, feelers=(felt("head-latch", 3, 0.4),))).evidence["gauges"] == 2


def test_a_year_after_a_feeler_the_next_is_due() -> None:
    alone = told(seen_of(), feelers=(felt("head-latch", 365),))
    assert judged(the(alone)) == {"days_since_check": 365, "gauges": 1}
    assert judged(the(told(seen_of(), feelers=(felt("head-latch", 364),)))) == {"days_since_check": 364}


@pytest.mark.parametrize(("days", "said"), [(5 * 365 - 1, "gone"), (5 * 365, "holds")])
def test_a_gauge_that_no_feeler_reaches_has_five_years(days: int, said: str) -> None:
    """Blocks every five years. Source: sensors, section 9.6."""
    assert verdicts(the(checked(diag_rise=days)))["check_due"] == said


def test_without_any_check_kept_nothing_is_said() -> None:
    assert (the(seen_of()).unjudged, verdicts(the(seen_of()))["check_due"]) == (NO_CHECK, "unjudged")


def long_hung(days: int, seen: Seen) -> Seen:
    """The same door as if it had been hung so many days ago."""
    return replace(seen, inputs=replace(seen.inputs, hung_day=today() - days, end_day=today() + 1))


@pytest.mark.parametrize(
    ("days", "evidence"),
    [(364, {"days_since_check": 0}), (365, {"days_since_check": 365, "humidity": 1})],
)
def test_the_humidity_gauge_is_due_a_year_after_it_was_hung(days: int, evidence: dict[str, int]) -> None:
    """Yearly, over a salt jar. Source: sensors, section 9.6."""
    found = the(long_hung(days, checked()))
    assert judged(found) == evidence
    assert verdicts(found)["check_due"] == ("holds" if days == 365 else "gone")


@pytest.mark.parametrize(("days", "is_due"), [(364, False), (365, True)])
def test_a_mark_with_its_name_checks_the_humidity_gauge(days: int, is_due: bool) -> None:
    seen = marked(checked(), "calibrated", days, "air-rh over a salt jar: 75.1 %")
    assert ("humidity" in the(long_hung(800, seen)).evidence) is is_due


def test_a_calibration_checks_the_humidity_gauge() -> None:
    seen = told(checked(), checked_day=dict.fromkeys((*MOVING, "air-rh"), today()))
    assert judged(the(long_hung(800, seen))) == {"days_since_check": 0}


def test_a_mark_of_all_gauges_is_of_no_salt_jar_and_a_salt_jar_of_no_other_gauge() -> None:
    assert the(long_hung(800, marked(checked(), "calibrated", 3))).evidence["humidity"] == 1
    due = told(seen_of(), checked_day=dict.fromkeys(MOVING, today() - 400))
    before, after = the(due), the(long_hung(800, marked(due, "calibrated", 3, "air-rh: 75.1 %")))
    assert judged(after) == judged(before)


def test_after_an_upset_the_humidity_gauge_is_not_due() -> None:
    assert judged(the(long_hung(100, marked(checked(), "slam", 8)))) == {"days_since_check": 0}


def test_where_no_check_of_another_is_kept_none_of_humidity_is_due() -> None:
    assert the(long_hung(800, seen_of())).unjudged == NO_CHECK


def test_days_ahead_are_of_the_oldest_check_and_of_the_first_other_one() -> None:
    """A year for the salt jar, five for what stands on the blocks, a week after an upset: sensors, 9.6."""
    assert ahead(long_hung(300, checked(head_latch=100))) == [-100, 65]
    assert ahead(long_hung(300, checked(diag_rise=5 * 365 - 10))) == [0, 10]
    assert ahead(long_hung(300, marked(checked(head_latch=100), "slam", 4))) == [-100, 3]
    assert ahead(long_hung(300, marked(checked(), "slam", 4))) == [0, 65]
    assert ahead(long_hung(800, marked(checked(), "calibrated", 20, "air-rh: 75.1 %"))) == [0, 345]


def made(day: str, f_k: float, *, sd_ln: float = 0.1, beyond: str | None = None) -> LoadTest:
    return LoadTest(
        id=1,
        day=day,
        place="hung",
        state="glued",
        mass_kg=10,
        strap_mm=0,
        cycles=5,
        rack_mm=0.08,
        sd_mm=0.005,
        f_k=f_k,
        low=f_k * float(np.exp(-sd_ln)),
        high=f_k * float(np.exp(sd_ln)),
        sd_ln=sd_ln,
        beyond=beyond,
    )


def fallen(by_sd: float) -> Seen:
    """Two tests with a hundredth of doubt each between which the factor fell by so many of both together."""
    later = 0.2 * float(np.exp(-by_sd * 0.1 * np.sqrt(2)))
    return told(seen_of(), tests=(made("2021-04-01", 0.2), made("2021-05-01", later)))


@pytest.mark.parametrize(
    ("by_sd", "watch", "softer"),
    [
        (0.99, "gone_at_once", "gone_at_once"),
        (1.01, "at_once", "gone_at_once"),
        (1.99, "at_once", "gone_at_once"),
        (2.01, "at_once", "at_once"),
        (-3.0, "gone_at_once", "gone_at_once"),
    ],
)
def test_a_factor_that_fell(by_sd: float, watch: str, softer: str) -> None:
    (one,) = load_test(fallen(by_sd))
    assert one.evidence["fall_sd"] == pytest.approx(by_sd)
    assert verdicts(one) == {"test_watch": watch, "test_softer": softer}


def test_what_cannot_be_compared() -> None:
    assert load_test(seen_of()) == []
    (alone,) = load_test(told(seen_of(), tests=(made("2021-04-01", 0.2),)))
    assert alone.unjudged == ONE_TEST
    bound = (made("2021-04-01", 0.2), made("2021-05-01", 0.05, beyond="softer"))
    (one,) = load_test(told(seen_of(), tests=bound))
    assert (one.unjudged, set(verdicts(one).values())) == (AT_BOUND, {"unjudged"})


def test_tests_of_later_nights_before_a_repair_and_on_the_bench_are_left_out() -> None:
    seen = fallen(3.0)
    bench = replace(made("2021-04-02", 0.9), place="bench")
    later = made("2023-01-01", 0.9)
    more = told(seen, tests=(*seen.inputs.tonight.tests, bench, later))
    assert load_test(more) == load_test(seen)
    repaired = marked(seen, "repaired", today() - (HUNG_DAY + 45))  # 16 April
    assert [one.unjudged for one in load_test(repaired)] == [ONE_TEST]
