"""The planner over a declaration, and the warnings before sealing."""

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.trend.trial_error import DROOP_MM, TURN_MRAD
from server.trend.trial_fence import FENCE_1
from server.trend.trial_plan import Ask, chance_told_kind
from server.trials.declared import draft_of
from server.trials.planned import Warned, ask_of, plan, warned
from server.trials.refusals import DeclarationError
from tests.refusals import refuses
from tests.trend.trial_cases import CASES
from tests.trials.yard import declaration, groups, pairs


def rng() -> np.random.Generator:
    return np.random.default_rng(2)


def test_figures_of_the_doors_are_the_planners() -> None:
    case = CASES["planner-3-6-0.05"]
    found = plan(Ask(pairs=3, horizon_years=6, difference=0.05, method=FENCE_1), rng())
    assert found.doors.by_year == pytest.approx(case["output"]["by_year"], rel=1e-6)
    assert found.pairs_needed == 4
    assert [one.spread for one in found.kind] == pytest.approx([0.02, 0.04, 0.06])
    assert found.kind[0].by_year[-1] >= found.kind[-1].by_year[-1] - 0.05


def test_a_spread_that_is_given_is_the_one_shown() -> None:
    ask = Ask(pairs=4, horizon_years=6, difference=0.1)
    found = plan(ask, rng(), between=0.04)
    assert [one.spread for one in found.kind] == [0.04]
    assert found.kind[0].by_year == pytest.approx(chance_told_kind(ask, 0.04, rng()).tolist())


def test_one_pair_says_nothing_of_a_kind() -> None:
    assert plan(Ask(pairs=1, horizon_years=6, difference=0.1), rng()).kind == ()


@pytest.mark.parametrize(("band", "wanted"), [(0.05, False), (0.068, False), (0.069, True), (0.10, True)])
def test_no_difference_is_promised_only_where_the_bounds_can_lie_within(band: float, wanted: bool) -> None:
    ask = Ask(pairs=1, horizon_years=6, difference=0.1)  # half-width at the end 0.0681
    assert plan(ask, rng(), band=band).may_promise_no_difference is wanted


def test_a_declaration_asks_for_its_own_band_at_its_own_moment() -> None:
    found = ask_of(draft_of(declaration()))
    assert (found.pairs, found.difference) == (1, 0.05)
    assert found.horizon_years == pytest.approx(6, abs=0.002)
    assert found.error.se == pytest.approx([one * 100 / (71.73 * 66.45) ** 0.5 for one in TURN_MRAD.se])
    assert ask_of(draft_of(declaration(quantity="droop"))).error == DROOP_MM
    assert ask_of(draft_of(groups(3, 5))).pairs == 3


def test_per_openings_needs_the_openings() -> None:
    draft = draft_of(declaration(quantity="turn_per_100_n_m_per_10000"))
    counted, plain = ask_of(draft, 20_000), ask_of(draft_of(declaration()))
    assert counted.error.se == pytest.approx([one / 2 for one in plain.error.se])
    with refuses(DeclarationError, asked="plan per 10,000", needed="openings a year", came="none"):
        ask_of(draft)


@pytest.mark.parametrize(
    ("changes", "is_seen", "in_one_room", "wanted"),
    [
        ({"pairs": pairs(6)}, False, True, ()),
        ({"pairs": pairs(2), "scope": "kind", "band": "0.20"}, False, True, ("two_pairs_for_a_kind",)),
        ({"band": "0.01"}, False, True, ("chance_under_half",)),
        ({"band": "0.20"}, True, True, ("readings_already_seen",)),
        ({"band": "0.20"}, False, False, ("not_in_one_room",)),
    ],
)
def test_warnings_before_sealing(
    changes: dict[str, object], is_seen: bool, in_one_room: bool, wanted: tuple[Warned, ...]
) -> None:
    draft = draft_of(declaration(**changes))
    assert warned(draft, ask_of(draft), is_seen=is_seen, in_one_room=in_one_room) == wanted


def test_a_plan_of_nothing_is_refused() -> None:
    with refuses(OutOfRangeError, asked="plan of a trial", needed="1 pair or more", came="0 pairs"):
        plan(Ask(pairs=0, horizon_years=6, difference=0.1), rng())
