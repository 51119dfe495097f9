"""A figure among the facts of a look."""

import pytest

from server.inspection.values import SeriesLook


@pytest.mark.parametrize(
    ("value", "number"), [(0.5, 0.5), (3, 3.0), (None, None), (True, None), ("hung", None)]
)
def test_number(value: object, number: float | None) -> None:
    facts = {"stays": value}
    look = SeriesLook(
        key="droop",
        unit="mm",
        status="served",
        reason=None,
        rate=None,
        low=None,
        high=None,
        facts=facts,
        parts=None,
    )
    assert look.number("stays") == number
    assert look.number("back") is None
