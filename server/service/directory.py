"""What the listener asks of the database: who a client is, its kept session, the words to a node."""

from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import Engine

from server.auth.keyring import Keyring
from server.clock import Clock
from server.database import reading_of, session_of
from server.doors.lookups import node_names
from server.intake.excess import note_flooding
from server.intake.states import last_said
from server.intake.values import DownlinkValue, Identity, SessionState
from server.readings import sessions


class DatabaseDirectory:
    """The listener's `Directory` over the database. Every call is one short transaction."""

    def __init__(self, engine: Engine, keyring: Keyring, *, clock: Clock) -> None:
        self._engine, self._keyring, self._clock = engine, keyring, clock

    def identify(self, user: str, password: bytes) -> Identity | None:
        """The identity of `user` with this password, or None."""
        known = self._keyring.identify(user, password)
        if known is None:
            return None
        site, node = None, None
        if known.node_id is not None:
            with reading_of(self._engine) as session:
                site, node = node_names(session, known.node_id)
        return Identity(
            credential_id=known.credential_id,
            user=known.user,
            role=known.role,
            site=site,
            node=node,
            revoked=known.revoked,
        )

    def load_session(self, client_id: str) -> SessionState | None:
        """The kept session, unless it ran out."""
        with reading_of(self._engine) as session:
            kept = sessions.load_session(session, client_id, now=self._clock())
        if kept is None:
            return None
        return SessionState(
            client_id=kept.client_id,
            credential_id=kept.credential_id,
            filters=kept.filters,
            acknowledged=kept.acknowledged,
            sent=kept.sent,
            owner=kept.owner,
            until_ms=round(kept.until.timestamp() * 1000),
        )

    def save_session(self, state: SessionState) -> None:
        """Keep or renew a session."""
        kept = sessions.KeptSession(
            client_id=state.client_id,
            credential_id=state.credential_id,
            filters=dict(state.filters),
            acknowledged=dict(state.acknowledged),
            sent=dict(state.sent),
            owner=state.owner,
            until=datetime.fromtimestamp(state.until_ms / 1000, UTC),
        )
        with session_of(self._engine) as session:
            sessions.save_session(session, kept)

    def end_session(self, client_id: str) -> None:
        """Forget a session."""
        with session_of(self._engine) as session:
            sessions.end_session(session, client_id)

    def downlinks(self, topics: Sequence[str]) -> list[DownlinkValue]:
        """The newest down-links of these exact topics; an empty one was cleared, and is none."""
        with reading_of(self._engine) as session:
            rows = sessions.downlinks(session, topics)
        return [DownlinkValue(topic=name, payload=payload, rev=rev) for name, payload, rev in rows if payload]

    def note_flooding(self, site: str, node: str) -> None:
        """Note that a node is paused because it sends too much."""
        with session_of(self._engine) as session:
            note_flooding(session, site, node, at_ms=round(self._clock().timestamp() * 1000))

    def states(self) -> list[DownlinkValue]:
        """What each node last said of its state."""
        with reading_of(self._engine) as session:
            return last_said(session.connection())
