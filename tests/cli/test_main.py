"""The command: what it costs to start, where commands are found, and what a refusal looks like."""

import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import click
import pytest

from server.cli.main import COMMANDS, hangtrue, main

HEAVY = ("sqlalchemy", "alembic", "flask", "plotly", "paho", "numpy", "scipy", "tornado", "pydantic")


def test_the_version_is_the_packages(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"hangtrue {version('hangtrue')}\n"


@pytest.mark.parametrize("arguments", [["--version"], ["--help"]])
def test_asking_costs_no_heavy_import(arguments: list[str]) -> None:
    program = (
        "import sys; from server.cli.main import main\n"
        f"code = main({arguments!r})\n"
        f"print(code, [name for name in {HEAVY!r} if name in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert told.stdout.splitlines()[-1] == "0 []"


def test_help_lists_each_command_with_its_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    listed = shown[shown.index("Commands:") :]
    for name, command in COMMANDS.items():
        assert (f"  {name} " in listed) is bool(command.help)
        assert command.help in listed


@pytest.mark.parametrize("name", ["door", "node", "import", "demo", "config"])
def test_each_command_is_where_the_table_says(name: str) -> None:
    found = hangtrue.get_command(click.Context(hangtrue), name)
    assert isinstance(found, click.Command)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "Usage: hangtrue"),
        (["dor"], "No such command 'dor'"),
        (["door", "add"], "Missing argument 'FILE'"),
        (["door", "add", "/nowhere.toml"], "does not exist"),
        (["--nix"], "No such option"),
    ],
)
def test_misuse_ends_with_2(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert said in capsys.readouterr().err


def test_settings_that_cannot_be_used_end_with_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "hangtrue.toml"
    path.write_text('look_at = "soon"\nlok_at = 1\n', "utf-8")
    assert main(["--config", str(path), "door", "list"]) == 2
    told = capsys.readouterr().err
    assert told.startswith(f"hangtrue: read the settings of {path}: needs")
    assert f"{path}:1 look_at: " in told
    assert f"{path}:2 lok_at: no such setting; did you mean look_at?" in told


def test_a_database_that_does_not_answer_ends_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--database", "mysql://x", "door", "list"]) == 2
    needed = "needs sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME, got 'mysql'"
    assert capsys.readouterr().err == f"hangtrue: open the database: {needed}\n"


def test_what_is_asked_rightly_and_refused_ends_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--database", f"sqlite:///{tmp_path / 'yard.db'}", "door", "show", "east"]) == 1
    told = capsys.readouterr().err
    assert told.startswith("hangtrue: find door 'east': needs the name of a door")
    assert told.count("\n") == 1


def test_a_missing_extra_is_a_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    @hangtrue.command("lacking")
    def lacking() -> None:
        raise ModuleNotFoundError(name="tornado.web")

    COMMANDS["lacking"] = type(COMMANDS["demo"])("tests.cli.lacking", "lacking")
    try:
        sys.modules["tests.cli.lacking"] = type(sys)("tests.cli.lacking")
        sys.modules["tests.cli.lacking"].lacking = lacking  # type: ignore[attr-defined]  # made here
        assert main(["lacking"]) == 2
    finally:
        del COMMANDS["lacking"], sys.modules["tests.cli.lacking"]
    needed = "needs the server's parts (pip install 'hangtrue[server]'), got no tornado"
    assert capsys.readouterr().err == f"hangtrue: this command: {needed}\n"
