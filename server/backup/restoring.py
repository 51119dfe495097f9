"""Restoring: a back-up proven, the present database put aside, the copy placed and read once more."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine

from server.backup.contents import contents_of, unlike_readings
from server.backup.making import check
from server.backup.manifest import Manifest
from server.backup.postgres_dump import restore_dump, schema_of
from server.backup.refusals import NotRestoredError
from server.database import open_engine
from server.schema import upgrade

ASKED = "restore the database"


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What was restored, and where that which stood before was put; None where nothing stood."""

    manifest: Manifest
    aside: str | None


def restore(database_url: str, folder: Path, *, now: datetime) -> Restored:
    """Put a back-up in the place of the database; what stood there is put aside and never deleted.

    The caller holds the service's lock. Raises BackupError for a back-up that is not whole, and
    NotRestoredError where it does not fit; both before anything is touched.
    """
    manifest, path = check(folder, asked=ASKED)
    engine = open_engine(database_url)
    try:
        if engine.dialect.name != manifest.kind:
            needed = f"a database of the kind that was backed up, {manifest.kind}"
            raise NotRestoredError(ASKED, needed, engine.dialect.name)
        stamp = now.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
        if manifest.kind == "sqlite":
            aside = _place_file(Path(engine.url.database or ""), path, stamp)
        else:
            # a name of PostgreSQL has 63 letters at most, and would be cut in silence
            aside = f"{schema_of(engine)[:39]}_before_{stamp.lower()}"
            engine.dispose()
            restore_dump(engine, path, schema=manifest.schema, aside=aside)
            engine.dispose()
        upgrade(database_url)
        _check_again(engine, manifest, aside)
    finally:
        engine.dispose()
    return Restored(manifest=manifest, aside=aside)


def _check_again(engine: Engine, manifest: Manifest, aside: str | None) -> None:
    with engine.connect() as connection:
        found = contents_of(connection)
    if said := unlike_readings(manifest.contents.readings, found.readings):
        came = f"{'; '.join(said)[:160]}; what stood before is {aside or 'not there'}"
        raise NotRestoredError(ASKED, "the readings of the back-up", came)


def _place_file(target: Path, source: Path, stamp: str) -> str | None:
    """Put the file of a back-up in the place of a database; the name of what stood there."""
    part = target.with_name(f".{target.name}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        shutil.copyfile(source, part)
        part.chmod(0o600)
        aside = _put_aside(target, target.with_name(f"{target.stem}-before-{stamp}{target.suffix}"))
        part.rename(target)
    except OSError as error:
        raise NotRestoredError(ASKED, f"{target.parent} to be written", error.strerror or "") from None
    finally:
        part.unlink(missing_ok=True)
    return aside


def _put_aside(target: Path, aside: Path) -> str | None:
    if not target.exists():
        return None
    if aside.exists():
        raise NotRestoredError(ASKED, "a name for the present database", f"{aside.name}, which is there")
    try:
        with closing(sqlite3.connect(target, timeout=1.0)) as present:
            # the log goes into the file; one that is in use by a program cannot be emptied
            busy = present.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
    except sqlite3.DatabaseError:
        busy = 0  # a broken file is put aside as it is, with its log
    if busy:
        raise NotRestoredError(ASKED, "a database that no program has open", f"{target.name} in use")
    for ending in ("", "-wal", "-shm"):
        if (part := target.with_name(target.name + ending)).exists():
            part.rename(aside.with_name(aside.name + ending))
    return str(aside)
