"""The register on both databases: nodes, doors and channels go in once and are found again."""

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors import register
from server.doors.built import BuiltDoor
from server.doors.carried import with_open_turns
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.tables import Channel, Node
from server.errors import (
    AlreadyThereError,
    OutOfRangeError,
    SettingsError,
    UnknownDoorError,
    UnknownNodeError,
)
from tests.fakes.clock import HandClock
from tests.refusals import refuses

SITE, ZONE = "saltmarsh-yard", "Europe/London"


def built(name: str = "north", clock: HandClock | None = None) -> BuiltDoor:
    door = read_door(example_text(name), where=f"{name}.toml").built
    return replace(door, hung=(clock or HandClock())() - timedelta(days=30))


def enrol(session: Session, clock: HandClock, name: str = "north") -> Node:
    return register.enrol_node(session, SITE, name, kind="tracked", zone=ZONE, now=clock())


def test_the_site_is_made_with_its_first_node(session: Session, clock: HandClock) -> None:
    assert register.site_of(session) is None
    enrol(session, clock, "north")
    enrol(session, clock, "south")
    site = register.site_of(session)
    assert site is not None
    assert (site.name, site.zone) == (SITE, ZONE)
    assert [node.ref for node in register.list_nodes(session)] == [f"{SITE}/north", f"{SITE}/south"]
    assert register.zone_of(session, SITE) == ZONE
    assert register.zone_of(session, "elsewhere") is None


def test_a_node_is_enrolled_once(session: Session, clock: HandClock) -> None:
    enrol(session, clock)
    with refuses(AlreadyThereError, asked=f"enrol {SITE}/north", needed="another name", came="a second"):
        enrol(session, clock)


@pytest.mark.parametrize(
    ("site", "node", "kind", "zone", "needed"),
    [
        ("Salt Marsh", "north", "tracked", ZONE, "1 to 24 of a-z"),
        (SITE, "-north", "tracked", ZONE, "1 to 24 of a-z"),
        (SITE, "north", "wild", ZONE, "one of tracked, plain"),
        (SITE, "north", "tracked", "Europe/Atlantis", "a name such as Europe/London"),
    ],
)
def test_a_node_that_cannot_be_is_refused(
    session: Session, clock: HandClock, site: str, node: str, kind: str, zone: str, needed: str
) -> None:
    with refuses(SettingsError, asked="", needed=needed, came="'"):
        register.enrol_node(session, site, node, kind=kind, zone=zone, now=clock())


def test_a_site_keeps_its_zone(session: Session, clock: HandClock) -> None:
    enrol(session, clock)
    register.enrol_node(session, SITE, "south", kind="tracked", zone=None, now=clock())
    with refuses(SettingsError, asked="of saltmarsh-yard", needed=ZONE, came="Asia/Tokyo"):
        register.enrol_node(session, SITE, "east", kind="tracked", zone="Asia/Tokyo", now=clock())


def test_a_door_needs_its_node_and_says_the_command(session: Session, clock: HandClock) -> None:
    needed = "hangtrue node enrol saltmarsh-yard/north"
    with refuses(UnknownNodeError, asked=f"add door {SITE}/north", needed=needed, came="no node"):
        register.add_door(session, built(), now=clock())


def test_a_door_is_found_as_it_was_added(session: Session, clock: HandClock) -> None:
    node = enrol(session, clock)
    added = register.add_door(session, built(), now=clock())
    session.commit()
    found = register.find_door(session, "north")
    assert found == added == register.find_door(session, f"{SITE}/north")
    as_kept = with_open_turns(built())[0]
    assert as_kept != built()
    assert (found.ref, found.zone, found.node_id, found.built) == (f"{SITE}/north", ZONE, node.id, as_kept)
    assert (found.node_last_heard_ms, found.node_status, found.upload_s) == (None, None, 3600)
    assert list(found.channels) == [gauge.channel for gauge in built().gauges]
    shoulder = found.channels["lock-hinge-top"]
    assert (shoulder.name, shoulder.unit, shoulder.kind) == (f"{SITE}/north/lock-hinge-top", "/", "shoulder")


def test_channels_carry_the_limits_and_decimals_of_their_unit(session: Session, clock: HandClock) -> None:
    enrol(session, clock)
    channel = register.add_door(session, built(), now=clock()).channels["air-rh"]
    row = session.scalars(select(Channel).where(Channel.id == channel.id)).one()
    assert (row.quantity, row.decimals, row.low, row.high) == ("air_rh", 2, -10, 110)
    shoulder = session.scalars(select(Channel).where(Channel.name.endswith("lock-hinge-bottom"))).one()
    assert shoulder.place == "lock-hinge -85 mm"


def test_a_door_is_added_once(session: Session, clock: HandClock) -> None:
    enrol(session, clock)
    register.add_door(session, built(), now=clock())
    with refuses(AlreadyThereError, asked="add door", needed="another name", came="hung already"):
        register.add_door(session, built(), now=clock())
    with refuses(
        AlreadyThereError, asked="enrol channel", needed="a name of its own", came="enrolled already"
    ):
        register.add_door(session, replace(built(), name="other"), now=clock())


def test_a_door_that_is_hung_in_time_to_come_is_refused(session: Session, clock: HandClock) -> None:
    enrol(session, clock)
    late = replace(built(), hung=clock() + timedelta(days=2))
    with refuses(OutOfRangeError, asked="add door", needed="has come", came="2026-01-03"):
        register.add_door(session, late, now=clock())


def test_doors_and_nodes_that_are_not_there_name_those_that_are(session: Session, clock: HandClock) -> None:
    with refuses(UnknownDoorError, asked="find door 'north'", needed="hangtrue door add", came="north"):
        register.find_door(session, "north")
    with refuses(UnknownNodeError, asked="find node 'north'", needed="hangtrue node enrol", came="north"):
        register.find_node(session, "north")
    for name in ("north", "south"):
        enrol(session, clock, name)
        register.add_door(session, built(name), now=clock())
    with refuses(UnknownDoorError, asked="'east'", needed=f"{SITE}/north, {SITE}/south", came="east"):
        register.find_door(session, "east")
    with refuses(UnknownNodeError, asked="'east'", needed=f"{SITE}/north, {SITE}/south", came="east"):
        register.find_node(session, "east")
    assert [door.name for door in register.list_doors(session)] == ["north", "south"]
    assert register.find_node(session, "south").doors == ("south",)


def test_a_name_that_two_sites_use_needs_its_site(session: Session, clock: HandClock) -> None:
    enrol(session, clock)
    register.add_door(session, built(), now=clock())
    register.enrol_node(session, "quay", "north", kind="tracked", zone=ZONE, now=clock())
    register.add_door(session, replace(built(), site="quay"), now=clock())
    with refuses(UnknownDoorError, asked="'north'", needed=f"quay/north, {SITE}/north", came="north"):
        register.find_door(session, "north")
    assert register.find_door(session, "quay/north").site == "quay"
    with refuses(UnknownNodeError, asked="'north'", needed=f"quay/north, {SITE}/north", came="north"):
        register.find_node(session, "north")
    assert register.find_node(session, "quay/north").site == "quay"


def test_a_plain_device_keeps_its_own_names(session: Session, clock: HandClock) -> None:
    node = register.enrol_node(session, SITE, "shed", kind="plain", zone=ZONE, now=clock())
    made = register.add_channels(session, node, [("urn:dev:ow:1", "%RH"), ("t", "Cel")], clock())
    assert [channel.name for channel in made] == ["urn:dev:ow:1", "t"]
    assert register.channels_by_name(session)["urn:dev:ow:1"].unit == "%RH"


@pytest.mark.parametrize(
    ("channel", "needed"),
    [(("a b", "Cel"), "A-Z a-z 0-9"), (("a", "mm"), "is kept in, m"), (("a", "%"), "one of /, Ohm")],
)
def test_channels_that_the_wire_has_not_are_refused(
    session: Session, clock: HandClock, channel: tuple[str, str], needed: str
) -> None:
    node = register.enrol_node(session, SITE, "shed", kind="plain", zone=ZONE, now=clock())
    with refuses(SettingsError, asked="enrol", needed=needed, came="'"):
        register.add_channels(session, node, [channel], clock())


def test_a_name_that_two_nodes_use_is_nobodys(session: Session, clock: HandClock) -> None:
    for name in ("shed", "loft"):
        node = register.enrol_node(session, SITE, name, kind="plain", zone=ZONE, now=clock())
        register.add_channels(session, node, [("t", "Cel")], clock())
    assert register.channels_by_name(session) == {}
