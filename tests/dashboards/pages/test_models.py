"""The API's models."""

import pytest
from pydantic import ValidationError

from dashboards.pages.models import ChannelOut, ReadingsOut


def test_models_are_closed() -> None:
    with pytest.raises(ValidationError, match="extra_forbidden"):
        ChannelOut(gauge="a", channel="b", unit="mm", kind="head", id=3)  # type: ignore[call-arg]  # to be refused


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_value_that_is_no_number_is_refused(value: float) -> None:
    with pytest.raises(ValidationError, match="finite_number"):
        ReadingsOut(channel="c", unit="/", start_ms=0, stop_ms=1, t_ms=[0], value=[value], raw=[0.5])
