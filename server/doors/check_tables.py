"""The table of feeler checks: what a person felt beside a gauge. Rows that are added to, never changed."""

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class FeelerCheckRow(Base):
    """One check of one gauge, felt three times at one mark, mm.

    `step_mm`: how fine the set of leaves is. `enters` false: no leaf went in; the three are the thinnest one
    that was tried.
    """

    __tablename__ = "feeler_check"
    __table_args__ = (
        CheckConstraint("first_mm > 0 AND second_mm > 0 AND third_mm > 0 AND step_mm > 0", name="felt"),
        Index(None, "door_id", "t_ms"),
    )

    id: Mapped[Key]
    door_id: Mapped[Big] = mapped_column(ForeignKey("door.id"))
    gauge: Mapped[str]
    t_ms: Mapped[Big]
    first_mm: Mapped[float]
    second_mm: Mapped[float]
    third_mm: Mapped[float]
    step_mm: Mapped[float]
    enters: Mapped[bool]
    by: Mapped[str]
    added: Mapped[Utc]
