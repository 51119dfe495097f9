"""A PostgreSQL server of a test's own, which it may kill: in a private folder, on a socket there."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.journeys.needs import require

WITHIN_S = 60.0
OWNER = "postgres"  # the server refuses to run as root


@dataclass(frozen=True, slots=True, kw_only=True)
class Cluster:
    """A server of ours: its folder, and where its programs are."""

    folder: Path
    programs: Path

    @property
    def url(self) -> str:
        """Its address."""
        return f"postgresql+psycopg://hangtrue@/postgres?host={self.folder}"

    def control(self, *arguments: str) -> None:
        """Run `pg_ctl` to its end."""
        log = str(self.folder / "log")
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-l", log, *arguments)

    def restart(self) -> None:
        """End it as a power cut would, and start it again; it recovers from its log."""
        self.control("-m", "immediate", "restart")

    def run(self, program: str, *arguments: str) -> None:
        """Run one of its programs, as its owner."""
        owner = {"user": OWNER, "group": OWNER, "extra_groups": []} if os.geteuid() == 0 else {}
        subprocess.run(
            [self.programs / program, *arguments],
            check=True,
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=WITHIN_S,
            **owner,  # type: ignore[call-overload]  # by name
        )


@contextmanager
def cluster() -> Iterator[Cluster]:
    """An empty server, ended and gone with the block."""
    with tempfile.TemporaryDirectory(prefix="hangtrue-pg-") as name:
        folder, programs = Path(name), require(_programs(), "PostgreSQL's server: apt-get install postgresql")
        if os.geteuid() == 0:
            require(_owner(), f"the user {OWNER}: apt-get install postgresql")
            shutil.chown(folder, OWNER, OWNER)
        made = Cluster(folder=folder, programs=programs)
        made.run("initdb", "-D", str(folder / "data"), "-A", "trust", "-U", "hangtrue")
        made.control("-o", f"-c listen_addresses='' -k {folder}", "start")
        try:
            yield made
        finally:
            made.control("-m", "immediate", "stop")


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    path = str(found[-1]) if found else shutil.which("initdb")
    return Path(path).resolve().parent if path else None


def _owner() -> pwd.struct_passwd | None:
    return next((one for one in pwd.getpwall() if one.pw_name == OWNER), None)
