"""Commands about the database."""

import json
from pathlib import Path

import pytest
from sqlalchemy import text

from server.cli.main import main
from server.database import open_engine
from server.schema import head


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
