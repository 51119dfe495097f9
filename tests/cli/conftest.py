"""What the tests of commands share: a door just hung; a door whose joint opens, looked at, made once."""

import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from server.config import Settings
from server.database import open_engine
from server.service import nightly
from tests.fakes.clock import HandClock
from tests.fakes.databases import Made
from tests.fakes.once import known_fits, made_once
from tests.inspection.doors import HUNG, Truth, one_joint
from tests.inspection.stored import stored_door

OPENING = Truth(years=1.8, turn_mrad_per_year=0.45)


@pytest.fixture(scope="session")
def looked(of_run: Path, made: Made) -> Path:
    """A database with one door of 1.8 years whose joint opens, looked at once on its last day."""
    with known_fits(of_run):
        return made_once(of_run, "looked.db", lambda path: look_once(path, made))


def look_once(path: Path, made: Made) -> None:
    made.copy_file(path)
    engine = open_engine(f"sqlite:///{path}")
    with Session(engine) as session, session.begin():
        stored_door(session, OPENING, one_joint())
    nightly.inspect_now(engine, None, clock=HandClock(HUNG + timedelta(days=int(OPENING.years * 365.25))))
    engine.dispose()


@pytest.fixture
def yard(looked: Path, tmp_path: Path) -> str:
    """The address of a copy of that database."""
    shutil.copyfile(looked, tmp_path / "yard.db")
    return f"sqlite:///{tmp_path / 'yard.db'}"


@pytest.fixture
def settings(tmp_path: Path, made: Made) -> Settings:
    """Settings with a database in which one door hangs and nothing was heard of it."""
    made.copy_file(tmp_path / "yard.db")
    url = f"sqlite:///{tmp_path / 'yard.db'}"
    engine = open_engine(url)
    with Session(engine) as session, session.begin():
        stored_door(session, Truth(years=0.0), one_joint())
    engine.dispose()
    return Settings(state_dir=tmp_path, database=url)
