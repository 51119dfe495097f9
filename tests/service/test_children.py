"""Children: our own scripts, our own settings, ended by whoever started them."""

from pathlib import Path

from server.config import Settings, read_settings
from server.service import children


def test_a_child_finds_the_same_settings(tmp_path: Path) -> None:
    settings = Settings(
        state_dir=tmp_path, database=f"sqlite:///{tmp_path / 'a.db'}", zone="Europe/London", look_at="04:30"
    )
    assert read_settings(None, environment=children.environment_of(settings)) == settings


def test_our_script_and_no_other(tmp_path: Path) -> None:
    """A command of the same name earlier on PATH is not run."""
    (tmp_path / "hangtrue").write_text("#!/bin/sh\nexit 7\n")
    (tmp_path / "hangtrue").chmod(0o755)
    child = children.start(["hangtrue", "--version"], environment={"PATH": str(tmp_path)}, quiet=True)
    assert child.wait(30) == 0


def test_a_child_that_will_not_end_is_made_to(tmp_path: Path) -> None:
    child = children.start(["hangtrue-node", "--help"], environment={}, quiet=True)
    assert child.wait(30) == 0
    assert children.end(child) == 0
