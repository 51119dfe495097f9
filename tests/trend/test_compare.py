"""Two rates compared."""

import numpy as np
import pytest

from server.trend.compare import difference
from server.trend.decompose import Decomposition, Status


def known(
    rate: float | None, half_width: float = 0.03, *, status: Status = "served", reason: str | None = None
) -> Decomposition:
    return Decomposition(
        status=status,
        reason=reason,
        needed=None,
        came=None,
        day=np.arange(3),
        outliers=np.zeros(3, dtype=bool),
        observed_days=3,
        rate=rate,
        rate_low=None if rate is None else rate - half_width,
        rate_high=None if rate is None else rate + half_width,
    )


SLOW, FASTER = known(0.05), known(0.15, 0.04)
EARLY = known(0.05, status="provisional", reason="second_year")
REFUSED = known(None, status="refused", reason="season")


def test_half_widths_add_in_quadrature() -> None:
    found = difference(SLOW, FASTER)
    assert (found.difference, found.low, found.high) == pytest.approx((0.10, 0.05, 0.15))
    assert found.status == "served"


def test_the_other_way_round_is_the_same_with_the_other_sign() -> None:
    found = difference(FASTER, SLOW)
    assert (found.difference, found.low, found.high) == pytest.approx((-0.10, -0.15, -0.05))


@pytest.mark.parametrize(("a", "b"), [(EARLY, SLOW), (SLOW, EARLY)])
def test_one_provisional_makes_it_provisional(a: Decomposition, b: Decomposition) -> None:
    assert difference(a, b).status == "provisional"
    assert difference(a, b).reason == "second_year"


@pytest.mark.parametrize(("a", "b"), [(REFUSED, SLOW), (SLOW, REFUSED), (EARLY, REFUSED)])
def test_one_refused_refuses_with_its_reason(a: Decomposition, b: Decomposition) -> None:
    found = difference(a, b)
    assert (found.status, found.reason, found.difference) == ("refused", "season", None)
