"""Refusals of the wire."""

import pytest

from sensors.message.errors import ConfigError, MessageError, cut


@pytest.mark.parametrize(
    ("came", "text"),
    [
        ("air", "'air'"),
        ("x" * 99, "'" + "x" * 36 + "..."),
        (10**4000, "a number of 39 digits or more"),
        ([1], "a list"),
        ({}, "an object"),
        ("a\ud800", r"'a\ud800'"),
        (None, "None"),
    ],
)
def test_what_came_is_fit_for_a_sentence(came: object, text: str) -> None:
    assert cut(came) == text
    assert len(cut(came)) <= 40


def test_sentences() -> None:
    assert (
        str(MessageError("bad-type", "text as n", 7, record=2))
        == "pack, record 2: needs text as n, got 7 (bad-type)"
    )
    assert str(ConfigError("rev", "a whole number", "x")) == "config, rev: needs a whole number, got 'x'"


def test_the_range_that_is_held() -> None:
    fault = MessageError("bad-time", "a time", 0)
    assert fault.meta is None
    assert fault.holding(("7c1e90ab", 41, 42)).meta == ("7c1e90ab", 41, 42)
