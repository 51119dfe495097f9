"""The manifest of a back-up: what its file must hold. Written last, and read before anything is believed."""

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from server.backup.contents import Contents
from server.backup.refusals import BackupError

FORM = 1
NAME, CONFIG, CERTIFICATE = "manifest.json", "hangtrue.toml", "ca.pem"
FILES = {"sqlite": "hangtrue.db", "postgresql": "hangtrue.dump"}
OURS = {NAME, CONFIG, CERTIFICATE, *FILES.values()}
LARGEST_BYTES = 64 * 2**20  # of a manifest; a thousand channels over thirty years make 25 MiB
HASH, MONTH = re.compile(r"[0-9a-f]{64}"), re.compile(r"\d{4}-\d{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """`kind` is `sqlite` or `postgresql`; `schema` is PostgreSQL's, else empty. `sha256` of the file."""

    made: datetime
    version: str
    kind: str
    schema: str
    sha256: str
    contents: Contents

    @property
    def file(self) -> str:
        """The name of the file beside the manifest."""
        return FILES[self.kind]


def write(manifest: Manifest) -> str:
    """The manifest as JSON."""
    contents = manifest.contents
    return json.dumps(
        {
            "form": FORM,
            "made": manifest.made.astimezone(UTC).isoformat(timespec="seconds"),
            "version": manifest.version,
            "kind": manifest.kind,
            "schema": manifest.schema,
            "file": manifest.file,
            "sha256": manifest.sha256,
            "revision": contents.revision,
            "rows": contents.rows,
            "readings": {str(channel): months for channel, months in contents.readings.items()},
        },
        indent=1,
    )


def read(folder: Path, *, asked: str) -> Manifest:
    """The manifest of a back-up's folder. Raises BackupError for a folder that is none."""
    path = folder / NAME
    try:
        if not path.is_file() or path.is_symlink() or path.stat().st_size > LARGEST_BYTES:
            raise BackupError(asked, f"the folder of a back-up, with its {NAME}", f"{str(folder)!r:.80}")
        root = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise BackupError(asked, f"a {NAME} that can be read", str(error)[:120]) from None
    if not _is_form(root):
        raise BackupError(asked, f"a {NAME} of form {FORM}", "another form")
    readings = {int(channel): dict(months) for channel, months in root["readings"].items()}
    return Manifest(
        made=datetime.fromisoformat(root["made"]),
        version=root["version"],
        kind=root["kind"],
        schema=root["schema"],
        sha256=root["sha256"],
        contents=Contents(revision=root["revision"], rows=dict(root["rows"]), readings=readings),
    )


def check_bytes(folder: Path, manifest: Manifest, *, asked: str) -> Path:
    """The file of a back-up, whose bytes are those that its manifest names. Raises BackupError."""
    path = folder / manifest.file
    if not path.is_file() or path.is_symlink():
        raise BackupError(asked, f"the file {manifest.file} beside its manifest", "none")
    if sha256_of(path) != manifest.sha256:
        raise BackupError(asked, f"{manifest.file} as it was made", "other bytes")
    return path


def sha256_of(path: Path) -> str:
    """The hash of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _is_form(root: Any) -> bool:
    if not isinstance(root, dict) or root.get("form") != FORM or root.get("kind") not in FILES:
        return False
    texts = all(isinstance(root.get(key), str) for key in ("made", "version", "schema", "sha256", "revision"))
    return (
        texts
        and _is_moment(root["made"])
        and _are_rows(root.get("rows"))
        and _are_hashes(root.get("readings"))
    )


def _is_moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def _are_rows(came: Any) -> bool:
    return isinstance(came, Mapping) and all(type(count) is int for count in came.values())


def _are_hashes(came: Any) -> bool:
    return isinstance(came, Mapping) and all(
        channel.isascii()
        and channel.isdigit()
        and isinstance(months, Mapping)
        and all(MONTH.fullmatch(month) and HASH.fullmatch(str(one)) for month, one in months.items())
        for channel, months in came.items()
    )
