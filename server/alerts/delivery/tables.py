"""Tables of the messages: who is told, what is owed, what goes out, nights composed, who fetches the feed."""

from sqlalchemy import ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class PostRow(Base):
    """A person by one channel. `doors` is a JSON list of numbers, none: all. `user_id` none: the maker.

    `address` is the recipient of a mail; `house` 0 or 1; `quiet` such as 21:00-06:00.
    """

    __tablename__ = "keeper_post"

    id: Mapped[Key]
    user_id: Mapped[Big | None]
    channel: Mapped[str]
    address: Mapped[str | None]
    doors: Mapped[str | None]
    least: Mapped[str]
    house: Mapped[int]
    quiet: Mapped[str]
    retired: Mapped[Utc | None]


class MessageRow(Base):
    """A message of a post. `said` is JSON: its lines, the sheet, what is told to machines.

    `state`: waiting, sent, refused, expired, overtaken. `key` is the same at every try.
    """

    __tablename__ = "message"
    __table_args__ = (Index(None, "post_id", "state"),)

    id: Mapped[Key]
    key: Mapped[str] = mapped_column(unique=True)
    post_id: Mapped[Big] = mapped_column(ForeignKey("keeper_post.id"))
    slot: Mapped[str]
    kind: Mapped[str]
    subject: Mapped[str]
    body: Mapped[str]
    said: Mapped[str]
    state: Mapped[str]
    tries: Mapped[int]
    next_try: Mapped[Utc]
    expires: Mapped[Utc]
    last_word: Mapped[str | None]
    sent: Mapped[Utc | None]


class DueRow(Base):
    """An event owed to a post, written in the event's own transaction. `waits`: why it is in no message."""

    __tablename__ = "due"
    __table_args__ = (Index(None, "post_id", "message_id"),)

    event_id: Mapped[Big] = mapped_column(ForeignKey("alert_event.id"), primary_key=True, autoincrement=False)
    post_id: Mapped[Big] = mapped_column(ForeignKey("keeper_post.id"), primary_key=True, autoincrement=False)
    message_id: Mapped[Big | None] = mapped_column(ForeignKey("message.id"))
    waits: Mapped[str | None]


class ComposedRow(Base):
    """A slot whose messages were made: its sheet and its repeats come once."""

    __tablename__ = "composed"

    slot: Mapped[str] = mapped_column(primary_key=True)


class FeedRow(Base):
    """Who may fetch the feed, by an address with a token in it. `token` is its SHA-256. `doors` none: all."""

    __tablename__ = "feed"

    id: Mapped[Key]
    name: Mapped[str]
    token: Mapped[str] = mapped_column(unique=True)
    doors: Mapped[str | None]
    made: Mapped[Utc]
    retired: Mapped[Utc | None]
