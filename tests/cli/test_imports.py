"""The command that takes readings from a CSV: all good lines, or none."""

from pathlib import Path

import pytest
from sqlalchemy import func, select

from server.cli.main import main
from server.database import Session, open_engine
from server.readings.tables import Reading

GOOD = "2026-03-01T10:00:00Z,t,12.5,Cel"


@pytest.fixture
def url(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    url = f"sqlite:///{tmp_path / 'yard.db'}"
    enrol = [
        "node",
        "enrol",
        "saltmarsh-yard/shed",
        "--plain",
        "--channel",
        "t=Cel",
        "--zone",
        "Europe/London",
    ]
    assert main(["--database", url, *enrol]) == 0
    capsys.readouterr()
    return url


def written(folder: Path, *lines: str) -> str:
    path = folder / "readings.csv"
    path.write_text("\n".join(["time,channel,value,unit", *lines]), "utf-8")
    return str(path)


def stored(url: str) -> int:
    engine = open_engine(url)
    with Session(engine) as session:
        count = session.scalar(select(func.count()).select_from(Reading))
    engine.dispose()
    return count or 0


def test_a_good_file_is_stored_once(url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, GOOD)
    assert main(["--database", url, "import", path]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[1].split() == ["t", "1", *["2026-03-01", "10:00", "UTC"] * 2]
    assert told[2:] == ["1 new, 0 stored already, 0 bad", "1 readings stored"]
    assert main(["--database", url, "import", path]) == 0
    assert capsys.readouterr().out == "0 new, 1 stored already, 0 bad\n0 readings stored\n"
    assert stored(url) == 1


def test_a_dry_run_stores_nothing(url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--database", url, "import", "--dry-run", written(tmp_path, GOOD)]) == 0
    assert "1 new, 0 stored already, 0 bad\ndry run: nothing was stored\n" in capsys.readouterr().out
    assert stored(url) == 0


def test_a_bad_line_stops_the_file_unless_it_is_skipped(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, GOOD, "2026-03-01T11:00,t,12.5,Cel")
    assert main(["--database", url, "import", path]) == 1
    err = capsys.readouterr().err
    assert "line 3: 2026-03-01T11:00,t,12.5,Cel: time '2026-03-01T11:00' has no offset" in err
    assert "needs every line to be good, or --skip-bad; nothing was stored, got 1 bad lines" in err
    assert stored(url) == 0
    assert main(["--database", url, "import", "--skip-bad", path]) == 0
    assert stored(url) == 1
    assert main(["--database", url, "import", "--tz", "Europe/London", path]) == 0
    assert stored(url) == 2


@pytest.mark.parametrize(
    ("options", "said"), [(["--tz", "Mars/Olympus"], "a name such as Europe/London"), ([], "UTF-8 text")]
)
def test_what_cannot_be_used_ends_with_2(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], said: str
) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(b"time,channel,value,unit\n\xff")
    assert main(["--database", url, "import", *options, str(path)]) == 2
    assert said in capsys.readouterr().err
