"""Tables of the readings: raw, rolled up, held back, and what nodes were told. The hot ones hold ms UTC."""

from sqlalchemy import ForeignKey, Index, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc

WITHOUT_ROWID = {"sqlite_with_rowid": False}
BY_MONTH = {"sqlite_with_rowid": False, "postgresql_partition_by": "RANGE (t_ms)"}


class Calibration(Base):
    """From when on a raw reading becomes mm, degC or % in this way. Never edited; the next one takes over."""

    __tablename__ = "calibration"
    __table_args__ = (UniqueConstraint("channel_id", "from_ms"),)

    id: Mapped[Key]
    channel_id: Mapped[Big] = mapped_column(ForeignKey("channel.id"))
    from_ms: Mapped[Big]
    kind: Mapped[str]
    coefficients: Mapped[str]
    unit_out: Mapped[str]
    sigma: Mapped[float]
    note: Mapped[str]
    made: Mapped[Utc]


class Journal(Base):
    """A node's journal: one life of its spool."""

    __tablename__ = "journal"
    __table_args__ = (UniqueConstraint("node_id", "code"),)

    id: Mapped[Key]
    node_id: Mapped[Big] = mapped_column(ForeignKey("node.id"))
    code: Mapped[str]
    first_seen: Mapped[Utc]
    tail: Mapped[Big] = mapped_column(default=1)
    closed: Mapped[Utc | None]


class Instant(Base):
    """A stored instant. `clock`: 0 utc, 1 drift, 2 none."""

    __tablename__ = "instant"
    __table_args__ = (
        Index(
            "ix_instant_drift",
            "journal_id",
            "t_ms",
            sqlite_where=text("clock = 1"),
            postgresql_where=text("clock = 1"),
        ),
        WITHOUT_ROWID,
    )

    journal_id: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    seq: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    t_ms: Mapped[Big]
    clock: Mapped[int]


class JournalSpan(Base):
    """Merged runs of stored instants; the statement is read from these."""

    __tablename__ = "journal_span"
    __table_args__ = (WITHOUT_ROWID,)

    journal_id: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    seq_from: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    seq_to: Mapped[Big]


class ClockFix(Base):
    """A correction of a drifting clock, as the node told it."""

    __tablename__ = "clock_fix"

    id: Mapped[Key]
    journal_id: Mapped[Big] = mapped_column(ForeignKey("journal.id"))
    t0_ms: Mapped[Big]
    t1_ms: Mapped[Big]
    off_ms: Mapped[Big]
    suspect: Mapped[int]


class Reading(Base):
    """A reading as sent, in the channel's enrolled unit. No foreign key: its cost is paid on every row."""

    __tablename__ = "reading"
    __table_args__ = (BY_MONTH,)

    channel_id: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    t_ms: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    value: Mapped[float]


class DirtyDay(Base):
    """A day of a channel that has to be rolled up anew. `day` counts from 1970-01-01 UTC."""

    __tablename__ = "dirty_day"
    __table_args__ = (WITHOUT_ROWID,)

    channel_id: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    day: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    touched: Mapped[Big]


class RefWindow(Base):
    """Fourteen days of a node's fixed pair of resistors: the median ratio; counted from 1970."""

    __tablename__ = "ref_window"
    __table_args__ = (WITHOUT_ROWID,)

    channel_id: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    fortnight: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    n: Mapped[int]
    median: Mapped[float]


class RollupDay(Base):
    """A day of a channel, calibrated."""

    __tablename__ = "rollup_day"
    __table_args__ = (WITHOUT_ROWID,)

    channel_id: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    day: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    n: Mapped[int]
    mean: Mapped[float]
    m2: Mapped[float]
    low: Mapped[float]
    high: Mapped[float]
    first_ms: Mapped[Big]
    last_ms: Mapped[Big]
    calibration_id: Mapped[Big | None]


class DayShut(Base):
    """A day's readings with the door shut, calibrated: what inspection and pages read."""

    __tablename__ = "day_shut"
    __table_args__ = (WITHOUT_ROWID,)

    channel_id: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    day: Mapped[Big] = mapped_column(primary_key=True, autoincrement=False)
    n: Mapped[int]
    median: Mapped[float]
    low: Mapped[float]
    high: Mapped[float]
    calibration_id: Mapped[Big | None]


class Quarantine(Base):
    """A refused pack, byte for byte."""

    __tablename__ = "quarantine"
    __table_args__ = (Index(None, "code", "node_id"), Index(None, "until"), Index(None, "sha256"))

    id: Mapped[Key]
    node_id: Mapped[Big | None] = mapped_column(ForeignKey("node.id"))
    topic: Mapped[str]
    payload: Mapped[bytes | None]
    sha256: Mapped[bytes]
    times: Mapped[int] = mapped_column(default=1)
    code: Mapped[str]
    record: Mapped[int | None]
    arrival_ms: Mapped[Big]
    properties: Mapped[str | None]
    seq_from: Mapped[Big | None]
    seq_to: Mapped[Big | None]
    journal: Mapped[str | None]
    until: Mapped[Utc]
    replayed: Mapped[Utc | None]


class Downlink(Base):
    """The last word to a node on each of its topics."""

    __tablename__ = "downlink"

    topic: Mapped[str] = mapped_column(primary_key=True)
    payload: Mapped[bytes]
    rev: Mapped[Big]
    changed: Mapped[Utc]


class MqttSession(Base):
    """A kept MQTT session: as JSON its filters, and the revision of each down-link acknowledged and sent."""

    __tablename__ = "session"

    client_id: Mapped[str] = mapped_column(primary_key=True)
    credential_id: Mapped[Big] = mapped_column(ForeignKey("credential.id"))
    filters: Mapped[str]
    acknowledged: Mapped[str]
    sent: Mapped[str]
    owner: Mapped[str]
    until: Mapped[Utc]
