"""Tells who a user is, by user name and password."""

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.auth.passwords import hashed, is_same
from server.auth.tables import Credential

REMEMBERED = 20_000
LONGEST_PASSWORD = 256
STRANGER_SALT = bytes(16)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Who a user is."""

    credential_id: int
    user: str
    role: str
    node_id: int | None
    revoked: bool


class Keyring:
    """Tells who a user is. A password that was right once is remembered under a key of this process.

    Calls come from several threads; each opens a session of its own.
    """

    def __init__(
        self, sessions: Callable[[], Session], *, derive: Callable[[bytes, bytes], bytes] = hashed
    ) -> None:
        self._sessions, self._derive = sessions, derive
        self._key = secrets.token_bytes(32)
        self._remembered: dict[int, tuple[bytes, bytes]] = {}
        self._lock = Lock()

    def identify(self, user: str, password: bytes) -> Known | None:
        """The user, if this is the password; `revoked` says whether it is no longer in force.

        Costs one scrypt unless remembered; a user who is not there costs as much.
        """
        if len(password) > LONGEST_PASSWORD:
            return None
        with self._sessions() as session:
            row = session.scalar(select(Credential).where(Credential.user == user))
        if row is None:
            self._derive(password, STRANGER_SALT)
            return None
        if not self._is_right(row, password):
            return None
        return Known(
            credential_id=row.id,
            user=row.user,
            role=row.role,
            node_id=row.node_id,
            revoked=row.revoked is not None,
        )

    def _is_right(self, row: Credential, password: bytes) -> bool:
        tag = hmac.new(self._key, row.salt + password, hashlib.sha256).digest()
        remembered = self._remembered.get(row.id)
        if remembered is not None and is_same(remembered[0], tag) and is_same(remembered[1], row.hash):
            return True
        if not is_same(self._derive(password, row.salt), row.hash):
            return False
        with self._lock:
            if len(self._remembered) >= REMEMBERED:
                self._remembered.pop(next(iter(self._remembered)))
            self._remembered[row.id] = (tag, row.hash)
        return True
