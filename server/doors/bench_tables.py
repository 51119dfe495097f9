"""Tables of what was tried: load tests of doors, and sample joints broken on the bench."""

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class LoadTestRow(Base):
    """A load test and the stiffness factor it told. `body` is the file's readings and consent as JSON.

    `place` is `hung` or `bench`, `state` is `glued` or `dry`; `day` is ISO; `beyond` is `softer` or `stiffer`
    than the model covers, the bound being kept.
    """

    __tablename__ = "load_test"
    __table_args__ = (Index(None, "door_id"),)

    id: Mapped[Key]
    door_id: Mapped[Big] = mapped_column(ForeignKey("door.id"))
    day: Mapped[str]
    place: Mapped[str]
    state: Mapped[str]
    mass_kg: Mapped[float]
    strap_mm: Mapped[float]
    cycles: Mapped[int]
    rack_mm: Mapped[float]
    sd_mm: Mapped[float]
    f_k: Mapped[float]
    low: Mapped[float]
    high: Mapped[float]
    sd_ln: Mapped[float]
    beyond: Mapped[str | None]
    body: Mapped[str]
    added: Mapped[Utc]


class BatchRow(Base):
    """One glue-up of sample joints. `joint` and `doors`, those made from the same pot, are JSON."""

    __tablename__ = "batch"

    id: Mapped[Key]
    name: Mapped[str] = mapped_column(unique=True)
    made: Mapped[str]
    glued: Mapped[int]
    glue: Mapped[str]
    pot: Mapped[str]
    species: Mapped[str]
    modulus_gpa: Mapped[float]
    moisture_at_glue_up_pct: Mapped[float | None]
    cure_days: Mapped[float | None]
    rail_depth_mm: Mapped[float]
    thickness_mm: Mapped[float]
    clamps_urad_per_n_m: Mapped[float]
    joint: Mapped[str]
    doors: Mapped[str]
    note: Mapped[str]
    added: Mapped[Utc]


class PieceRow(Base):
    """One broken piece. Its load, arm and place of failure stay; a mistake is struck out, with the reason.

    `seq`: in which order it was made; `points` are load in N and deflection in mm, JSON.
    """

    __tablename__ = "piece"
    __table_args__ = (
        CheckConstraint("arm_mm > 0 AND load_n > 0", name="load_positive"),
        Index(None, "batch_id"),
    )

    id: Mapped[Key]
    batch_id: Mapped[Big] = mapped_column(ForeignKey("batch.id"))
    seq: Mapped[int]
    broken: Mapped[str]
    moisture_pct: Mapped[float | None]
    arm_mm: Mapped[float]
    load_n: Mapped[float]
    failed: Mapped[str]
    points: Mapped[str]
    photo: Mapped[str]
    note: Mapped[str]
    added: Mapped[Utc]
    struck: Mapped[Utc | None]
    why: Mapped[str | None]
