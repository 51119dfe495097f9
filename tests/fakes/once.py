"""What one run of the tests makes once, whichever of its processes asks first: files, values, fits.

Nothing is kept from one run to the next: all of it was made by the code that is tested.
"""

import fcntl
import hashlib
import os
import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import pytest

from server.trend import paired_nights, watch
from server.trend.answer import Decomposition
from server.trend.refit import refit
from server.trend.series import Daily, DoorFacts

Made = TypeVar("Made")


def folder_of_run(own: Path) -> Path:
    """The folder that all processes of this run share, given the base folder of one."""
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


def made_once(folder: Path, name: str, make: Callable[[Path], None]) -> Path:
    """The file of that name, made by the first that asks; to be read or copied, never written."""
    path, part = folder / name, folder / f"part-{name}"
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not path.exists():
            make(part)
            part.rename(path)
    return path


def kept_once(folder: Path, name: str, make: Callable[[], Made]) -> Made:
    """A value, made by the first that asks and unpacked anew for each."""

    def write(part: Path) -> None:
        part.write_bytes(pickle.dumps(make()))

    made: Made = pickle.loads(made_once(folder, name, write).read_bytes())  # noqa: S301  # of this run
    return made


@contextmanager
def known_fits(folder: Path) -> Iterator[None]:
    """Meanwhile a fit that this run has made before is not made again. Not for tests of the fit itself.

    A fit is known by all that it hangs on, byte for byte; each who asks unpacks it anew.
    """

    def known(daily: Daily, door: DoorFacts, *, through: int | None = None) -> Decomposition:
        asked = hashlib.sha256(pickle.dumps((daily, door, through))).hexdigest()
        return kept_once(folder, f"fit-{asked}", lambda: refit(daily, door, through=through))

    with pytest.MonkeyPatch.context() as patch:
        for asks in (watch, paired_nights):
            patch.setattr(asks, "refit", known)
        yield
