"""What the database itself keeps of broken pieces: nobody changes what was seen."""

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from server.doors.bench_tables import BatchRow, PieceRow
from tests.fakes.clock import HandClock


@pytest.fixture
def piece(session: Session, clock: HandClock) -> PieceRow:
    """One broken piece of one batch."""
    texts = {"glue": "", "pot": "", "species": "sapele", "joint": "{}", "doors": "[]", "note": ""}
    sizes = {"modulus_gpa": 11.7, "rail_depth_mm": 200, "thickness_mm": 54, "clamps_urad_per_n_m": 0}
    batch = BatchRow(name="pot-3", made="2026-05-02", glued=1, added=clock(), **texts, **sizes)
    session.add(batch)
    session.flush()
    seen = {"failed": "glue", "broken": "2026-05-20", "points": "[]", "photo": "", "note": ""}
    row = PieceRow(batch_id=batch.id, seq=1, arm_mm=300, load_n=2400, added=clock(), **seen)
    session.add(row)
    session.commit()
    return row


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE piece SET load_n = 9999",
        "UPDATE piece SET arm_mm = 400",
        "UPDATE piece SET failed = 'wood'",
        "UPDATE piece SET points = '[[1, 2]]'",
        "DELETE FROM piece",
    ],
)
def test_what_was_seen_stays(session: Session, piece: PieceRow, change: str) -> None:
    with pytest.raises(DBAPIError, match="strike it out"):
        session.execute(text(change))
    session.rollback()
    assert session.execute(text("SELECT load_n, arm_mm, failed FROM piece")).one() == (2400, 300, "glue")


def test_a_piece_may_be_struck_out(session: Session, piece: PieceRow, clock: HandClock) -> None:
    piece.struck, piece.why = clock(), "misread"
    session.commit()
    assert session.get_one(PieceRow, piece.id).why == "misread"


def test_a_piece_without_a_load_is_refused(session: Session, piece: PieceRow, clock: HandClock) -> None:
    seen = {"failed": "glue", "broken": "2026-05-20", "points": "[]", "photo": "", "note": ""}
    session.add(PieceRow(batch_id=piece.batch_id, seq=2, arm_mm=300, load_n=0, added=clock(), **seen))
    with pytest.raises(IntegrityError, match="load_positive"):
        session.flush()
