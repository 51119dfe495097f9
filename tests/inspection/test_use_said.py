"""What is said of two doors' use. Source of the sentences: the table of trial design, section 10."""

import pytest

from server.inspection.comparing import UNCOUNTED, Asked, BesideOpenings, SeenSoFar, Used
from server.inspection.results import SeriesResult
from server.inspection.use_said import EVENLY, OF_THESE, rates_per_openings, rates_said, use_said
from server.trend.compare import Comparison
from server.trend.trial import look
from server.trend.trial_pool import Estimate
from tests.inspection.used import counted

YEARS = 4.0
NAMES = ("North", "South")
TURN = Asked(keys=("turn:lock-hinge",) * 2, moments_n_m=(50.0, 100.0))
OFTEN: Used = (counted(30), counted(42))
MORE, NONE = (0.2, 0.01), (0.01, 0.02)
LESS = (-0.2, 0.01)


def seen(figures: tuple[float, float], beside: BesideOpenings | None = None) -> SeenSoFar:
    d, se = figures
    said = Comparison(status="served", difference=d, low=d - 1.96 * se, high=d + 1.96 * se)
    looked = look(Estimate(value=d, se=se), YEARS, 10.0, None)
    return SeenSoFar(asked=TURN, said=said, look=looked, years=YEARS, beside=beside)


@pytest.mark.parametrize(
    ("by_year", "by_openings", "use", "sentence"),
    [
        (MORE, MORE, UNCOUNTED, ""),
        (MORE, None, (None, counted(30)), "Not said: North’s openings are not counted."),
        (
            MORE,
            MORE,
            OFTEN,
            "South is opened 1.4 times as often. Counted by openings it turns more all the same: use does "
            "not account for it.",
        ),
        (
            LESS,
            LESS,
            OFTEN,
            "North is opened 0.7 times as often. Counted by openings it turns more all the same: use does "
            "not account for it.",
        ),
        (
            MORE,
            NONE,
            OFTEN,
            "South is opened 1.4 times as often. Counted by openings no difference is told: use may account "
            "for it. That is not shown, only left open.",
        ),
        (
            NONE,
            MORE,
            OFTEN,
            "South is opened 1.4 times as often. Told by openings only, which was not what was declared: a "
            "reason for a new trial, no verdict.",
        ),
        (NONE, NONE, OFTEN, "South is opened 1.4 times as often."),
        (NONE, NONE, (counted(42), counted(30)), "North is opened 1.4 times as often."),
        (NONE, None, (counted(30), counted(31)), "Both are opened about as often."),
    ],
)
def test_who_is_opened_more_and_what_both_ways_of_counting_allow(
    by_year: tuple[float, float], by_openings: tuple[float, float] | None, use: Used, sentence: str
) -> None:
    per = None if by_openings is None else seen(by_openings)
    assert use_said(seen(by_year), per, use, NAMES, "lock-hinge") == sentence


def test_used_evenly_nothing_can_be_parted_and_that_is_said() -> None:
    one = seen(NONE, BesideOpenings(ratio=11.0))
    assert use_said(one, seen(NONE), OFTEN, NAMES, "lock-hinge").endswith(EVENLY)


def test_what_goes_with_openings_is_said_door_by_door() -> None:
    told = [look(Estimate(value=value, se=0.02), YEARS, 10.0, None) for value in (0.01, 0.5, 0.3)]
    one = seen(MORE, BesideOpenings(ratio=2.1, difference=told[0], a=told[1], b=told[0]))
    low, high = told[1].low, told[1].high
    none = f"{told[0].low:.3f} and {told[0].high:.3f} mrad for each 100 N·m".replace("-", "−")
    assert use_said(one, seen(MORE), OFTEN, NAMES, "lock-hinge").endswith(
        "At North the joint turns by 0.50 mrad for each 100 N·m in 10,000 openings, between "
        f"{low:.2f} and {high:.2f}. At South nothing is told to go with its openings: "
        f"10,000 of them move the joint by between {none}. With that taken out, South’s joint turns 0.010 "
        f"mrad a year more than North’s; the bounds reach from {-told[0].low:.3f} less to "
        f"{told[0].high:.3f} more. {OF_THESE}"
    )


def test_droop_that_goes_back_with_openings_is_said_so() -> None:
    back, more = (look(Estimate(value=value, se=0.02), YEARS, 10.0, None) for value in (-0.5, -0.3))
    one = seen(MORE, BesideOpenings(ratio=2.1, difference=more, a=back, b=back))
    said = use_said(one, None, OFTEN, NAMES, "droop")
    assert (
        f"At South the droop grows back by 0.50 mm in 10,000 openings, between {-back.high:.2f} and" in said
    )
    assert "With that taken out, North’s droop grows 0.30 mm a year more than South’s, between" in said


def result(rate: float | None) -> SeriesResult:
    return SeriesResult(
        key="turn:lock-hinge",
        unit="mrad",
        slot="2026-11-24",
        status="served",
        reason=None,
        rate=rate,
        low=None if rate is None else rate - 0.03,
        high=None if rate is None else rate + 0.03,
        facts={},
        parts=None,
    )


def test_each_doors_own_rate_for_openings() -> None:
    """0.060 ± 0.030 a year at 31 a day is 0.053 ± 0.026. Source: trial design, section 9."""
    use = counted(31, days=366), counted(62, days=366)
    a, b = rates_per_openings((result(0.06), result(0.06)), TURN, use)
    assert a is not None
    assert b is not None
    assert (a.rate, a.half) == pytest.approx((2 * 0.053, 2 * 0.0265), abs=2e-4)
    assert (b.rate, b.half) == pytest.approx((0.0265, 0.01325), abs=2e-4)
    assert rates_said((a, b), NAMES, "lock-hinge") == (
        "For every 10,000 openings and 100 N·m, North’s joint turns by 0.11 mrad, between 0.05 and 0.16, "
        "and South’s by 0.026, between 0.013 and 0.040."
    )


def test_without_a_rate_or_a_count_there_is_none_for_openings() -> None:
    found = rates_per_openings((result(None), result(0.06)), TURN, (counted(31), None))
    assert found == (None, None)
    assert rates_said(found, NAMES, "lock-hinge") == ""
