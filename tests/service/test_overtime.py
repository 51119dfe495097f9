"""A look that takes too long: ended where it can be, marked where it came to its end all the same."""

import itertools
import signal
import threading
import time

import pytest

from server.errors import HangtrueError
from server.service.overtime import LOOK_S, LookTooLongError, ended_after, overtime


def work_for(seconds: float) -> None:
    """Keep the processor busy for so long."""
    began = time.process_time()
    while time.process_time() - began < seconds:
        pass


def test_what_waits_is_not_working() -> None:
    with ended_after(0.5, asked="look"):
        threading.Event().wait(0.7)


def test_what_does_not_end_is_ended() -> None:
    before = signal.getsignal(signal.SIGPROF)
    with pytest.raises(LookTooLongError) as told, ended_after(0.05, asked="look at yard/north"):
        for _ in itertools.count():
            pass
    assert str(told.value) == "look at yard/north: needs an end within 0.05 s, got none yet"
    assert isinstance(told.value, HangtrueError)
    assert signal.getsignal(signal.SIGPROF) is before
    assert signal.getitimer(signal.ITIMER_PROF) == (0.0, 0.0)


def test_what_ends_in_time_is_left_alone_and_so_is_what_follows() -> None:
    with ended_after(0.05, asked="look"):
        pass
    work_for(0.1)


def test_a_fault_inside_stays_what_it_is_and_stops_the_alarm() -> None:
    with pytest.raises(KeyError), ended_after(0.05, asked="look"):
        raise KeyError
    work_for(0.1)


def test_in_another_thread_nothing_is_ended() -> None:
    done = []

    def work() -> None:
        with ended_after(0.01, asked="look"):
            work_for(0.1)
            done.append(True)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join(10)
    assert done == [True]


def test_only_more_than_its_time_is_a_finding() -> None:
    assert overtime("north", LOOK_S) == ()
    (found,) = overtime("north", LOOK_S + 0.1)
    assert (found.topic, found.about) == ("look", "north")
    assert found.evidence == {"failed": True, "took_s": LOOK_S + 0.1}
