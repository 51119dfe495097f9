"""Figures and dates in a sentence."""

import pytest

from server.alerts import said


def test_figures_never_say_minus_nought() -> None:
    assert [said.figure(value) for value in (None, -0.001, 0.125, -0.2)] == [
        "…",
        "0.00",
        "0.12",
        "-0.20",
    ]
    assert said.of({"x": float("nan")}, "x") == "…"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [(None, 0.2, ""), (0.1, None, ", at least 0.10"), (0.1, 0.2, ", between 0.10 and 0.20")],
)
def test_bounds(low: float | None, high: float | None, text: str) -> None:
    assert said.between(low, high) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("2027-03-01", "1 March 2027"),
        ("2027-03-01T05", "1 March 2027"),
        ("soon", None),
        (None, None),
        (7, None),
    ],
)
def test_days(value: object, text: str | None) -> None:
    assert said.day(value) == text


def test_months_counts_and_names() -> None:
    assert said.month("2027-05-09") == "May 2027"
    assert [said.count(n, "pack", "packs") for n in (None, 1, 3)] == ["some packs", "1 pack", "3 packs"]
    about = {"about": "north/lock-hinge@2027-03-01"}
    assert (said.inside(about), said.named_day(about)) == ("lock-hinge", "1 March 2027")
    assert (said.inside({"about": "north"}), said.named_day({"about": "north"})) == ("", None)


def test_moments_are_in_the_yards_time() -> None:
    at = {"t": 1_793_280_000_000}
    assert said.moment(at, "t", "Europe/Berlin") == "29 October 2026, 14:20"
    assert said.moment(at, "t", "UTC", with_hour=False) == "29 October 2026"
    assert said.moment({}, "t", "UTC") is None
