"""Tables of the doors: sites, nodes, doors as built, channels and marks."""

from sqlalchemy import CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class Site(Base):
    """A yard: one place, one time zone."""

    __tablename__ = "site"

    id: Mapped[Key]
    name: Mapped[str] = mapped_column(unique=True)
    latitude: Mapped[float | None]
    longitude: Mapped[float | None]
    zone: Mapped[str]


class Node(Base):
    """A small computer at a door, with its gauges. `kind` is `tracked` or `plain`."""

    __tablename__ = "node"
    __table_args__ = (UniqueConstraint("site_id", "name"),)

    id: Mapped[Key]
    site_id: Mapped[Big] = mapped_column(ForeignKey("site.id"))
    name: Mapped[str]
    kind: Mapped[str]
    upload_s: Mapped[int]
    ppm: Mapped[int] = mapped_column(default=200)
    enrolled: Mapped[Utc]
    retired: Mapped[Utc | None]
    last_heard_ms: Mapped[Big | None]
    ack_ms: Mapped[Big] = mapped_column(default=0)
    status: Mapped[str | None]
    status_ms: Mapped[Big | None]


class Door(Base):
    """A door as hung. Sizes are of the leaf; `built` is the whole door as JSON, joints and gauges too."""

    __tablename__ = "door"
    __table_args__ = (
        UniqueConstraint("site_id", "name"),
        CheckConstraint("width_mm > 0 AND height_mm > 0 AND thickness_mm > 0", name="size_positive"),
    )

    id: Mapped[Key]
    site_id: Mapped[Big] = mapped_column(ForeignKey("site.id"))
    name: Mapped[str]
    shown: Mapped[str]
    hung: Mapped[Utc]
    added: Mapped[Utc]
    width_mm: Mapped[float]
    height_mm: Mapped[float]
    thickness_mm: Mapped[float]
    species: Mapped[str]
    joint: Mapped[str]
    built: Mapped[str]


class DoorVersionRow(Base):
    """A door as built from a moment on. `moved` is the JSON list of the gauges that were set anew then."""

    __tablename__ = "door_version"
    __table_args__ = (Index(None, "door_id"),)

    id: Mapped[Key]
    door_id: Mapped[Big] = mapped_column(ForeignKey("door.id"))
    from_ms: Mapped[Big]
    because: Mapped[str]
    moved: Mapped[str]
    built: Mapped[str]
    added: Mapped[Utc]


class HungLineRow(Base):
    """The hung line of a version as it was drawn; days since 1970, the last row of a version counts.

    `gauges` is JSON: of each its zero, its spread and its calibration then.
    """

    __tablename__ = "hung_line"
    __table_args__ = (Index(None, "version_id"),)

    id: Mapped[Key]
    version_id: Mapped[Big] = mapped_column(ForeignKey("door_version.id"))
    because: Mapped[str]
    start_day: Mapped[int]
    stop_day: Mapped[int]
    good_days: Mapped[int]
    since_heard: Mapped[bool]
    gauges: Mapped[str]
    moisture_pct: Mapped[float | None]
    temp_c: Mapped[float | None]
    rh_pct: Mapped[float | None]
    drawn: Mapped[Utc]


class Channel(Base):
    """One gauge's stream of readings. `name` is the full name on the wire, `unit` the unit that is sent."""

    __tablename__ = "channel"
    __table_args__ = (UniqueConstraint("node_id", "name"), Index(None, "door_id"))

    id: Mapped[Key]
    node_id: Mapped[Big] = mapped_column(ForeignKey("node.id"))
    door_id: Mapped[Big | None] = mapped_column(ForeignKey("door.id"))
    name: Mapped[str]
    quantity: Mapped[str]
    place: Mapped[str]
    unit: Mapped[str]
    decimals: Mapped[int]
    low: Mapped[float | None]
    high: Mapped[float | None]
    since: Mapped[Utc]
    until: Mapped[Utc | None]


class EventMark(Base):
    """What a person did or the service noticed, on a day. `taken_back`: when a person said it was not so."""

    __tablename__ = "event_mark"
    __table_args__ = (Index(None, "door_id", "t_ms"),)

    id: Mapped[Key]
    site_id: Mapped[Big | None] = mapped_column(ForeignKey("site.id"))
    door_id: Mapped[Big | None] = mapped_column(ForeignKey("door.id"))
    node_id: Mapped[Big | None] = mapped_column(ForeignKey("node.id"))
    t_ms: Mapped[Big]
    kind: Mapped[str]
    text: Mapped[str]
    by: Mapped[str]
    taken_back: Mapped[Utc | None]
