"""The database of one command: made when it is not there, refused when it is not usable."""

from pathlib import Path

import pytest

from server.cli.opened import opened, said_table, said_time
from server.config import Settings
from server.errors import SettingsError
from server.schema import differences
from tests.refusals import refuses


def settings(url: str) -> Settings:
    return Settings(state_dir=Path("unused"), database=url)


def test_an_empty_database_gets_its_tables_in_a_folder_of_its_own(tmp_path: Path) -> None:
    with opened(settings(f"sqlite:///{tmp_path / 'state' / 'yard.db'}")) as engine:
        assert differences(engine) == []
    assert (tmp_path / "state").stat().st_mode & 0o777 == 0o700


def test_a_folder_that_cannot_be_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    url = f"sqlite:///{tmp_path / 'file' / 'yard.db'}"
    refused = refuses(SettingsError, asked="use the database", needed="can be written", came="file")
    with refused, opened(settings(url)):
        pytest.fail("it was opened")


@pytest.mark.parametrize(
    ("t_ms", "said"), [(None, "never"), (0, "1970-01-01 00:00 UTC"), (1772622659999, "2026-03-04 11:10 UTC")]
)
def test_a_moment_is_said_to_the_minute(t_ms: int | None, said: str) -> None:
    assert said_time(t_ms) == said


def test_columns_are_as_wide_as_their_widest_cell() -> None:
    assert said_table(["a", "bb"], [["ccc", ""], ["", "d"]]) == "a    bb\nccc\n     d"
