"""Commands about encryption and an outside broker: the site's authority, and the broker's files."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened
from server.config import Settings

if TYPE_CHECKING:
    from server.auth.certificates import Pair


@click.group()
def broker() -> None:
    """Encryption for boxes on the network, and the files of an outside broker."""


@broker.command("ca")
@click.option(
    "--host", "hosts", multiple=True, help="A name or address that boxes connect to; may be repeated."
)
@click.option(
    "--key",
    "key_path",
    type=click.Path(path_type=Path),
    help="Where the authority's key is; best on a stick.",
)
@click.pass_obj
def broker_ca(settings: Settings, *, hosts: tuple[str, ...], key_path: Path | None) -> None:
    """Make the site's authority once, and a server certificate for 397 days; again: a new certificate."""
    from server.auth.certificates import end_of, fingerprint, hosts_of, make_certificate
    from server.clock import utc_now
    from server.service.private_files import write_private

    folder, now = settings.state_dir / "ca", utc_now()
    authority = _authority(folder, key_path or folder / "ca.key", list(hosts))
    cert, key = folder / "server.pem", folder / "server.key"
    names = list(hosts) or _known_hosts(cert)
    # the key stays: then a renewal changes one file, and no moment has a certificate of another key
    made = make_certificate(authority, names, now=now, key=_text(key) if key.exists() else None)
    if not key.exists():
        write_private(key, made.key)
    write_private(cert, made.cert, mode=0o644)
    click.echo(f"authority    {folder / 'ca.pem'}, until {end_of(authority.cert):%Y-%m-%d}")
    click.echo(f"  SHA-256    {fingerprint(authority.cert)}")
    click.echo(
        f"certificate  {cert}, until {end_of(made.cert):%Y-%m-%d}, for {', '.join(hosts_of(made.cert))}"
    )
    click.echo(f'settings     [intake] cert = "{cert}"  key = "{key}"')
    click.echo("A service that runs reads it again on SIGHUP. Renew it 30 days before it ends.", err=True)


@broker.command("files")
@click.option(
    "--port", type=click.IntRange(1, 65535), help="The broker's port. Else 8883 with TLS, 1883 without."
)
@click.option(
    "--data",
    type=click.Path(path_type=Path),
    default=Path("/var/lib/mosquitto"),
    show_default=True,
    help="Where it keeps what waits.",
)
@click.option("--to", "there", type=click.Path(path_type=Path), help="Copy all it reads here, for its user.")
@click.pass_obj
def broker_files(settings: Settings, *, port: int | None, data: Path, there: Path | None) -> None:
    """Write mosquitto's configuration, passwords and access list, for who is enrolled."""
    from server.auth.broker_passwords import password_line
    from server.auth.passwords import draw_password
    from server.database import session_of
    from server.intake.broker_files import configuration
    from server.service.broker_folder import copied, folder_of, keep_users, place_in
    from server.service.private_files import write_private

    folder, collector = folder_of(settings), settings.broker.user
    secret = folder / "collector.password"
    if not secret.exists():
        write_private(secret, f"{draw_password()}\n")
    lines = {collector: password_line(collector, _text(secret).strip())}
    with opened(settings) as engine, session_of(engine) as session:
        missing = keep_users(session, folder, collector=collector, lines=lines)
    place = place_in(settings, port=port, data=data)
    place = place if there is None else copied(place, there)
    write_private((there or folder) / "mosquitto.conf", configuration(place))
    reach = "with TLS" if place.tls else "on this computer alone (hangtrue broker ca opens it to others)"
    click.echo(f"listens      port {place.port}, {reach}")
    click.echo(f"files        {there or folder}: mosquitto.conf, passwords, access")
    click.echo(f'settings     [intake] kind = "broker"  [intake.broker] password_file = "{secret}"')
    for user in missing:
        click.echo(f"no password  {user}: hangtrue node rotate {_ref(user)}, while the box is connected")
    owner = f"chown -R mosquitto {there} && " if there else ""
    click.echo(f"Let the broker read them: {owner}systemctl reload mosquitto", err=True)


def _authority(folder: Path, key_path: Path, hosts: list[str]) -> "Pair":
    """The site's authority, made on first use."""
    from server.auth.certificates import Pair, make_authority
    from server.clock import utc_now
    from server.errors import SettingsError
    from server.service.private_files import write_private

    path = folder / "ca.pem"
    if path.exists():
        return Pair(cert=_text(path), key=_text(key_path))
    if not hosts:
        needed = "--host: the name or address that the boxes connect to, such as collector.lan"
        raise SettingsError("make the site's authority", needed, "none")
    if key_path.exists():
        raise SettingsError(
            "make the site's authority", "a place for a new key", f"{key_path}, which is there"
        )
    made = make_authority(hosts, now=utc_now())
    write_private(key_path, made.key)
    write_private(path, made.cert, mode=0o644)
    return made


def _known_hosts(cert: Path) -> list[str]:
    from server.auth.certificates import hosts_of
    from server.errors import SettingsError

    if not cert.exists():
        raise SettingsError("make a certificate", "--host: the name or address of this server", "none")
    return hosts_of(_text(cert))


def _text(path: Path) -> str:
    from server.errors import SettingsError

    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        came = getattr(error, "strerror", None) or "bytes that are no text"
        raise SettingsError(f"read {path}", "a file that can be read", came) from None


def _ref(user: str) -> str:
    site, node, _ = user.rsplit(".", 2)
    return f"{site}/{node}"
