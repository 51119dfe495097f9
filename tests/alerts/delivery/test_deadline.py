"""A connection under a deadline: what is sent and read, how much, and for how long."""

import socket

import pytest

from server.alerts.delivery.deadline import Deadline, DeadlinedSocket, TooMuchError


def test_what_is_left_runs_out() -> None:
    assert 9.0 < Deadline(10.0).left_s() <= 10.0
    with pytest.raises(TimeoutError, match="the time is over"):
        Deadline(0.0).left_s()


def test_it_sends_and_reads_up_to_its_bound() -> None:
    ours, theirs = socket.socketpair()
    with DeadlinedSocket(ours, Deadline(5.0), most_bytes=8) as made, theirs:
        made.sendall(b"asked")
        assert theirs.recv(8) == b"asked"
        theirs.sendall(b"answered")
        reader = made.makefile("rb")
        assert reader.read(8) == b"answered"
        theirs.sendall(b"!")
        with pytest.raises(TooMuchError, match="without end"):
            reader.read(1)
    assert ours.fileno() == -1  # who opens, closes


def test_silence_ends_by_the_deadline() -> None:
    ours, theirs = socket.socketpair()
    with DeadlinedSocket(ours, Deadline(0.05), most_bytes=8) as made, theirs, pytest.raises(TimeoutError):
        made.makefile("rb").read(1)
