"""Posts: who is told of what, made from the settings once, and what is owed to them."""

from pathlib import Path

import pytest
from sqlalchemy import Engine, select, update

from server.alerts.delivery.posts import (
    NewPost,
    add_post,
    ensure_posts,
    owe,
    persons_of,
    post_of,
    posts_of,
    retire_posts,
)
from server.alerts.delivery.settings import ChannelSettings, Told
from server.alerts.delivery.tables import DueRow, PostRow
from server.alerts.tables import AlertEventRow
from server.database import session_of
from server.errors import SettingsError, UnknownDoorError
from tests.alerts.delivery.stored import AT, raised, yard
from tests.refusals import refuses


def channel(name: str, **told: object) -> ChannelSettings:
    return ChannelSettings(name=name, kind="webhook", told=Told(**told), files=dict[str, Path]())  # type: ignore[arg-type]  # of one


TOLD = {"doors": ("north",), "least": "today", "house": False, "quiet": "22:00-05:00", "to": "a@b.example"}


def test_each_channel_of_the_settings_gets_its_post_once(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        asked = [channel("one"), channel("two", **TOLD)]
        assert len(ensure_posts(session, asked)) == 2
        assert ensure_posts(session, asked) == []
        one, two = posts_of(session)
        assert (post_of(one).doors, post_of(one).least, post_of(one).house) == (None, "note", True)
        assert (post_of(two).doors, post_of(two).least, post_of(two).house) == (
            frozenset({door.id}),
            "today",
            False,
        )
        assert (two.quiet, two.address) == ("22:00-05:00", "a@b.example")


def test_a_post_follows_its_settings(engine: Engine) -> None:
    with session_of(engine) as session:
        yard(session)
        ensure_posts(session, [channel("one", **TOLD)])
        mine = add_post(session, NewPost(channel="one", user_id=7, least="soon"))
        assert ensure_posts(session, [channel("one")]) == []
        first, second = posts_of(session)
        assert (first.doors, first.least, first.house, first.address) == (None, "note", 1, None)
        assert (second.id, second.least) == (mine, "soon")  # a person's own is left as it is


def test_a_channel_that_left_the_settings_is_told_of_nothing_until_it_is_back(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        ensure_posts(session, [channel("one"), channel("two")])
        assert retire_posts(session, ["two"], at=AT) == ["one"]
        raised(session, door)
        assert session.scalars(select(DueRow.post_id)).all() == [2]
        assert ensure_posts(session, [channel("one"), channel("two")]) == []
        assert [row.channel for row in posts_of(session)] == ["one", "two"]


def test_a_door_that_is_not_hung_is_refused(engine: Engine) -> None:
    with session_of(engine) as session, pytest.raises(UnknownDoorError):
        ensure_posts(session, [channel("one", doors=("nowhere",))])


def test_who_is_owed_an_event(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        for new in (
            NewPost(channel="all"),
            NewPost(channel="none", doors=[], house=False),
            NewPost(channel="north", doors=[door.id]),
        ):
            add_post(session, new)
        alert = raised(session, door)
        assert session.scalars(select(DueRow.post_id).order_by(DueRow.post_id)).all() == [1, 3]
        seen = AlertEventRow(
            alert_id=alert.id,
            slot="2027-03-02",
            at=AT,
            kind="seen",
            step="joint_open",
            detail="",
            evidence="{}",
        )
        session.add(seen)
        session.flush()
        assert owe(session, seen.id) == 0  # what a person saw is told to nobody
        assert owe(session, 999) == 0


@pytest.mark.parametrize(
    ("new", "needed", "came"),
    [
        (NewPost(channel="mail", quiet="night"), "hours such as 21:00-06:00", "'night'"),
        (NewPost(channel="mail", least="loud"), "one of today, soon, note", "'loud'"),
        (NewPost(channel="mail", address="a@b.example\r\nBcc: c@d.example"), "a mail address", "a@b.example"),
        (NewPost(channel="mail", address="keeper"), "a mail address", "'keeper'"),
    ],
)
def test_a_post_that_cannot_be_used_is_refused(engine: Engine, new: NewPost, needed: str, came: str) -> None:
    with (
        session_of(engine) as session,
        refuses(SettingsError, asked="tell a person", needed=needed, came=came),
    ):
        add_post(session, new)


def test_a_retired_post_is_owed_nothing(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        add_post(session, NewPost(channel="hook"))
        session.execute(update(PostRow).values(retired=AT))
        raised(session, door)
        assert posts_of(session) == []
        assert session.scalars(select(DueRow.post_id)).all() == []


def test_whose_a_channel_is(engine: Engine) -> None:
    with session_of(engine) as session:
        for name, user in (("mail", 7), ("mail", 8), ("phone", None)):
            add_post(session, NewPost(channel=name, user_id=user))
        assert persons_of(posts_of(session)) == {"mail": frozenset({7, 8})}
