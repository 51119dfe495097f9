"""Our own commands as child processes: started from our own environment's scripts, never by PATH."""

import os
import subprocess
import sysconfig
from collections.abc import Mapping, Sequence
from pathlib import Path

from server.config import Settings


def script(name: str) -> str:
    """The path of one of our commands."""
    return str(Path(sysconfig.get_path("scripts")) / name)


def environment_of(settings: Settings) -> dict[str, str]:
    """An environment in which our commands find the same settings; no address stands in the process list."""
    ours = {
        "HANGTRUE_DATABASE": settings.database,
        "HANGTRUE_STATE_DIR": str(settings.state_dir),
        "HANGTRUE_LOOK_AT": settings.look_at,
    }
    if settings.zone:
        ours["HANGTRUE_ZONE"] = settings.zone
    if settings.backup_folder:
        ours["HANGTRUE_BACKUP_FOLDER"] = str(settings.backup_folder)
    return {**os.environ, **ours}


def start(
    arguments: Sequence[str],
    *,
    environment: Mapping[str, str],
    pass_fds: Sequence[int] = (),
    quiet: bool = False,
) -> subprocess.Popen[bytes]:
    """Start one of our commands. Its output is ours, unless `quiet`; it is ended by whoever started it."""
    out = subprocess.DEVNULL if quiet else None
    return subprocess.Popen(  # noqa: S603  (our own script, arguments of our own)
        [script(arguments[0]), *arguments[1:]],
        env=dict(environment),
        pass_fds=tuple(pass_fds),
        stdin=subprocess.DEVNULL,
        stdout=out,
    )


def end(child: subprocess.Popen[bytes], *, wait_s: float = 2.0) -> int:
    """End a child and give its exit code: asked first, then made to."""
    if child.poll() is None:
        child.terminate()
        try:
            return child.wait(wait_s)
        except subprocess.TimeoutExpired:
            child.kill()
    return child.wait()
