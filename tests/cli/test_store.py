"""Commands about the database."""

import json
from pathlib import Path

import pytest
from sqlalchemy import text

from server.cli.main import main
from server.database import open_engine
from server.schema import head, upgrade
from server.service.lock import only_service
from tests.backup.test_restoring import drop_aside
from tests.backup.yard import fill


def run(url: str, *arguments: str) -> int:
    """Run `hangtrue db ...` on a database."""
    return main(["--database", url, "db", *arguments])


def test_upgrade_says_from_and_to(database_url: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(database_url, "upgrade") == 0
    assert run(database_url, "upgrade") == 0
    assert run(database_url, "upgrade", "--json") == 0
    first, second, third = capsys.readouterr().out.splitlines()
    assert first == f"the database went from no tables to revision {head()}"
    assert second == f"the database is at revision {head()} already"
    assert json.loads(third) == {"from": head(), "to": head()}


def test_check_counts_rows(database_url: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(database_url, "upgrade")
    capsys.readouterr()
    assert run(database_url, "check") == 0
    assert f"revision {head()}" in capsys.readouterr().out
    assert run(database_url, "check", "--json") == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["revision"] == head()
    assert facts["rows"]["reading"] == 0


def test_check_refuses_an_empty_database(database_url: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(database_url, "check") == 2
    assert "run hangtrue db upgrade, got no tables" in capsys.readouterr().err


def test_a_newer_database_is_refused_by_both(database_url: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(database_url, "upgrade")
    engine = open_engine(database_url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    assert run(database_url, "check") == run(database_url, "upgrade") == 2
    assert capsys.readouterr().err.count("revision 9999, which is newer") == 2


def test_check_refuses_tables_that_were_changed(
    database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(database_url, "upgrade")
    engine = open_engine(database_url)
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE clock_fix"))
    engine.dispose()
    assert run(database_url, "check") == 2
    assert "1 differences" in capsys.readouterr().err


def test_a_database_that_does_not_answer_is_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(f"sqlite:///{tmp_path}", "check") == 2
    assert "needs a database that answers" in capsys.readouterr().err


def filled(url: str) -> None:
    """A yard in the database."""
    upgrade(url)
    engine = open_engine(url)
    fill(engine, days=2)
    engine.dispose()


def settings_of(folder: Path, url: str) -> list[str]:
    """Arguments that name a settings file with a folder of its own."""
    path = folder / "hangtrue.toml"
    path.write_text(f'state_dir = "{folder}"\ndatabase = "{url}"\n')
    return ["--config", str(path), "db"]


def test_backup_restore_and_verify(
    database_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(database_url)
    db, kept = settings_of(tmp_path, database_url), str(tmp_path / "kept")
    assert main([*db, "backup", kept, "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert (made["readings"], made["gone"]) == (2 * 24 * 3, [])
    assert (Path(made["folder"]) / "hangtrue.toml").read_text().startswith("state_dir")
    assert main([*db, "verify", "--backup", made["folder"]]) == 0
    assert main([*db, "verify", "--all"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said == [
        "144 readings read; 0 days rolled up again and compared",
        "no fault",
        "144 readings read; 6 days rolled up again and compared",
        "no fault",
    ]
    assert main([*db, "restore", made["folder"]]) == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith("restored to 20")
    assert first.endswith(" UTC; nodes will send again what they still hold")
    assert second.startswith("what stood before is kept: ")
    drop_aside(database_url, second.removeprefix("what stood before is kept: "))


def test_verify_says_what_is_wrong(database_url: str, capsys: pytest.CaptureFixture[str]) -> None:
    filled(database_url)
    engine = open_engine(database_url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE rollup_day SET n = 7 WHERE channel_id = 1 AND day = 20454"))
    engine.dispose()
    assert run(database_url, "verify") == 1
    said = capsys.readouterr().out
    assert "the rollup of channel 1 on 2026-01-01 is not what its readings say\n1 faults\n" in said


@pytest.mark.parametrize("command", ["restore", "move"])
def test_while_the_service_runs_nothing_is_replaced(
    database_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    filled(database_url)
    db = settings_of(tmp_path, database_url)
    with only_service(tmp_path):
        assert main([*db, command, str(tmp_path / "kept")]) == 2
    err = capsys.readouterr().err
    assert (
        f"{command} the database: needs the service to be stopped first, got the service with process" in err
    )


def test_move_says_what_is_the_same(
    database_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(database_url)
    db = settings_of(tmp_path, database_url)
    assert main([*db, "move", f"sqlite:///{tmp_path / 'moved.db'}"]) == 0
    said = capsys.readouterr().out
    assert "rows moved; counts and 3 channel-months of readings are the same on both sides\n" in said
    assert "then start the service" in said


def test_thin_asks_for_yes(database_url: str, capsys: pytest.CaptureFixture[str]) -> None:
    filled(database_url)
    assert run(database_url, "thin", "--before", "2026-01-02", "--to", "hour") == 2
    assert "to one an hour: needs --yes: only a back-up brings them back" in capsys.readouterr().err
    assert run(database_url, "thin", "--before", "2026-01-02", "--to", "hour", "--yes") == 0
    said = capsys.readouterr().out
    assert said == "72 hourly means stand for 72 readings before 2026-01-02\n"
