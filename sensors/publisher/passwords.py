"""The node's password, and its change: kept beside, tried, and only then made its own."""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from sensors.config import NodeError
from sensors.message.secret import Secret

OWN, NEW = "secret", "secret.new"


@dataclass(frozen=True, slots=True, kw_only=True)
class Login:
    """A user, the password, and its generation."""

    user: str
    password: str
    generation: int


class Passwords:
    """The files `secret` and `secret.new` of a node's folder.

    `own` is in force. `new` was told and not yet found to work: it survives a power cut, and is tried
    again. A torn `secret.new` is thrown away: the collector still tells it. Raises NodeError when there
    is no password at all.
    """

    def __init__(self, folder: Path, *, site: str, node: str, user: str) -> None:
        self._folder, self._site, self._node = folder, site, node
        self.own = self._read_own(user)
        self.new = self._read_new()

    def keep(self, secret: Secret) -> bool:
        """Keep a new password beside, synced; whether it is one that was not known. Raises NodeError."""
        login = self._login(secret.key, secret.generation)
        if login.generation <= self.own.generation or login == self.new:
            return False
        with _disk_trouble_said():
            _write(self._folder / NEW, login)
        self.new = login
        return True

    def take(self) -> None:
        """The new password works: make it our own. Raises NodeError."""
        if self.new is not None:
            with _disk_trouble_said():
                (self._folder / NEW).replace(self._folder / OWN)
                _sync(self._folder)
            self.own, self.new = self.new, None

    def _read_own(self, user: str) -> Login:
        path = self._folder / OWN
        try:
            text = path.read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError):
            needed = "the password that `hangtrue node enrol` printed, in that file"
            raise NodeError("connect", needed, f"none in {path}") from None
        kept = self._read(text)
        if kept is not None:
            return kept
        generation = user.rpartition(".")[2]
        first = int(generation) if generation.isascii() and generation.isdigit() else 1
        return Login(user=user or self._login("", 1).user, password=text, generation=first)

    def _read_new(self) -> Login | None:
        path = self._folder / NEW
        try:
            kept = self._read(path.read_text("utf-8"))
        except (OSError, UnicodeDecodeError):
            kept = None
        if kept is None or kept.generation <= self.own.generation:
            with suppress(OSError):
                path.unlink()
            return None
        return kept

    def _read(self, text: str) -> Login | None:
        try:
            kept = json.loads(text)
            generation, key = kept["gen"], kept["key"]
        except (ValueError, LookupError, TypeError):
            return None
        is_one = type(generation) is int and isinstance(key, str)
        return self._login(key, generation) if is_one else None

    def _login(self, key: str, generation: int) -> Login:
        user = f"{self._site}.{self._node}.{generation}"
        return Login(user=user, password=key, generation=generation)


@contextmanager
def _disk_trouble_said() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        came = error.strerror or "an error"
        raise NodeError("keep the new password", "a disk that takes it", came, status=3) from None


def _write(path: Path, login: Login) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as new:
        new.write(json.dumps({"gen": login.generation, "key": login.password}))
        new.flush()
        os.fsync(new.fileno())
    _sync(path.parent)


def _sync(folder: Path) -> None:
    """A file is there after a power cut only if its folder was synced too."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
