"""Tables of trials: drafts, which may change, and sealed records and looks, which may not."""

from sqlalchemy import CheckConstraint, ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class TrialDraftRow(Base):
    """A declaration not yet sealed. `body` is JSON; may be changed, may be deleted."""

    __tablename__ = "trial_draft"

    id: Mapped[Key]
    body: Mapped[str]
    by: Mapped[str]
    made: Mapped[Utc]


class TrialRecordRow(Base):
    """A sealed record: `body` is its canonical form. Never changed, never removed."""

    __tablename__ = "trial_record"
    __table_args__ = (CheckConstraint("length(seal) = 64", name="seal_length"),)

    seal: Mapped[str] = mapped_column(primary_key=True)
    body: Mapped[str]
    sealed: Mapped[Utc]
    by: Mapped[str]
    amends: Mapped[str | None] = mapped_column(ForeignKey("trial_record.seal"))


class TrialLookRow(Base):
    """A night's look at a trial, inserted only; `night` counts days since 1970, `again` the recomputations.

    Estimate, error and bounds are in the quantity's own unit a year, the declared scope's; NULL while a pair
    has never been served. `facts` is JSON.
    """

    __tablename__ = "trial_look"

    seal: Mapped[str] = mapped_column(ForeignKey("trial_record.seal"), primary_key=True)
    night: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    again: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    pairs: Mapped[int]
    estimate: Mapped[float | None]
    se: Mapped[float | None]
    tau: Mapped[float | None]
    factor: Mapped[float | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    word: Mapped[str]
    why: Mapped[str | None]
    facts: Mapped[str]


class TrialFitRow(Base):
    """What the nights of a trial go on with: fits of a pair (or of a door of a group), as JSON. A cache.

    `place`: in the record's order; `joint`: the series of its first door; `basis`: a fingerprint of the days.
    """

    __tablename__ = "trial_fit"

    seal: Mapped[str] = mapped_column(ForeignKey("trial_record.seal"), primary_key=True)
    place: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    joint: Mapped[str] = mapped_column(primary_key=True)
    basis: Mapped[str]
    state: Mapped[str]
