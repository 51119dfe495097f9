"""The record of a door in words."""

import json
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from server import schema
from server.cli.main import main
from server.cli.records import record_lines
from server.database import open_engine
from server.inspection.said import say
from server.inspection.scoring import Score
from server.inspection.values import SeriesLook
from server.service import nightly
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, HUNG_DAY, Truth, one_joint
from tests.inspection.stored import stored_door

DAYS = 657
SAID = {"last_day": HUNG_DAY + 366, "alarm": True, "limit": 0.166}


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A door whose joint turns by 0.45 mrad a year, of which something was said after a year, twice."""
    url = f"sqlite:///{tmp_path_factory.mktemp('record') / 'yard.db'}"
    schema.upgrade(url)
    engine = open_engine(url)
    with Session(engine) as session, session.begin():
        door = stored_door(session, Truth(years=DAYS / 365.25, turn_mrad_per_year=0.45), one_joint())
        # 0.45 mrad a year from day 20.5 on is 0.426 mrad on day 366
        for at, (stays, date) in enumerate(
            [(0.40, {"earliest": HUNG_DAY + 100, "latest": None}), (0.43, None)]
        ):
            bounds = {"stays": stays, "stays_low": stays - 0.1, "stays_high": stays + 0.1}
            look = SeriesLook(
                key="turn:lock-hinge",
                unit="mrad",
                status="provisional",
                reason=None,
                rate=0.45,
                low=0.4,
                high=0.5,
                facts={**SAID, **bounds, "forecast": date},
                parts=None,
            )
            say(session, door.id, "2022-03-04", [look], at=HUNG + timedelta(days=367 + at))
    nightly.inspect_now(engine, "north", clock=HandClock(HUNG + timedelta(days=DAYS)))
    engine.dispose()
    return url


def run(capsys: pytest.CaptureFixture[str], yard: str, *words: str) -> tuple[int, str]:
    code = main(["--database", yard, "inspect", *words])
    return code, capsys.readouterr().out


def test_the_record_is_a_table_a_share_and_dates(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out = run(capsys, yard, "--record", "north")
    lines = out.splitlines()
    assert code == 0
    assert (
        lines[0]
        == "saltmarsh-yard/north: what was said at each year's end, and what is known of that day now"
    )
    assert lines[1].split() == ["what", "night", "what", "stays", "between", "known", "now", "held"]
    (turn,) = [line for line in lines if line.startswith("turn:lock-hinge  ")]
    assert turn.split()[:7] == ["turn:lock-hinge", "2022-03-04", "0.40", "mrad", "0.30", "to", "0.50"]
    known, unit, held = turn.split()[7:]
    assert (unit, held) == ("mrad", "yes")
    assert float(known) == pytest.approx(0.426, abs=0.06)
    assert "Of one interval, one a month, 1 held what is known now." in lines
    assert any(line.startswith("One night was said otherwise later: a mark or") for line in lines)
    # at 0.166 after 0.369 years, on day 155
    (date,) = [
        line for line in lines if line.startswith("turn:lock-hinge: on 2022-03-04 its limit not before")
    ]
    assert date.endswith(", as was said.")
    assert "how long after was not known; reached 2021-0" in date


def test_the_record_as_json(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out = run(capsys, yard, "--record", "north", "--json")
    told = json.loads(out)
    assert (code, told["door"]) == (0, "saltmarsh-yard/north")
    (turn,) = [one for one in told["series"] if one["series"] == "turn:lock-hinge"]
    assert (turn["nights"], turn["alarms"], turn["said_again"]) == (16, 1, 1)
    assert told["nights_said_again"] == 1


def test_a_record_needs_a_door(yard: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, yard, "--record")[0] == 2
    assert run(capsys, yard, "--record", "west")[0] == 1
    assert run(capsys, yard, "--record", "--due", "north")[0] == 2


def test_nothing_said_yet() -> None:
    assert record_lines("north", Score(series=())) == [
        "north: nothing has been said of it yet: hangtrue inspect"
    ]
