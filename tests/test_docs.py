"""What README and DEVELOPERS show is what happens: each `$ hangtrue ...` line is run and compared."""

import doctest
import re
import shlex
from pathlib import Path

import pytest

from server.cli.main import main

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
BLOCK = re.compile(r"^```console\n(.*?)^```", re.MULTILINE | re.DOTALL)
same = doctest.OutputChecker().check_output  # "..." in the page stands for anything


def shown() -> list[tuple[str, str]]:
    blocks = [block for page in PAGES for block in BLOCK.findall(page.read_text("utf-8"))]
    steps = [step.partition("\n") for block in blocks for step in block.split("$ ")[1:]]
    return [(command, answer) for command, _, answer in steps if command.startswith("hangtrue")]


def test_pages_show_commands() -> None:
    assert len(shown()) >= 1, "no command found: the pattern of this test no longer fits the pages"


@pytest.mark.parametrize(("command", "answer"), shown())
def test_shown_command(
    command: str,
    answer: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(shlex.split(command)[1:]) == 0
    came = capsys.readouterr().out
    assert same(answer, came, doctest.ELLIPSIS), f"the page says {answer!r}, hangtrue says {came!r}"
