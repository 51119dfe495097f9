"""Back-ups that the service makes by itself: when one is due; none is missed before tables change."""

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine

from server import schema
from server.backup.making import check
from server.backup.retention import back_ups
from server.clock import utc_now
from server.config import Settings
from server.service import backups
from tests.backup.yard import contents, fill
from tests.fakes.clock import HandClock

LONDON = ZoneInfo("Europe/London")
NOON = datetime(2026, 7, 10, 11, tzinfo=UTC)
# newest back-up · now · due
NIGHTS = {
    "none yet": (None, NOON, True),
    "made last night": (datetime(2026, 7, 10, 1, 5, tzinfo=UTC), NOON, False),
    "made the evening before": (datetime(2026, 7, 9, 20, tzinfo=UTC), NOON, True),
    "made by summer's clock": (datetime(2026, 7, 10, 0, 59, tzinfo=UTC), NOON, True),
    "before the hour": (datetime(2026, 7, 9, 9, tzinfo=UTC), datetime(2026, 7, 10, 0, 30, tzinfo=UTC), False),
    "on the hour": (datetime(2026, 7, 9, 9, tzinfo=UTC), datetime(2026, 7, 10, 1, 0, tzinfo=UTC), True),
    "off for a week": (datetime(2026, 7, 3, 2, tzinfo=UTC), NOON, True),
}


@pytest.mark.parametrize(("newest", "now", "due"), NIGHTS.values(), ids=NIGHTS)
def test_a_night_has_one(newest: datetime | None, now: datetime, due: bool) -> None:
    assert backups.is_due(newest, now, LONDON) is due


def settings_of(url: str, folder: Path, **more: object) -> Settings:
    return Settings(state_dir=folder / "state", database=url, zone="Europe/London", **more)  # type: ignore[arg-type]  # by name


def test_it_is_made_by_a_process_of_its_own_once(engine: Engine, database_url: str, tmp_path: Path) -> None:
    fill(engine, days=2)
    clock, folder = HandClock(utc_now()), tmp_path / "kept"
    made = backups.BackUps(settings_of(database_url, tmp_path, backup_folder=folder), clock=clock)
    child = made.make_if_due()
    assert child is not None
    assert made.make_if_due() is None, "one is being made"
    assert child.wait(60) == 0
    ((_, place),) = back_ups(folder).items()
    manifest, _ = check(place, asked="look at it")
    assert manifest.contents.readings == contents(engine).readings
    assert made.make_if_due() is None, "it is made"
    made.end()


def test_without_a_folder_none_is_made(tmp_path: Path) -> None:
    made = backups.BackUps(settings_of("sqlite:///none", tmp_path), clock=HandClock())
    assert made.make_if_due() is None
    made.end()


def test_one_is_made_before_tables_change(
    engine: Engine, database_url: str, tmp_path: Path, clock: HandClock
) -> None:
    """An older database is kept as it is; one that is up to date, and an empty one, need none."""
    folder = tmp_path / "kept"
    settings = settings_of(database_url, tmp_path, backup_folder=folder)
    backups.before_upgrade(engine, settings, clock=clock)
    assert back_ups(folder) == {}
    schema.downgrade(database_url, "0002")
    backups.before_upgrade(engine, settings_of(database_url, tmp_path), clock=clock)
    assert back_ups(folder) == {}, "no folder is set"
    backups.before_upgrade(engine, settings, clock=clock)
    ((_, place),) = back_ups(folder).items()
    assert check(place, asked="look at it")[0].contents.revision == "0002"
    schema.downgrade(database_url, "base")
    backups.before_upgrade(engine, settings, clock=clock)
    assert len(back_ups(folder)) == 1
