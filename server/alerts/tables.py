"""Tables of the ledger: the fold's cache, alerts as they stand, their events, limits set for doors."""

from sqlalchemy import ForeignKey, Index, text
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class ConditionRow(Base):
    """Cache of the fold: one cause of a site after one night. `counts` is JSON."""

    __tablename__ = "condition"

    site_id: Mapped[Big] = mapped_column(ForeignKey("site.id"), primary_key=True, autoincrement=False)
    topic: Mapped[str] = mapped_column(primary_key=True)
    about: Mapped[str] = mapped_column(primary_key=True)
    slot: Mapped[str] = mapped_column(primary_key=True)
    counts: Mapped[str]


class AlertRow(Base):
    """An alert as it stands. `raised`, `left_until`, `ended` are nights; one is open for a cause at most."""

    __tablename__ = "alert"
    __table_args__ = (
        Index(
            "uq_alert_open_cause",
            "site_id",
            "topic",
            "about",
            unique=True,
            sqlite_where=text("ended IS NULL"),
            postgresql_where=text("ended IS NULL"),
        ),
    )

    id: Mapped[Key]
    site_id: Mapped[Big] = mapped_column(ForeignKey("site.id"))
    topic: Mapped[str]
    about: Mapped[str]
    door_id: Mapped[Big | None] = mapped_column(ForeignKey("door.id"))
    raised: Mapped[str]
    step: Mapped[str]
    worst: Mapped[str]
    seen: Mapped[Utc | None]
    left_until: Mapped[str | None]
    ended: Mapped[str | None]
    how: Mapped[str | None]


class AlertEventRow(Base):
    """What happened to an alert, in order. Never changed, never removed. `by` is a person, or none."""

    __tablename__ = "alert_event"
    __table_args__ = (
        Index(
            "uq_alert_event_once",
            "alert_id",
            "slot",
            "kind",
            "step",
            "detail",
            unique=True,
            sqlite_where=text("by IS NULL"),
            postgresql_where=text("by IS NULL"),
        ),
    )

    id: Mapped[Key]
    alert_id: Mapped[Big] = mapped_column(ForeignKey("alert.id"))
    slot: Mapped[str]
    at: Mapped[Utc]
    kind: Mapped[str]
    step: Mapped[str]
    detail: Mapped[str]
    evidence: Mapped[str]
    words: Mapped[str | None]
    by: Mapped[str | None]


class LimitRow(Base):
    """A number of the rules as it was set for a door (`door_id` none: the house) from a night on.

    Added to alone: past nights are counted with what held then. `value` none: the default again.
    """

    __tablename__ = "alert_limit"
    __table_args__ = (Index(None, "door_id", "name"),)

    id: Mapped[Key]
    door_id: Mapped[Big | None] = mapped_column(ForeignKey("door.id"))
    name: Mapped[str]
    value: Mapped[float | None]
    since: Mapped[str]
    at: Mapped[Utc]
    by: Mapped[str]
