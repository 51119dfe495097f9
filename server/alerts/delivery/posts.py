"""Who is told: posts of people, and what is owed to them, written in the event's own transaction."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts.delivery.composing import concerns
from server.alerts.delivery.facts import WEIGHTS, AlertFacts, Post
from server.alerts.delivery.settings import ADDRESS, ChannelSettings
from server.alerts.delivery.tables import DueRow, PostRow
from server.alerts.delivery.tries import QUIET, Quiet
from server.alerts.tables import AlertEventRow, AlertRow
from server.doors.register import find_door
from server.errors import SettingsError

# What may become a line; what a person saw or left is told to nobody.
TOLD_KINDS = frozenset({"raised", "rose", "eased", "back", "carries", "ended"})


@dataclass(frozen=True, slots=True, kw_only=True)
class NewPost:
    """A post to be made: by which channel, to which mail address, of which doors (None: all)."""

    channel: str
    address: str | None = None
    doors: Sequence[int] | None = None
    least: str = "note"
    house: bool = True
    quiet: str = QUIET
    user_id: int | None = None


def add_post(session: Session, new: NewPost) -> int:
    """Make a post, and give its number. Its first message lists what stands.

    Raises SettingsError for hours, a weight or a mail address that cannot be used.
    """
    _check(new)
    row = PostRow(
        channel=new.channel,
        address=new.address,
        doors=_written(new.doors),
        least=new.least,
        house=int(new.house),
        quiet=new.quiet,
        user_id=new.user_id,
    )
    session.add(row)
    session.flush()
    return row.id


def _check(new: NewPost) -> None:
    asked = "tell a person"
    try:
        Quiet.of(new.quiet, "UTC")
    except ValueError:
        raise SettingsError(asked, f"hours such as {QUIET}", f"{new.quiet!r:.40}") from None
    if new.least not in WEIGHTS:
        raise SettingsError(asked, f"one of {', '.join(WEIGHTS)}", f"{new.least!r:.40}")
    if new.address is not None and not ADDRESS.fullmatch(new.address):
        raise SettingsError(asked, "a mail address", f"{new.address!r:.40}")


def ensure_posts(session: Session, settings: Iterable[ChannelSettings]) -> list[int]:
    """Make the post of each channel that has none, and set those there are as the settings say.

    Gives the numbers of those made. A post that a person made is left as it is. Raises UnknownDoorError for a
    door that is not hung here.
    """
    present = {row.channel: row for row in session.scalars(select(PostRow).where(PostRow.user_id.is_(None)))}
    made = []
    for one in settings:
        new = _post_by_settings(session, one)
        if one.name in present:
            _set(present[one.name], new)
        else:
            made.append(add_post(session, new))
    session.flush()
    return made


def retire_posts(session: Session, names: Iterable[str], *, at: datetime) -> list[str]:
    """Retire the posts of the settings whose channels are in them no more; give the channels.

    What still waits for one is tried until it is given up; a channel that comes back has its post again.
    """
    gone = select(PostRow).where(PostRow.user_id.is_(None), PostRow.retired.is_(None))
    rows = list(session.scalars(gone.where(PostRow.channel.not_in(list(names)))))
    for row in rows:
        row.retired = at
    session.flush()
    return [row.channel for row in rows]


def posts_of(session: Session) -> list[PostRow]:
    """Every post that is not retired, held until the transaction ends: two do not compose at once."""
    query = select(PostRow).where(PostRow.retired.is_(None)).order_by(PostRow.id)
    return list(session.scalars(query.with_for_update()))


def post_of(row: PostRow) -> Post:
    """A post in values."""
    doors = None if row.doors is None else frozenset(json.loads(row.doors))
    return Post(
        id=row.id,
        channel=row.channel,
        doors=doors,
        least=row.least,
        house=bool(row.house),
        person=row.user_id,
    )


def owe(session: Session, event_id: int) -> int:
    """Write down who is owed an event; call it in the transaction that writes the event. Gives how many."""
    event = session.get(AlertEventRow, event_id)
    if event is None or event.kind not in TOLD_KINDS:
        return 0
    alert = session.get_one(AlertRow, event.alert_id)
    rows = list(session.scalars(select(PostRow).where(PostRow.retired.is_(None)).order_by(PostRow.id)))
    facts = AlertFacts(
        id=alert.id,
        topic=alert.topic,
        about=alert.about,
        step=alert.step,
        weight="note",
        door_id=alert.door_id,
        persons=persons_of(rows).get(alert.about, frozenset()),
    )
    owed = [row.id for row in rows if concerns(post_of(row), facts)]
    session.add_all(DueRow(event_id=event_id, post_id=post_id) for post_id in owed)
    session.flush()
    return len(owed)


def _post_by_settings(session: Session, one: ChannelSettings) -> NewPost:
    told = one.told
    doors = None if told.doors is None else [find_door(session, ref).id for ref in told.doors]
    new = NewPost(channel=one.name, address=told.to, doors=doors, least=told.least)
    return replace(new, house=told.house, quiet=told.quiet)


def _set(row: PostRow, new: NewPost) -> None:
    _check(new)
    row.address, row.least, row.house, row.quiet = new.address, new.least, int(new.house), new.quiet
    row.doors, row.retired = _written(new.doors), None


def _written(doors: Sequence[int] | None) -> str | None:
    return None if doors is None else json.dumps(sorted(doors))


def persons_of(rows: Iterable[PostRow]) -> Mapping[str, frozenset[int]]:
    """Whose each channel is."""
    persons: dict[str, set[int]] = {}
    for row in rows:
        if row.user_id is not None:
            persons.setdefault(row.channel, set()).add(row.user_id)
    return {channel: frozenset(users) for channel, users in persons.items()}
