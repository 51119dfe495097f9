"""Being asked to stop: by either signal, once the handlers stand."""

import os
import signal
from collections.abc import Iterator

import pytest

from server.service.stops import ASKED_BY, only_asks, stop_asked


@pytest.fixture(autouse=True)
def _handlers_of_the_suite() -> Iterator[None]:
    kept = {number: signal.getsignal(number) for number in ASKED_BY}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", ASKED_BY)
def test_a_signal_asks(number: int) -> None:
    stop = stop_asked()
    assert not stop.is_set()
    os.kill(os.getpid(), number)
    assert stop.wait(5)


@pytest.mark.parametrize("number", ASKED_BY)
def test_what_runs_is_asked_however_often(number: int) -> None:
    stop = stop_asked()
    only_asks(stop)
    for _ in range(3):
        os.kill(os.getpid(), number)
    assert stop.wait(5)


@pytest.mark.parametrize("number", ASKED_BY)
def test_a_second_does_what_it_did_before(number: int) -> None:
    heard: list[int] = []
    signal.signal(number, lambda each, _: heard.append(each))
    stop_asked()
    os.kill(os.getpid(), number)
    assert heard == []
    os.kill(os.getpid(), number)
    assert heard == [number]
