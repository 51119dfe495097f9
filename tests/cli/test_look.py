"""The command `inspect`: sentences out, refusals in one."""

import json
from datetime import timedelta

import pytest

from server.cli.look import growth, sentences
from server.cli.main import main
from server.inspection.values import Inspection, SeriesLook
from tests.inspection.doors import HUNG

pytestmark = pytest.mark.usefixtures("fits_once")


def run(capsys: pytest.CaptureFixture[str], yard: str, *words: str) -> tuple[int, str, str]:
    code = main(["--database", yard, *words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_inspect_says_what_stays(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, yard, "inspect", "north")
    assert code == 0
    lines = out.splitlines()
    assert lines[0] == "saltmarsh-yard/north"
    assert lines[1] == "  Droop is not told: these gauges cannot tell leaf from frame."
    assert lines[2].startswith("  Lock rail, hinge side: turn 0.")
    assert "mrad stays, between 0." in lines[2]
    assert "OVER its limit of 0.17, growing 0.45 mrad a year, between 0.4" in lines[2]


def test_a_night_that_has_not_come_is_not_looked_at(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, yard, "inspect", "north", "--night", "2999-01-01")
    assert code == 2
    assert "a night that has come, got 2999-01-01" in err


def test_inspect_prints_json(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, yard, "inspect", "--json")
    (door,) = json.loads(out)
    turn = next(one for one in door["series"] if one["key"] == "turn:lock-hinge")
    assert code == 0
    assert turn["low"] < 0.45 < turn["high"]
    assert [one["about"] for one in door["findings"] if one["topic"] == "joint"] == ["north/lock-hinge"]


def test_inspect_of_a_night_keeps_nothing(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    night = (HUNG + timedelta(days=100)).date().isoformat()
    code, out, _ = run(capsys, yard, "inspect", "--night", night)
    assert code == 0
    assert "parted after a year; 99 days are heard" in out
    assert run(capsys, yard, "alert", "list")[1].count("joint open") == 1


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("inspect", "west"), 1, "find door 'west': needs the name of a door"),
        (("inspect", "--night", "soon"), 2, "look at a night: needs a date such as 2026-11-24, got 'soon'"),
    ],
)
def test_refusals_are_one_sentence(
    yard: str, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, sentence: str
) -> None:
    status, out, err = run(capsys, yard, *words)
    assert (status, out) == (code, "")
    assert err.startswith(f"hangtrue: {sentence}")
    assert err.count("\n") == 1


def test_options_exclude_one_another(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, yard, "inspect", "--due", "--now")[0] == 2


@pytest.mark.parametrize(
    ("back", "said"), [(0.12, "0.12 comes back."), (-0.04, "the season lifts it 0.04 just now.")]
)
def test_lead_of_a_droop(back: float, said: str) -> None:
    facts = {"stays": 0.85, "stays_low": 0.72, "stays_high": 0.98, "now": 0.85 + back}
    look = SeriesLook(
        key="droop",
        unit="mm",
        status="served",
        reason=None,
        rate=0.06,
        low=0.03,
        high=0.09,
        facts=facts,
        parts=None,
    )
    lines = sentences("north", Inspection(findings=(), series=(look,)))
    grows = "What stays grows by 0.06 mm a year, between 0.03 and 0.09."
    assert lines[1:] == [f"  Droop: 0.85 mm stays, between 0.72 and 0.98; {said} {grows}"]


@pytest.mark.parametrize(
    ("rate", "low", "high", "sentence"),
    [
        (
            0.02,
            -0.01,
            0.06,
            "has not grown by anything we can tell: between 0.01 mm a year less and 0.06 more.",
        ),
        (-0.06, -0.09, -0.03, "goes back by 0.06 mm a year, between 0.03 and 0.09."),
    ],
)
def test_growth_in_words(rate: float, low: float, high: float, sentence: str) -> None:
    assert growth(rate, low, high, so_far=True) == f"So far: what stays {sentence}"
