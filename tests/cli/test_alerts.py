"""The command `alert`: sentences out, refusals in one."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import update
from sqlalchemy.orm import Session

from server.alerts.tables import AlertRow
from server.cli.main import main
from server.database import open_engine


def run(capsys: pytest.CaptureFixture[str], yard: str, *words: str) -> tuple[int, str, str]:
    code = main(["--database", yard, *words])
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("alert", "show", "9"), 1, "find alert 9: needs the number of an alert"),
        (("alert", "close", "1", "ok"), 1, "close alert 1: needs how it ended"),
        (("alert", "leave", "1", "--until", "soon"), 2, "leave an alert until a day: needs a date"),
    ],
)
def test_refusals_are_one_sentence(
    yard: str, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, sentence: str
) -> None:
    status, out, err = run(capsys, yard, *words)
    assert (status, out) == (code, "")
    assert err.startswith(f"hangtrue: {sentence}")
    assert err.count("\n") == 1


def test_an_alert_is_listed_seen_and_closed(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    listed = run(capsys, yard, "alert", "list")[1]
    assert "North: joint open, lock rail, hinge side" in listed
    assert "unseen" in listed
    assert run(capsys, yard, "alert", "seen", "1")[0] == 0
    shown = run(capsys, yard, "alert", "show", "1")[1]
    assert f"seen {datetime.now(UTC):%Y}" in shown  # noqa: TID251  # the command's own clock
    assert run(capsys, yard, "alert", "close", "1", "Clamped", "and", "reglued")[0] == 0
    assert run(capsys, yard, "alert", "list")[1] == "Nothing stands.\n"
    assert "Clamped and reglued" in run(capsys, yard, "alert", "list", "--closed")[1]
    (told,) = json.loads(run(capsys, yard, "alert", "list", "--closed", "--json")[1])
    assert (told["how"], told["step"]) == ("person", "joint_open")


def test_an_alert_is_left_until_a_day(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    day = datetime.now(UTC).date() + timedelta(days=9)  # noqa: TID251  # the command's own clock
    code, out, _ = run(capsys, yard, "alert", "leave", "1", "--until", day.isoformat())
    assert (code, out.splitlines()[0]) == (
        0,
        f"Alert 1 is left until {day}. It is said sooner if it becomes worse.",
    )
    assert f"unseen, left until {day}" in run(capsys, yard, "alert", "list")[1]
    far = (day + timedelta(days=30)).isoformat()
    code, _, err = run(capsys, yard, "alert", "leave", "1", "--until", far)
    assert (code, err.startswith("hangtrue: leave alert 1: needs a day within the next 30 days")) == (1, True)


def test_the_ledger_is_checked_and_mended(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, yard, "alert", "rebuild", "--check")[:2] == (
        0,
        "Every alert is what its events say.\n",
    )
    engine = open_engine(yard)
    with Session(engine) as session, session.begin():
        session.execute(update(AlertRow).values(step="joint_watch"))
    engine.dispose()
    code, out, err = run(capsys, yard, "alert", "rebuild", "--check")
    assert (code, out) == (1, "alert 1: step is joint_watch, its events say joint_open\n")
    assert "1 that differ" in err
    assert run(capsys, yard, "alert", "rebuild")[1].endswith("1 mended.\n")
    assert run(capsys, yard, "alert", "rebuild", "--check")[0] == 0


def test_limits_are_shown_with_their_reasons_set_and_taken_back(
    yard: str, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = run(capsys, yard, "alert", "limits", "north")[1]
    assert "near_mm = 1 mm\n    least gap: near the frame. Ours: time to ease it while it is dry." in shown
    assert "disk_low_mib" not in shown
    in_force = shown.partition("When what is said:")[0]
    assert "May stay at this door, as it is built:" in in_force
    assert "    turn at the lock rail, hinge side: 0.17 mrad\n" in in_force
    code, out, _ = run(capsys, yard, "alert", "limits", "north", "near_mm=1.2")
    assert (code, out.splitlines()[0].partition(" from the night of ")[0]) == (0, "near_mm = 1.2 mm; set")
    (one,) = [view for view in told(capsys, yard, "north") if view["name"] == "near_mm"]
    assert (one["value"], one["default"], one["by"]) == (1.2, 1.0, "command")
    assert run(capsys, yard, "alert", "limits", "north", "near_mm=")[1].startswith("near_mm = 1 mm\n")
    assert run(capsys, yard, "alert", "limits", "--house", "disk_low_mib=2500")[1].startswith(
        "disk_low_mib = 2500 MiB; set"
    )


def told(capsys: pytest.CaptureFixture[str], yard: str, door: str) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(run(capsys, yard, "alert", "limits", door, "--json")[1])
    return found


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("north", "near_mm"), 2, "set a limit: needs NAME=VALUE such as near_mm=1.2, got 'near_mm'"),
        (("north", "near_mm=wide"), 2, "set a limit: needs NAME=VALUE"),
        (("north", "nearly=1"), 2, "set a limit of a door: needs one of watch_stays_mrad"),
        (
            ("north", "near_mm=1.4"),
            1,
            "set near_mm and near_gone_mm: needs near_gone_mm to be at least near_mm",
        ),
        (("west",), 1, "find door 'west': needs the name of a door"),
    ],
)
def test_limits_that_cannot_be_set(
    yard: str, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, sentence: str
) -> None:
    status, out, err = run(capsys, yard, "alert", "limits", *words)
    assert (status, out) == (code, "")
    assert err.startswith(f"hangtrue: {sentence}")


def test_limits_of_whom_is_asked(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, yard, "alert", "limits")[0] == 2
