"""Files that hold secrets."""

from pathlib import Path

from server.errors import SettingsError
from server.service.private_files import write_private
from tests.refusals import refuses


def test_a_file_is_its_owners_alone_and_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "new" / "secret"
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "secret.new").write_text("left by a run that was killed", "utf-8")
    for text in ("one", "another"):
        write_private(path, text)
        assert path.read_text("utf-8") == text
        assert path.stat().st_mode & 0o777 == 0o600
    assert [one.name for one in path.parent.iterdir()] == ["secret"]


def test_a_folder_is_made_and_a_wider_mode_only_when_asked(tmp_path: Path) -> None:
    write_private(tmp_path / "ca" / "ca.pem", "public", mode=0o644)
    assert (tmp_path / "ca").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "ca" / "ca.pem").stat().st_mode & 0o777 == 0o644


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    with refuses(SettingsError, asked="write", needed="a folder that can be written", came="exists"):
        write_private(tmp_path / "file" / "secret", "x")
