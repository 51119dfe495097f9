"""The feed: valid Atom, entries that stay as they were, hostile names, one keeper's doors alone."""

from datetime import UTC, datetime
from xml.etree import ElementTree

import pytest
from sqlalchemy import Engine

from server.alerts.delivery.feed import Entry, atom, entries_of, urn
from server.alerts.tables import AlertRow
from server.database import session_of
from tests.alerts.delivery.stored import AT, BASE_URL, happens, raised, yard

ATOM = {"a": "http://www.w3.org/2005/Atom"}
MADE = datetime(2027, 3, 1, tzinfo=UTC)


def parsed(entries: list[Entry]) -> ElementTree.Element:
    text = atom(entries, title="Saltmarsh Yard", base_url=BASE_URL, path="/feed", made=MADE)
    return ElementTree.fromstring(text)  # noqa: S314  # our own text


def texts(root: ElementTree.Element, path: str) -> list[str]:
    return [one.text or "" for one in root.findall(path, ATOM)]


def test_an_empty_feed_has_all_that_a_feed_must_have() -> None:
    """RFC 4287, 4.1.1: id, title and updated once each, an author, a link to itself."""
    root = parsed([])
    assert root.tag == f"{{{ATOM['a']}}}feed"
    for name in ("id", "title", "updated", "author"):
        assert len(root.findall(f"a:{name}", ATOM)) == 1
    assert texts(root, "a:updated") == ["2027-03-01T00:00:00Z"]
    assert {one.get("rel") for one in root.findall("a:link", ATOM)} == {"alternate", "self"}


@pytest.fixture
def entries(engine: Engine) -> list[Entry]:
    with session_of(engine) as session:
        door = yard(session)
        row = raised(session, door, step="joint_opening")
        happens(session, row, "rose", "2027-03-05", step="joint_open")
        return entries_of(session, base_url=BASE_URL, zone="UTC")


def test_entries_are_events_newest_first(entries: list[Entry]) -> None:
    root = parsed(entries)
    assert texts(root, "a:entry/a:title") == [
        "Joint open: North, lock rail, hinge side",
        "Joint opening: North, lock rail, hinge side",
    ]
    for name in ("id", "title", "updated", "link", "content"):
        assert len(root.findall(f"a:entry/a:{name}", ATOM)) == 2
    assert texts(root, "a:updated") == ["2027-03-02T05:10:00Z"]
    assert all("Not a safety device" in text for text in texts(root, "a:entry/a:content"))
    ids = texts(root, "a:entry/a:id")
    assert len(set(ids)) == 2
    assert all(one.startswith("urn:uuid:") for one in ids)


def test_an_entry_stays_as_it_was(engine: Engine) -> None:
    with session_of(engine) as session:
        raised(session, yard(session), step="joint_opening")
        before = entries_of(session, base_url=BASE_URL, zone="UTC")
        happens(session, session.get_one(AlertRow, 1), "rose", "2027-03-05", step="joint_open")
        assert entries_of(session, base_url=BASE_URL, zone="UTC")[1:] == before
        assert urn(BASE_URL, "events/1") == before[0].id


def test_a_keeper_reads_of_their_own_doors(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        raised(session, door)
        assert len(entries_of(session, base_url=BASE_URL, zone="UTC", doors=frozenset({door.id}))) == 1
        assert entries_of(session, base_url=BASE_URL, zone="UTC", doors=frozenset({99})) == []


def test_a_hostile_name_stays_text() -> None:
    entry = Entry(
        id="urn:uuid:1",
        title='<script>&"\x00\u202e',
        text="]]><x/>&amp;",
        link='http://a/?a=1&b="',
        updated=AT,
    )
    root = parsed([entry])
    assert texts(root, "a:entry/a:title") == ['<script>&"']
    assert texts(root, "a:entry/a:content") == ["]]><x/>&amp;"]
    link = root.find("a:entry/a:link", ATOM)
    assert link is not None
    assert link.get("href") == 'http://a/?a=1&b="'
