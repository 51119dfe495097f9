"""One service a database: a lock that ends with its process, and says whose it is."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from server.errors import SettingsError


@contextmanager
def only_service(state_dir: Path) -> Iterator[None]:
    """Hold the lock of `state_dir` while the block runs.

    Raises SettingsError when a service runs there already, naming its process, or the folder can't be used.
    """
    path = state_dir / "service.lock"
    try:
        state_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = path.open("a+")
    except OSError as error:
        raise SettingsError(
            f"start in {state_dir}", "a folder that can be written", error.strerror or "an error"
        ) from None
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            handle.seek(0)
            came = f"the service with process number {handle.read(20).strip() or '?'}, which runs there"
            raise SettingsError(
                f"start in {state_dir}", "a folder that no other service uses", came
            ) from None
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        yield
