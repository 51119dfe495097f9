"""The command `mark`: what was done on a day, kept and listed; refusals in one sentence."""

import json

import click
import pytest

from server.cli.marks import mark
from server.config import Settings
from server.errors import HangtrueError, SettingsError, UnknownDoorError


def run(settings: Settings, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    mark.main(args=list(words), obj=settings, standalone_mode=False)
    return capsys.readouterr().out


def test_a_mark_is_kept_and_listed(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(settings, capsys, "north", "--list") == "No mark yet.\n"
    said = run(settings, capsys, "north", "hinge-packed", "--on", "2022-05-03", "Bottom hinge,", "a card.")
    assert said == "saltmarsh-yard/north is marked hinge packed on 2022-05-03. The next look knows of it.\n"
    run(settings, capsys, "north", "slam", "--on", "2022-04-01", "In the gale.")
    listed = json.loads(run(settings, capsys, "north", "--list", "--json"))
    both = {"by": "command", "taken_back": None}
    assert listed == [
        {"number": 2, "day": "2022-04-01", "kind": "slam", "words": "In the gale.", **both},
        {"number": 1, "day": "2022-05-03", "kind": "hinge packed", "words": "Bottom hinge, a card.", **both},
    ]
    assert run(settings, capsys, "north", "--list").splitlines()[1].split()[:3] == ["2", "2022-04-01", "slam"]


def test_a_mark_is_taken_back_and_stays_in_the_list(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    run(settings, capsys, "north", "eased", "--on", "2022-05-03", "The wrong door.")
    said = run(settings, capsys, "north", "--take-back", "1")
    assert said == "saltmarsh-yard/north is no more marked eased on 2022-05-03. The next look knows of it.\n"
    assert "The wrong door. (taken back 2" in run(settings, capsys, "north", "--list")
    for number, needed in (("1", "one that stands"), ("7", "--list")):
        with pytest.raises(SettingsError) as refused:
            run(settings, capsys, "north", "--take-back", number)
        assert needed in refused.value.needed


@pytest.mark.parametrize("words", [["airrh over a salt jar"], ["Friday", "afternoon"]])
def test_a_check_of_which_no_gauge_is_named_is_refused(settings: Settings, words: list[str]) -> None:
    with pytest.raises(SettingsError) as refused:
        mark.main(args=["north", "calibrated", *words], obj=settings, standalone_mode=False)
    assert "lock-hinge-top" in refused.value.needed


@pytest.mark.parametrize("words", [[], ["All on the blocks."], ["lock-hinge-top:", "0.35"]])
def test_a_check_of_all_or_of_a_named_gauge_is_taken(
    settings: Settings, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    assert "is marked calibrated" in run(settings, capsys, "north", "calibrated", *words)


@pytest.mark.parametrize(
    "kind", ["hung", "eased", "hinge packed", "finish", "gauge-changed", "looked-at", "gauge-moved"]
)
def test_kinds_are_taken_with_a_dash_or_a_blank(
    settings: Settings, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    assert "is marked" in run(settings, capsys, "north", kind, "Done.")


@pytest.mark.parametrize(
    ("words", "error", "sentence"),
    [
        (("north", "polished", "x"), SettingsError, "mark a door: needs one of hung, eased"),
        (("north", "eased", "--on", "soon"), SettingsError, "needs a date such as 2026-11-24, got 'soon'"),
        (
            ("north", "eased", "--on", "2001-01-01"),
            SettingsError,
            "needs a day from its hanging, 2021-03-02, to",
        ),
        (("north", "eased", "--on", "2999-01-01"), SettingsError, "got 2999-01-01"),
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


@pytest.mark.parametrize(
    "words",
    [("north",), ("north", "eased", "--list"), ("north", "eased", "--take-back", "1")],
)
def test_a_kind_or_the_list(
    settings: Settings, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    with pytest.raises(click.UsageError, match="give a KIND"):
        run(settings, capsys, *words)
