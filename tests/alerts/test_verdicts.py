"""How evidence is read: what is missing is never small."""

import pytest

from server.alerts.verdicts import Verdict, any_judged, any_of, below, flag, number, reaches


@pytest.mark.parametrize("bad", [None, float("nan"), float("inf"), True, "0.2", [0.2]])
def test_what_is_no_number_is_none(bad: object) -> None:
    assert number({"x": bad}, "x") is None
    assert number({}, "x") is None
    assert number({"x": 2}, "x") == 2.0


@pytest.mark.parametrize(
    ("value", "said"),
    [(None, "unjudged"), (0.9, "holds"), (1.0, "between"), (1.29, "between"), (1.3, "gone")],
)
def test_below_has_a_dead_band(value: float | None, said: Verdict) -> None:
    assert below(value, 1.0, 1.3) == said


def test_reaches_and_flags_have_none() -> None:
    assert [reaches(value, 3.0) for value in (None, 2.9, 3.0)] == ["unjudged", "gone", "holds"]
    assert [flag({"x": value}, "x") for value in (None, 1, False, True)] == [
        "unjudged",
        "unjudged",
        "gone",
        "holds",
    ]


@pytest.mark.parametrize(
    ("paths", "every", "judged"),
    [
        ((), "unjudged", "unjudged"),
        (("gone", "gone"), "gone", "gone"),
        (("gone", "between"), "between", "between"),
        (("gone", "unjudged"), "unjudged", "gone"),
        (("unjudged", "holds"), "holds", "holds"),
        (("unjudged",), "unjudged", "unjudged"),
    ],
)
def test_paths_together(paths: tuple[Verdict, ...], every: Verdict, judged: Verdict) -> None:
    assert (any_of(paths), any_judged(paths)) == (every, judged)
