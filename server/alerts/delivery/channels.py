"""Channels of the settings, opened: secrets read from files that only we can read, or from `HANGTRUE_*`."""

import base64
import binascii
import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from server.alerts.delivery.mail import Mail, MailServer
from server.alerts.delivery.push import Push
from server.alerts.delivery.settings import ChannelSettings, web_address
from server.alerts.delivery.values import Channel, Secret
from server.alerts.delivery.webhook import PREFIX, Target, Webhook
from server.clock import Clock
from server.errors import SettingsError

LEAST_SECRET_BYTES = 24  # Standard Webhooks 1.0.0: between 24 and 64 bytes
LONGEST_FILE = 8192


@dataclass(frozen=True, slots=True, kw_only=True)
class _Safe:
    """Where a channel's secrets come from: its files, and the environment over them."""

    settings: ChannelSettings
    environment: Mapping[str, str]

    def find(self, key: str) -> Secret | None:
        """The secret of a key such as `password`. Raises SettingsError for a file others can read."""
        name = f"HANGTRUE_DELIVERY_{self.settings.name}_{key}".upper().replace("-", "_")
        if given := self.environment.get(name):
            return Secret(given.strip())
        path = self.settings.files.get(f"{key}_file")
        return None if path is None else read_secret(path, asked=f"open channel {self.settings.name}")

    def need(self, key: str) -> Secret:
        """The same. Raises SettingsError also where there is none."""
        found = self.find(key)
        if found is None or not found.reveal():
            needed = f"{key}_file, a file with its {key}"
            raise SettingsError(f"open channel {self.settings.name}", needed, "none")
        return found


def open_channels(
    settings: Sequence[ChannelSettings],
    *,
    clock: Clock,
    site: str,
    environment: Mapping[str, str] = os.environ,
) -> dict[str, Channel]:
    """Every channel by its name, ready to send. `site` names this yard in what is sent.

    Raises SettingsError for a secret that is not there or that others can read, and for an address that
    cannot be used; never with the secret in it.
    """
    opened: dict[str, Channel] = {}
    for one in settings:
        safe = _Safe(settings=one, environment=environment)
        if one.kind == "mail":
            opened[one.name] = Mail(_mail_server(one, safe, site), clock=clock)
        elif one.kind == "webhook":
            opened[one.name] = Webhook(_target(one, safe, site), clock=clock)
        else:
            opened[one.name] = Push(one.name, safe.need("url"), allow=one.allow)
    return opened


def read_secret(path: Path, *, asked: str) -> Secret:
    """The text of a file that its owner alone can read. Raises SettingsError for another."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode) or found.st_mode & 0o077:
            raise SettingsError(
                asked, f"{path} for its owner alone (chmod 600)", f"mode {found.st_mode & 0o777:o}"
            )
        text = path.read_bytes()[:LONGEST_FILE].decode("utf-8").strip()
    except OSError as error:
        raise SettingsError(asked, f"{path}, a file that can be read", error.strerror or "an error") from None
    except UnicodeDecodeError:
        raise SettingsError(asked, f"{path} in UTF-8", "other bytes") from None
    return Secret(text)


def _mail_server(one: ChannelSettings, safe: _Safe, site: str) -> MailServer:
    return MailServer(
        host=one.host,
        port=one.port,
        security=one.security,
        sender=one.sender,
        site=site,
        user=one.user,
        password=None if one.user is None else safe.need("password"),
    )


def _target(one: ChannelSettings, safe: _Safe, site: str) -> Target:
    url = one.url or web_address(safe.need("url").reveal())
    asked = f"open channel {one.name}"
    if url is None:
        raise SettingsError(asked, "a url such as https://example.org/notices", "another text")
    secrets = [safe.need("secret"), safe.find("secret_before")]
    for secret in secrets:
        if secret is not None and _length(secret) < LEAST_SECRET_BYTES:
            raise SettingsError(asked, f"a secret of {LEAST_SECRET_BYTES} bytes or more in base64", "another")
    networks = tuple(one for one in one.allow if not isinstance(one, str))
    return Target(url=url, secrets=tuple(one for one in secrets if one), source=site, allow=networks)


def _length(secret: Secret) -> int:
    try:
        return len(base64.b64decode(secret.reveal().removeprefix(PREFIX), validate=True))
    except (binascii.Error, ValueError):
        return 0
