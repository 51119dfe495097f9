"""What a refusal of the simulated door must say."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from sensors.sources.simulated.errors import SimulationError


@contextmanager
def refused(*, asked: str, needed: str = "", came: str = "") -> Iterator[None]:
    with pytest.raises(SimulationError) as caught:
        yield
    error = caught.value
    assert asked in error.asked
    assert needed in error.needed
    assert came in error.came
    assert str(error) == f"{error.asked}: needs {error.needed}, got {error.came}"
