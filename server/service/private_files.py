"""Files that hold secrets: written whole or not at all, and never readable by others on the way."""

import os
from pathlib import Path

from server.errors import SettingsError


def write_private(path: Path, text: str, *, mode: int = 0o600) -> None:
    """Make `text` the content of `path`, its folder made if need be.

    Raises SettingsError for a folder that cannot be written.
    """
    beside = path.with_name(f"{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        beside.unlink(missing_ok=True)
        with os.fdopen(
            os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w", encoding="utf-8"
        ) as new:
            new.write(text)
            new.flush()
            os.fsync(new.fileno())
        beside.replace(path)
    except OSError as error:
        came = error.strerror or "an error"
        raise SettingsError(f"write {path}", "a folder that can be written", came) from None
