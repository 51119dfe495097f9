"""How much is stored: instants of each node, readings of channels."""

from collections.abc import Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.readings.tables import Journal, JournalSpan, Reading


def instants_stored(session: Session) -> dict[int, int]:
    """Node key -> instants stored, all its journals together."""
    kept = func.sum(JournalSpan.seq_to - JournalSpan.seq_from + 1)
    rows = session.execute(
        select(Journal.node_id, kept)
        .join(JournalSpan, JournalSpan.journal_id == Journal.id)
        .group_by(Journal.node_id)
    )
    return {node_id: int(count) for node_id, count in rows}


def readings_stored(session: Session, channel_ids: Sequence[int], *, before_ms: int) -> int:
    """How many readings of these channels are stored from before a moment."""
    chosen = Reading.channel_id.in_(channel_ids) & (Reading.t_ms < before_ms)
    return session.scalar(select(func.count()).select_from(Reading).where(chosen)) or 0
