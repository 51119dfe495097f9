"""Tables of the looks: each look, what it found, and the last result of each series."""

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class InspectionRow(Base):
    """One look. `scope`: a door, a site, the house; `slot`: its night; `status`: `done`, `failed`, `void`."""

    __tablename__ = "inspection"
    __table_args__ = (UniqueConstraint("scope", "slot"),)

    id: Mapped[Key]
    scope: Mapped[str]
    slot: Mapped[str]
    looked: Mapped[Utc]
    until_ms: Mapped[Big]
    status: Mapped[str]
    took_s: Mapped[float]
    revision: Mapped[int]


class FindingRow(Base):
    """What a look found. `evidence` and `rests_on` are JSON; `unjudged` says why it could not be judged."""

    __tablename__ = "finding"
    __table_args__ = (UniqueConstraint("inspection_id", "topic", "about"),)

    id: Mapped[Key]
    inspection_id: Mapped[Big] = mapped_column(ForeignKey("inspection.id"))
    topic: Mapped[str]
    about: Mapped[str]
    evidence: Mapped[str]
    rests_on: Mapped[str]
    unjudged: Mapped[str | None]


class SeriesResultRow(Base):
    """The last look's result of one series; `facts` is JSON, `parts` the npz of its daily arrays."""

    __tablename__ = "series_result"

    door_id: Mapped[Big] = mapped_column(ForeignKey("door.id"), primary_key=True, autoincrement=False)
    series: Mapped[str] = mapped_column(primary_key=True)
    slot: Mapped[str]
    status: Mapped[str]
    reason: Mapped[str | None]
    rate: Mapped[float | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    facts: Mapped[str]
    parts: Mapped[bytes | None]


class SeriesWatchRow(Base):
    """The watch over one series, packed: `now` as the last look left it, `refit` as it was just after each.

    `day` counts from the day of hanging; `basis` is the fingerprint of all that it rests on up to that day.
    """

    __tablename__ = "series_watch"

    door_id: Mapped[Big] = mapped_column(ForeignKey("door.id"), primary_key=True, autoincrement=False)
    series: Mapped[str] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(primary_key=True)
    day: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    basis: Mapped[str]
    state: Mapped[bytes]


class SaidRow(Base):
    """What was said of a series for a night; said otherwise later, it is there again with a higher revision.

    Days count from 1970: `day` is the last that was heard; from `earliest` to `latest` its limit, `bound`, is
    reached.
    """

    __tablename__ = "said"
    __table_args__ = (UniqueConstraint("door_id", "series", "slot", "revision"),)

    id: Mapped[Key]
    door_id: Mapped[Big] = mapped_column(ForeignKey("door.id"))
    series: Mapped[str]
    slot: Mapped[str]
    revision: Mapped[int]
    at: Mapped[Utc]
    day: Mapped[int]
    status: Mapped[str]
    rate: Mapped[float | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    stays: Mapped[float | None]
    stays_low: Mapped[float | None]
    stays_high: Mapped[float | None]
    alarm: Mapped[bool | None]
    bound: Mapped[float | None]
    earliest: Mapped[int | None]
    latest: Mapped[int | None]
