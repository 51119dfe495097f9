"""Which back-ups stay."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from server.backup.retention import back_ups, kept, made_at, name_of, prune

NOON = datetime(2026, 11, 24, 2, tzinfo=UTC)  # a Tuesday


def test_a_name_tells_when() -> None:
    assert name_of(NOON) == "hangtrue-20261124T020000Z"
    assert made_at(name_of(NOON)) == NOON
    for other in ("hangtrue-20261324T020000Z", "hangtrue", ".part-1", "hangtrue-20261124T020000Z.old"):
        assert made_at(other) is None


def test_two_years_of_nights_leave_days_weeks_and_months() -> None:
    nights = [NOON - timedelta(days=n) for n in range(730)]
    stay = kept(nights)
    assert {NOON - timedelta(days=n) for n in range(7)} <= stay
    # the Sundays that end the three weeks before, and the last nights of the eleven months before
    assert {datetime(2026, 11, day, 2, tzinfo=UTC) for day in (8, 15, 22)} <= stay
    months = [*((2026, month) for month in range(1, 11)), (2025, 12)]
    ends = {
        datetime(year + month // 12, month % 12 + 1, 1, 2, tzinfo=UTC) - timedelta(days=1)
        for year, month in months
    }
    assert ends <= stay
    assert len(stay) == 7 + 2 + 11  # the Sunday of the 22nd is one of the seven days


def test_of_one_day_the_last_stays() -> None:
    morning, evening = NOON, NOON + timedelta(hours=18)
    assert kept([morning, evening]) == {evening}
    assert kept([]) == set()


def test_old_ones_stay_while_there_are_no_newer() -> None:
    old = [datetime(2020, 1, day, tzinfo=UTC) for day in (1, 2, 3)]
    assert kept(old) == set(old)


def test_strange_files_and_folders_stay(tmp_path: Path) -> None:
    for n in range(9):
        folder = tmp_path / name_of(NOON - timedelta(days=365, hours=n))
        folder.mkdir()
        (folder / "manifest.json").write_text("{}")
    own = sorted(back_ups(tmp_path))[0]
    (back_ups(tmp_path)[own] / "letter.txt").write_text("mine")
    (tmp_path / "notes").mkdir()
    gone = prune(tmp_path)
    # nine of two days: the last of each stays, and the one with a letter in it
    assert len(gone) == 9 - len({made.date() for made in [*back_ups(tmp_path)]} | {own.date()}) - 1
    assert own in back_ups(tmp_path)
    assert (tmp_path / "notes").is_dir()
