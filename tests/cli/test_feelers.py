"""The command `feeler`: what was felt is kept and listed; refusals in one sentence."""

import json

import click
import pytest

from server.cli.feelers import feeler
from server.config import Settings
from server.errors import HangtrueError, OutOfRangeError, SettingsError, UnknownDoorError

TOP = ("north", "lock-hinge-top")
BY = ("--by", "Anna")


def run(settings: Settings, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    feeler.main(args=list(words), obj=settings, standalone_mode=False)
    return capsys.readouterr().out


def test_what_was_felt_is_kept_and_listed(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(settings, capsys, "north", "--list") == "No feeler check yet.\n"
    said = run(settings, capsys, *TOP, "0,35", "0.3", "0.35", "--on", "2022-05-03", *BY)
    assert said == (
        "saltmarsh-yard/north, lock-hinge-top: 0.35 mm on 2022-05-03, felt by Anna. "
        "The next look compares it with the check before.\n"
    )
    run(settings, capsys, *TOP, "--closed", "0.03", "--step", "0.01", "--on", "2022-04-01", *BY)
    assert json.loads(run(settings, capsys, "north", "--list", "--json")) == [
        {
            "day": "2022-04-01",
            "gauge": "lock-hinge-top",
            "felt_mm": [0.03, 0.03, 0.03],
            "enters": False,
            "step_mm": 0.01,
            "by": "Anna",
        },
        {
            "day": "2022-05-03",
            "gauge": "lock-hinge-top",
            "felt_mm": [0.35, 0.3, 0.35],
            "enters": True,
            "step_mm": 0.05,
            "by": "Anna",
        },
    ]
    rows = [line.split() for line in run(settings, capsys, "north", "--list").splitlines()]
    assert rows[1][:4] == ["2022-04-01", "lock-hinge-top", "under", "0.03"]


def test_three_that_differ_are_kept_and_asked_again(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    said = run(settings, capsys, *TOP, "0.3", "0.3", "0.4", *BY)
    assert "the three differ by 0.10 mm. Feel again at one mark" in said
    assert len(json.loads(run(settings, capsys, "north", "--list", "--json"))) == 1
    assert "0.30 (the three differ by 0.10: nothing is judged by it)" in run(
        settings, capsys, "north", "--list"
    )


@pytest.mark.parametrize(
    "words",
    [
        ("north",),
        (*TOP, "--list"),
        (*TOP, *BY),
        (*TOP, "0.3", "0.3", "0.3", "--closed", "0.03", *BY),
        (*TOP, "0.3", "0.3", "0.3"),
        (*TOP, "0.3", "0.3", "thin", *BY),
    ],
)
def test_what_is_not_whole_is_misuse(settings: Settings, words: tuple[str, ...]) -> None:
    with pytest.raises(click.UsageError):
        feeler.main(args=list(words), obj=settings, standalone_mode=False)


@pytest.mark.parametrize(
    ("words", "error", "sentence"),
    [
        (("north", "air-rh", "1", "1", "1", *BY), SettingsError, "a gauge at an edge or a shoulder"),
        ((*TOP, "0.3", "0.3", *BY), SettingsError, "felt three times, in mm, got 2 values"),
        ((*TOP, "0.3", "0.3", "30", *BY), OutOfRangeError, "up to 20 mm, got 30"),
        ((*TOP, "0.3", "0.3", "0.3", "--on", "soon", *BY), SettingsError, "a date such as"),
        (
            (*TOP, "0.3", "0.3", "0.3", "--on", "2001-01-01", *BY),
            SettingsError,
            "from its hanging, 2021-03-02",
        ),
        ((*TOP, "0.3", "0.3", "0.3", "--on", "2999-01-01", *BY), SettingsError, "got 2999-01-01"),
        (("west", "--list"), UnknownDoorError, "find door 'west'"),
    ],
)
def test_refusals(
    settings: Settings,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    error: type[HangtrueError],
    sentence: str,
) -> None:
    with pytest.raises(error) as refused:
        run(settings, capsys, *words)
    assert sentence in str(refused.value)
    assert json.loads(run(settings, capsys, "north", "--list", "--json")) == []
