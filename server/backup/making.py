"""Making a back-up: a snapshot of a database in use, called a back-up only once it was read back whole."""

import os
import shutil
import tempfile
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from sqlalchemy import Engine

from server.backup import manifest as manifests
from server.backup.contents import Contents, unlike
from server.backup.manifest import CERTIFICATE, CONFIG, Manifest
from server.backup.postgres_dump import dump, read_dump, schema_of
from server.backup.refusals import BackupError
from server.backup.retention import name_of
from server.backup.sqlite_file import check_file, path_of, snapshot

ASKED = "back up the database"
PART = ".part-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What goes beside the database: settings and the site's certificate. Never a private key."""

    config: Path | None = None
    certificate: Path | None = None


def back_up(
    engine: Engine, folder: Path, *, now: datetime, beside: Beside = Beside()
) -> tuple[Path, Manifest]:
    """Make a back-up in a folder of its own under `folder`; give that folder and its manifest.

    Writers go on meanwhile. Raises BackupError, and leaves nothing, when it cannot be made or read back.
    """
    place = folder / name_of(now)
    if place.exists():
        raise BackupError(ASKED, "a second without a back-up yet", str(place))
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        part = Path(tempfile.mkdtemp(prefix=PART, dir=folder))
    except OSError as error:
        raise BackupError(ASKED, f"a folder {folder} that can be written", error.strerror or "") from None
    try:
        made = _filled(engine, part, now, beside)
        _sync(part)
        part.rename(place)
        _sync(folder)
    except OSError as error:
        raise BackupError(ASKED, f"a folder {folder} that can be written", error.strerror or "") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return place, made


def check(folder: Path, *, asked: str) -> tuple[Manifest, Path]:
    """A back-up's manifest and file, once the file was seen to hold what the manifest says.

    Raises BackupError.
    """
    manifest = manifests.read(folder, asked=asked)
    path = manifests.check_bytes(folder, manifest, asked=asked)
    found = check_file(path, asked=asked) if manifest.kind == "sqlite" else read_dump(path, asked=asked)
    if said := unlike(manifest.contents, found):
        raise BackupError(asked, "a file that holds what its manifest says", "; ".join(said)[:200])
    return manifest, path


def _filled(engine: Engine, part: Path, now: datetime, beside: Beside) -> Manifest:
    kind, schema = engine.dialect.name, ""
    path = part / manifests.FILES[kind]
    if kind == "sqlite":
        snapshot(path_of(engine), path)
        contents = check_file(path, asked=ASKED)
    else:
        schema, contents = schema_of(engine), _dumped(engine, path)
    for source, name in ((beside.config, CONFIG), (beside.certificate, CERTIFICATE)):
        if source is not None and source.is_file():
            _copy(source, part / name)
    made = Manifest(
        made=now,
        version=version("hangtrue"),
        kind=kind,
        schema=schema,
        sha256=manifests.sha256_of(path),
        contents=contents,
    )
    _sync(path)
    _write(part / manifests.NAME, manifests.write(made))
    return made


def _dumped(engine: Engine, path: Path) -> Contents:
    wanted = dump(engine, path)
    found = read_dump(path, asked=ASKED)
    if said := unlike(wanted, found):
        raise BackupError(ASKED, "a dump that holds what the database held", "; ".join(said)[:200])
    return wanted


def _copy(source: Path, target: Path) -> None:
    shutil.copyfile(source, target)
    target.chmod(0o600)
    _sync(target)


def _write(path: Path, text: str) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
