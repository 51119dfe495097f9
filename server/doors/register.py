"""The register: sites, nodes, doors and channels, put in by the commands and found by everything above."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import Row, Select, select
from sqlalchemy.orm import Session

from sensors.message.names import base_name, is_wire_name
from sensors.message.units import LIMITS, SECONDARY, decimals
from server.doors.built import BuiltDoor, Gauge, from_json, joint_words, to_json
from server.doors.carried import with_open_turns
from server.doors.names import SLUG_NEEDED, is_slug, split_ref
from server.doors.tables import Channel, Door, Node, Site
from server.doors.versions import HUNG, Version, keep_version, versions_of
from server.errors import (
    AlreadyThereError,
    OutOfRangeError,
    SettingsError,
    UnknownDoorError,
    UnknownNodeError,
)

NODE_KINDS = ("tracked", "plain")
UPLOAD_S = 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelRef:
    """A channel as the floors above need it: its row, its name on the wire, its unit there, its kind."""

    id: int
    name: str
    unit: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorHung:
    """A door that is hung, with its channels by the gauge's name and its node's last word.

    `built` is the last of its `versions`; `past_channels` are of gauges that were taken off.
    """

    id: int
    site: str
    zone: str
    ref: str
    name: str
    shown: str
    hung: datetime
    built: BuiltDoor
    channels: Mapping[str, ChannelRef]
    node_id: int
    node_last_heard_ms: int | None
    node_status: str | None
    upload_s: int
    versions: tuple[Version, ...] = ()
    past_channels: Mapping[str, ChannelRef] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeEnrolled:
    """A node in the register. `ref` is site/node; `doors` are those it watches."""

    id: int
    site: str
    ref: str
    name: str
    kind: str
    zone: str
    enrolled: datetime
    upload_s: int
    last_heard_ms: int | None
    status: str | None
    status_ms: int | None
    channels: tuple[ChannelRef, ...]
    doors: tuple[str, ...]


def enrol_node(session: Session, site: str, node: str, *, kind: str, zone: str | None, now: datetime) -> Node:
    """A new node; its site is made on first use, in `zone`.

    Raises AlreadyThereError for a node that is there, SettingsError for a name or zone that cannot be used.
    """
    _require_slug("site", site)
    _require_slug("node", node)
    if kind not in NODE_KINDS:
        raise SettingsError(f"enrol {site}/{node}", f"one of {', '.join(NODE_KINDS)}", f"{kind!r:.40}")
    home = _site(session, site, zone)
    if session.scalar(select(Node.id).where(Node.site_id == home.id, Node.name == node)) is not None:
        needed = (
            "another name: this one is enrolled (hangtrue node list), and its password was shown then, once"
        )
        raise AlreadyThereError(f"enrol {site}/{node}", needed, "a second enrolment of one node")
    made = Node(site_id=home.id, name=node, kind=kind, upload_s=UPLOAD_S, enrolled=now, ack_ms=0)
    session.add(made)
    session.flush()
    return made


def find_node(session: Session, ref: str) -> NodeEnrolled:
    """The node of `site/node`, or of a name that is used once.

    Raises UnknownNodeError naming those there are.
    """
    nodes = list_nodes(session)
    found = [one for one in nodes if ref in (one.ref, one.name)]
    if len(found) == 1:
        return found[0]
    known = (
        ", ".join(one.ref for one in (found or nodes))
        or "none is enrolled yet: hangtrue node enrol SITE/NODE"
    )
    raise UnknownNodeError(f"find node {ref!r:.60}", f"the name of a node ({known})", f"{ref!r:.60}")


def list_nodes(session: Session) -> list[NodeEnrolled]:
    """Every node that is not retired, by site and name."""
    rows = session.execute(
        select(Node, Site)
        .join(Site, Site.id == Node.site_id)
        .where(Node.retired.is_(None))
        .order_by(Site.name, Node.name)
    ).all()
    return [_enrolled(session, node, site) for node, site in rows]


def add_channels(
    session: Session, node: Node, channels: Sequence[tuple[str, str]], now: datetime
) -> list[ChannelRef]:
    """Enrol channels of a plain device by their full names on the wire and units.

    Raises SettingsError for a name or unit that the wire has not, AlreadyThereError for a second of one name.
    """
    made = []
    for name, unit in channels:
        if not is_wire_name(name):
            raise SettingsError("enrol a channel", "a name of A-Z a-z 0-9 - : . / _", f"{name!r:.40}")
        if unit not in LIMITS:
            needed = SECONDARY[unit][0] if unit in SECONDARY else f"one of {', '.join(LIMITS)}"
            raise SettingsError(
                f"enrol channel {name:.40}", f"the unit it is kept in, {needed}", f"{unit!r:.40}"
            )
        made.append(_channel(session, node.id, None, (name, unit, "plain", ""), now))
    session.flush()
    return [_channel_ref(one) for one in made]


def add_door(session: Session, built: BuiltDoor, *, now: datetime) -> DoorHung:
    """Hang a door in the register and enrol its channels; the turns at which its joints open are kept too.

    Raises UnknownNodeError with the command to run when its node is not enrolled, AlreadyThereError for a
    second door of that name or a channel that is another door's, OutOfRangeError for a day still to come.
    """
    ref = f"{built.site}/{built.name}"
    node = _node_of(session, built)
    if (
        session.scalar(select(Door.id).where(Door.site_id == node.site_id, Door.name == built.name))
        is not None
    ):
        raise AlreadyThereError(f"add door {ref}", "another name", "a door of that name that is hung already")
    check_has_come(built, f"add door {ref}", now=now)
    full = with_open_turns(built)[0]
    door = Door(site_id=node.site_id, name=built.name, hung=built.hung, added=now, **_said_of(full))
    session.add(door)
    session.flush()
    first = Version(from_ms=round(built.hung.timestamp() * 1000), because=HUNG, built=full)
    keep_version(session, door.id, first, now=now)
    for gauge in built.gauges:
        enrol_gauge(session, node.id, door.id, (built, gauge), now=now)
    session.flush()
    return find_door(session, ref)


def check_has_come(built: BuiltDoor, asked: str, *, now: datetime) -> None:
    """Refuse a door that is not hung yet. Raises OutOfRangeError."""
    if built.hung > now + timedelta(days=1):
        raise OutOfRangeError(asked, "a day of hanging that has come", f"{built.hung:%Y-%m-%d}")


def rebuild(session: Session, door_id: int, built: BuiltDoor) -> None:
    """Let the register say of a door what it is now; what it was stands in its versions."""
    door = session.scalars(select(Door).where(Door.id == door_id)).one()
    for name, value in _said_of(built).items():
        setattr(door, name, value)
    session.flush()


def enrol_gauge(
    session: Session, node_id: int, door_id: int, one: tuple[BuiltDoor, Gauge], *, now: datetime
) -> None:
    """Enrol a gauge of a door. Raises AlreadyThereError for a channel that is enrolled already."""
    built, gauge = one
    name = base_name(built.site, built.node) + gauge.channel
    _channel(session, node_id, door_id, (name, gauge.unit, gauge.kind, place_of(gauge)), now)


def find_door(session: Session, ref: str) -> DoorHung:
    """The door of `site/name`, or of a name that is used once.

    Raises UnknownDoorError naming those there are.
    """
    site, name = split_ref(ref)
    query = _doors().where(Door.name == name)
    rows = session.execute(query if site is None else query.where(Site.name == site)).all()
    if len(rows) == 1:
        return _hung(session, rows[0])
    known = [f"{row.Site.name}/{row.Door.name}" for row in (rows or session.execute(_doors()).all())]
    names = ", ".join(known) or "none is hung yet: hangtrue door add FILE.toml"
    raise UnknownDoorError(f"find door {ref!r:.60}", f"the name of a door ({names})", f"{ref!r:.60}")


def list_doors(session: Session) -> list[DoorHung]:
    """Every door that is hung, by site and name."""
    return [_hung(session, row) for row in session.execute(_doors()).all()]


def site_of(session: Session) -> Site | None:
    """The yard: the first site there is; None before the first node is enrolled."""
    return session.scalar(select(Site).order_by(Site.id).limit(1))


def zone_of(session: Session, site: str) -> str | None:
    """The time zone of a site; None for one that is not there yet."""
    return session.scalar(select(Site.zone).where(Site.name == site))


def channels_by_name(session: Session) -> dict[str, ChannelRef]:
    """Every channel by its full name on the wire; a name that two nodes use is left out."""
    found: dict[str, list[ChannelRef]] = {}
    for channel in session.scalars(select(Channel).order_by(Channel.id)):
        found.setdefault(channel.name, []).append(_channel_ref(channel))
    return {name: refs[0] for name, refs in found.items() if len(refs) == 1}


def checked_zone(zone: str) -> str:
    """The time zone, if there is one of that name. Raises SettingsError."""
    try:
        return ZoneInfo(zone).key
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise SettingsError("use a time zone", "a name such as Europe/London", f"{zone!r:.40}") from None


def _require_slug(what: str, text: str) -> None:
    if not is_slug(text):
        raise SettingsError(f"name a {what}", SLUG_NEEDED.rstrip(","), f"{text!r:.40}")


def _site(session: Session, name: str, zone: str | None) -> Site:
    site = session.scalar(select(Site).where(Site.name == name))
    if site is None:
        site = Site(name=name, zone=checked_zone(zone or "UTC"))
        session.add(site)
        session.flush()
    elif zone is not None and checked_zone(zone) != site.zone:
        raise SettingsError(f"enrol a node of {name}", f"the site's own time zone, {site.zone}", zone)
    return site


def _node_of(session: Session, built: BuiltDoor) -> Node:
    here = (
        select(Node)
        .join(Site, Site.id == Node.site_id)
        .where(Site.name == built.site, Node.name == built.node)
    )
    node = session.scalar(here.where(Node.retired.is_(None)))
    if node is None:
        ref = f"{built.site}/{built.node}"
        needed = f"its node to be enrolled first: hangtrue node enrol {ref}"
        raise UnknownNodeError(f"add door {built.site}/{built.name}", needed, f"no node {ref}")
    return node


def _channel(
    session: Session, node_id: int, door_id: int | None, told: tuple[str, str, str, str], now: datetime
) -> Channel:
    name, unit, quantity, place = told
    if session.scalar(select(Channel.id).where(Channel.node_id == node_id, Channel.name == name)) is not None:
        raise AlreadyThereError(
            f"enrol channel {name:.80}", "a name of its own", "a channel that is enrolled already"
        )
    low, high = LIMITS[unit]
    channel = Channel(
        node_id=node_id,
        door_id=door_id,
        name=name,
        quantity=quantity,
        place=place,
        unit=unit,
        decimals=decimals(unit),
        low=low,
        high=high,
        since=now,
    )
    session.add(channel)
    session.flush()
    return channel


def place_of(gauge: Gauge) -> str:
    """Where a gauge stands, as its channel's row has it."""
    if gauge.on is not None:
        return f"on the {gauge.on}"
    station = ", ".join(f"{place_mm:g}" for place_mm in gauge.station_mm)
    return f"{gauge.joint} {gauge.station_mm[0]:+g} mm" if gauge.joint else f"{station} mm" if station else ""


def _said_of(built: BuiltDoor) -> dict[str, object]:
    return {
        "shown": built.shown,
        "width_mm": built.width_mm,
        "height_mm": built.height_mm,
        "thickness_mm": built.thickness_mm,
        "species": built.species,
        "joint": joint_words(built),
        "built": to_json(built),
    }


def _doors() -> Select[Door, Site]:
    return select(Door, Site).join(Site, Site.id == Door.site_id).order_by(Site.name, Door.name)


def _hung(session: Session, row: Row[Door, Site]) -> DoorHung:
    door, site = row.Door, row.Site
    built = from_json(door.built)
    node = session.scalars(select(Node).where(Node.site_id == site.id, Node.name == built.node)).one()
    every = session.scalars(select(Channel).where(Channel.door_id == door.id).order_by(Channel.id)).all()
    start = len(base_name(built.site, built.node))
    return DoorHung(
        id=door.id,
        site=site.name,
        zone=site.zone,
        ref=f"{site.name}/{door.name}",
        name=door.name,
        shown=door.shown,
        hung=door.hung,
        built=built,
        channels={one.name[start:]: _channel_ref(one) for one in every if one.until is None},
        node_id=node.id,
        node_last_heard_ms=node.last_heard_ms,
        node_status=node.status,
        upload_s=node.upload_s,
        versions=versions_of(session, door.id),
        past_channels={one.name[start:]: _channel_ref(one) for one in every if one.until is not None},
    )


def _enrolled(session: Session, node: Node, site: Site) -> NodeEnrolled:
    channels = session.scalars(select(Channel).where(Channel.node_id == node.id).order_by(Channel.id)).all()
    door_ids = {channel.door_id for channel in channels if channel.door_id is not None}
    doors = session.scalars(select(Door.name).where(Door.id.in_(door_ids)).order_by(Door.name)).all()
    return NodeEnrolled(
        id=node.id,
        site=site.name,
        ref=f"{site.name}/{node.name}",
        name=node.name,
        kind=node.kind,
        zone=site.zone,
        enrolled=node.enrolled,
        upload_s=node.upload_s,
        last_heard_ms=node.last_heard_ms,
        status=node.status,
        status_ms=node.status_ms,
        channels=tuple(_channel_ref(channel) for channel in channels),
        doors=tuple(doors),
    )


def _channel_ref(channel: Channel) -> ChannelRef:
    return ChannelRef(id=channel.id, name=channel.name, unit=channel.unit, kind=channel.quantity)
