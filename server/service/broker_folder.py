"""Who may use an outside broker, as its two files say: made anew from the credentials in force."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from sqlalchemy.orm import Session

from server.auth.broker_passwords import users_of, with_lines
from server.auth.credentials import in_force
from server.config import Settings
from server.doors.lookups import node_names
from server.intake.broker_files import NodeUser, Place, Tls, access_list
from server.service.private_files import write_private

PASSWORDS, ACCESS = "passwords", "access"


def folder_of(settings: Settings) -> Path:
    """Where the broker's files are kept; there is none before `hangtrue broker files` made it."""
    return settings.state_dir / "broker"


def keep_users(
    session: Session, folder: Path, *, collector: str, lines: Mapping[str, str] | None = None
) -> list[str]:
    """Write password file and access list for who is in force; the nodes' users that have no line.

    lines: new lines of the password file by user. The hashes of the others are in the file alone: a node
    that was enrolled without it needs a new password. Raises SettingsError.
    """
    nodes = [_user(session, one.user, one.node_id) for one in in_force(session) if one.node_id is not None]
    path = folder / PASSWORDS
    present = path.read_text("utf-8") if path.exists() else ""
    allowed = {collector, *(node.user for node in nodes)}
    text = with_lines(present, lines or {}, keep=allowed.__contains__)
    write_private(path, text)
    write_private(folder / ACCESS, access_list(nodes, collector=collector))
    return sorted(allowed - {collector} - users_of(text))


def place_in(settings: Settings, *, port: int | None, data: Path) -> Place:
    """Where the broker listens: with TLS, to all, once there is a certificate; else to this computer alone.

    data: the broker's own folder, for what it keeps. port None: the usual one.
    """
    folder, ca = folder_of(settings).absolute(), (settings.state_dir / "ca").absolute()
    tls = Tls(ca=ca / "ca.pem", cert=ca / "server.pem", key=ca / "server.key")
    has_tls = all(path.exists() for path in (tls.ca, tls.cert, tls.key))
    return Place(
        port=port or (8883 if has_tls else 1883),
        address=None if has_tls else "127.0.0.1",
        tls=tls if has_tls else None,
        passwords=folder / PASSWORDS,
        access=folder / ACCESS,
        data=data,
    )


def copied(place: Place, there: Path) -> Place:
    """The same broker, with all that it reads copied into a folder of its own. Raises SettingsError."""
    there = there.absolute()

    def copy(path: Path) -> Path:
        write_private(there / path.name, path.read_text("utf-8"))
        return there / path.name

    tls = place.tls
    return replace(
        place,
        passwords=copy(place.passwords),
        access=copy(place.access),
        tls=Tls(ca=copy(tls.ca), cert=copy(tls.cert), key=copy(tls.key)) if tls else None,
    )


def _user(session: Session, user: str, node_id: int) -> NodeUser:
    site, node = node_names(session, node_id)
    return NodeUser(user=user, site=site, node=node)
