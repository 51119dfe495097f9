"""Two doors with days of their own, watched for three years, and a trial that was declared of them."""

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Engine

from server.database import open_engine, session_of
from server.inspection import results
from server.inspection.look import watched_look
from server.inspection.reading import gather
from server.inspection.results import Slot, scope_of
from server.inspection.watch_kept import keep_watches
from server.service.trials import look_at_trials
from server.trials.store import declare, seal_trial
from tests.fakes.clock import HandClock
from tests.fakes.databases import Made
from tests.fakes.once import known_fits, made_once
from tests.inspection.doors import HUNG, HUNG_DAY, Truth, one_joint
from tests.inspection.stored import stored_door
from tests.inspection.used import store_openings, with_counter
from tests.trials.yard import declaration

YEARS = 3.2
TURNS = {"north": 0.02, "south": 0.16}
OPENED = {"north": 42.0, "south": 30.0}
MOMENTS = {"north": "71.73", "south": "66.45"}
NIGHT = HUNG_DAY + round(365.25 * YEARS) + 1
NOW = HUNG + timedelta(days=NIGHT - HUNG_DAY)
SEALED = datetime(2021, 4, 1, 9, tzinfo=UTC)
NIGHTS = (HUNG_DAY + 500, HUNG_DAY + 800, NIGHT)


def hang(engine: Engine) -> None:
    """North, whose joint stands nearly still, and south, whose joint turns; each looked at once."""
    with session_of(engine) as session:
        for seed, (name, turn) in enumerate(TURNS.items()):
            truth = Truth(years=YEARS, turn_mrad_per_year=turn, seed=seed)
            door = stored_door(session, truth, with_counter(one_joint(name)))
            store_openings(session, door, OPENED[name], NIGHT - HUNG_DAY)
            looked = watched_look(gather(session, door, NIGHT), {})
            slot = Slot(
                scope=scope_of(door.id),
                slot=NOW.date().isoformat(),
                looked=NOW,
                until_ms=NIGHT * 86_400_000,
                took_s=0.1,
            )
            results.save(session, looked.inspection, slot, door_id=door.id)
            keep_watches(session, door.id, looked.watches)


def file_of(folder: Path, made: Made) -> Path:
    """A database of the two, hung and looked at once in this run; to be copied."""

    def fill(path: Path) -> None:
        made.copy_file(path)
        engine = open_engine(f"sqlite:///{path}")
        hang(engine)
        engine.dispose()

    with known_fits(folder):
        return made_once(folder, "pair.db", fill)


def declared_file(folder: Path, made: Made) -> Path:
    """The same with the trial."""

    def fill(path: Path) -> None:
        shutil.copyfile(file_of(folder, made), path)
        engine = open_engine(f"sqlite:///{path}")
        declare_trial(engine)
        engine.dispose()

    with known_fits(folder):
        return made_once(folder, "pair-declared.db", fill)


def declare_trial(engine: Engine) -> str:
    """Seal a trial of the two from April of their first year on, and look at three of its nights."""
    clock = HandClock(SEALED)
    sides = {
        key: {"door": name, "version": 1, "joints": ["lock-hinge"], "moment_n_m": MOMENTS[name]}
        for key, name in zip("ab", TURNS, strict=True)
    }
    with session_of(engine) as session:
        given = declaration(pairs=[sides], starts_on="2021-04-01", horizon_days=2192)
        number = declare(session, given, by="M. Hale", clock=clock)
        seal = seal_trial(session, number, clock=clock, seen_until=None)
    for night in NIGHTS:
        look_at_trials(engine, night)
    return seal
