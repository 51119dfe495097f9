"""Who is told what on which night: the published cases, and what they leave open."""

import pytest

from tests.alerts.delivery.cases import cases, names
from tests.alerts.delivery.ledger_of_cases import played


@pytest.mark.parametrize("case", cases("said"), ids=names("said"))
def test_published_nights(case: dict[str, object]) -> None:
    assert played(case) == case["messages"], case["why"]
