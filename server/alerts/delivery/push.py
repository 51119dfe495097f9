"""Other services, by the library `apprise`: one address a channel, of a few kinds, kept silent.

It says whether a message passed, not why; a message can be shown twice. It is imported at first use alone.
"""

import logging
import threading
from collections.abc import Sequence
from typing import Any
from urllib.parse import urlsplit

from server.alerts.delivery.guard import Network, is_named
from server.alerts.delivery.values import Answer, Failed, Notice, Secret, Sent, Word
from server.errors import SettingsError

SCHEMES = ("ntfys", "matrixs", "gotifys", "tgram", "slack", "discord", "pover")
# Their address names a server, which the library looks up by itself: no guard of ours stands before it.
WITH_HOST = frozenset({"ntfys", "matrixs", "gotifys"})
SILENT = ("apprise", "urllib3", "requests")
WHOLE_S = 60.0
TIMED_OUT = 5


class Push:
    """A channel to one service."""

    def __init__(
        self,
        name: str,
        url: Secret,
        *,
        allow: Sequence[Network | str] = (),
        schemes: Sequence[str] = SCHEMES,
        whole_s: float = WHOLE_S,
    ) -> None:
        """Raises SettingsError for an address that cannot be used; it never holds the address."""
        scheme = checked_scheme(name, url, schemes)
        keep_silent()
        self._service, self._apprise = _opened(name, url, whole_s)
        self._one_try, self._whole_s = threading.Lock(), whole_s  # its objects keep what they signed in with
        host, is_elsewhere = urlsplit(url.reveal()).hostname or "", scheme in WITH_HOST
        if is_elsewhere and getattr(self._service, "mode", "") != "cloud" and not _is_allowed(host, allow):
            raise SettingsError(
                f"open channel {name}", "its server named in delivery.allow", "one that is not"
            )

    def send(self, notice: Notice) -> Answer:
        """Hand it over once. The library gives no reason: what did not pass is tried again."""
        if not self._one_try.acquire(timeout=self._whole_s):
            return Failed("too slow")
        try:
            result = self._apprise.notify(
                title=notice.subject, body=notice.body, body_format="text", timeout=0
            )
        finally:
            self._one_try.release()
        if result:
            return Sent()
        word: Word = "too slow" if int(result.status) == TIMED_OUT else "no answer"
        return Failed(word)


def checked_scheme(name: str, url: Secret, schemes: Sequence[str]) -> str:
    """The scheme of an address. Raises SettingsError for one not allowed, or for more than one address."""
    text = url.reveal()
    asked = f"open channel {name}"
    if not text or "," in text or any(one.isspace() for one in text):
        raise SettingsError(asked, "one address without commas and blanks", "another text")
    scheme = text.partition("://")[0].lower()
    if scheme not in schemes:
        raise SettingsError(asked, f"an address of {', '.join(schemes)}", "another kind of address")
    return scheme


def keep_silent() -> None:
    """Below WARNING these write tokens and passwords; above it, into no log of ours."""
    for name in SILENT:
        logger = logging.getLogger(name)
        logger.setLevel(logging.WARNING)
        logger.propagate = False
        if not logger.handlers:
            logger.addHandler(logging.NullHandler())


def _opened(name: str, url: Secret, whole_s: float) -> tuple[Any, Any]:
    import apprise

    asset = apprise.AppriseAsset(
        storage_mode=apprise.PersistentStoreMode.MEMORY,
        plugin_paths=[],
        service_timeout=whole_s,
        http_redirects=False,
        image_url_mask=None,
        image_url_logo=None,
        app_id="hangtrue",
        app_desc="hangtrue",
        app_url="",
    )
    try:
        service = apprise.Apprise.instantiate(url.reveal(), asset=asset, suppress_exceptions=False)
    except (TypeError, ValueError):
        service = None
    if service is None:
        # the error may hold the address, and the address the password
        raise SettingsError(f"open channel {name}", "an address that apprise can use", "another") from None
    sender = apprise.Apprise(asset=asset)
    sender.add(service)
    return service, sender


def _is_allowed(host: str, allow: Sequence[Network | str]) -> bool:
    names = {one.lower() for one in allow if isinstance(one, str)}
    return host.lower() in names or is_named(host, [one for one in allow if not isinstance(one, str)])
