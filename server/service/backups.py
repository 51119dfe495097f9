"""Back-ups that the service makes by itself: each night, and before tables change."""

import logging
import subprocess
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from server import schema
from server.backup.making import Beside, back_up
from server.backup.retention import back_ups
from server.clock import Clock
from server.config import Settings
from server.service import children

log = logging.getLogger("hangtrue.service")
NIGHT_HOUR = 2  # the hour from which a night's back-up is due


def beside(settings: Settings) -> Beside:
    """What goes beside a back-up of this service."""
    return Beside(config=settings.source, certificate=settings.state_dir / "ca" / "ca.pem")


def before_upgrade(engine: Engine, settings: Settings, *, clock: Clock) -> None:
    """Back up a database whose tables the coming upgrade will change, where a folder for back-ups is set.

    Raises BackupError: what cannot be kept is not changed.
    """
    if settings.backup_folder is None or not schema.is_older(engine):
        return
    place, _ = back_up(engine, settings.backup_folder, now=clock(), beside=beside(settings))
    log.info("the tables will change; what they hold is kept in %s", place)


def is_due(newest: datetime | None, now: datetime, zone: tzinfo | None) -> bool:
    """Whether no back-up was made since the last night began, by the clock of `zone` (None: ours).

    A computer that is off at night makes its back-up when it is on again.
    """
    here = now.astimezone(zone)
    begun = here.replace(hour=NIGHT_HOUR, minute=0, second=0, microsecond=0)
    if begun > here:
        begun -= timedelta(days=1)
    return newest is None or newest < begun.astimezone(UTC)


class BackUps:
    """Makes each night's back-up as a process of its own, for reading it back takes a core for a while."""

    def __init__(self, settings: Settings, *, clock: Clock) -> None:
        self._settings, self._clock = settings, clock
        self._zone = ZoneInfo(settings.zone) if settings.zone else None
        self._child: subprocess.Popen[bytes] | None = None

    def make_if_due(self) -> subprocess.Popen[bytes] | None:
        """Start tonight's back-up unless it is made, or being made; what it complains of goes to our log."""
        folder = self._settings.backup_folder
        if folder is None or (self._child is not None and self._child.poll() is None):
            return None
        if not is_due(max(back_ups(folder), default=None), self._clock(), self._zone):
            return None
        source = self._settings.source
        named = ["--config", str(source)] if source else []
        self._child = children.start(
            ["hangtrue", *named, "db", "backup", str(folder)],
            environment=children.environment_of(self._settings),
            quiet=True,
        )
        return self._child

    def end(self) -> None:
        """End one that is being made; it leaves nothing, and is made when the service runs again."""
        if self._child is not None:
            children.end(self._child, wait_s=5.0)
