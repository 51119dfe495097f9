"""A change of password as the collector tells it: the payload of `secret`."""

import json
import re
from dataclasses import dataclass
from typing import Any

from sensors.message import structure
from sensors.message.errors import MessageError

OVERLAP_MS = 604_800_000  # seven days in which both passwords hold
_KEY = re.compile(r"[0-9A-HJKMNP-TV-Z]{16}")  # no I L O U
_LEAST = {"gen": 1, "from": 0, "until": 0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Secret:
    """A node's next password, its generation, and from when until when the one before it holds too.

    `is_leak`: the one before leaked, and ends at `until_ms` whether or not the node has changed.
    """

    generation: int
    key: str
    from_ms: int
    until_ms: int
    is_leak: bool = False


def write_secret(secret: Secret) -> bytes:
    """The payload of `secret`."""
    root: dict[str, object] = {
        "gen": secret.generation,
        "key": secret.key,
        "from": secret.from_ms,
        "until": secret.until_ms,
    }
    if secret.is_leak:
        root["leak"] = True
    return json.dumps(root, separators=(",", ":")).encode()


def read_secret(payload: bytes) -> Secret | None:
    """The secret in the payload; None if it is not one, as when it was cleared."""
    try:
        root: Any = structure.read_json(payload)
    except MessageError:
        return None
    if not isinstance(root, dict) or not all(_is_whole(root.get(one), low) for one, low in _LEAST.items()):
        return None
    key = root.get("key")
    if not isinstance(key, str) or _KEY.fullmatch(key) is None:
        return None
    return Secret(
        generation=root["gen"],
        key=key,
        from_ms=root["from"],
        until_ms=root["until"],
        is_leak=root.get("leak") is True,
    )


def _is_whole(value: Any, low: int) -> bool:
    return type(value) is int and low <= value <= structure.MAX_SEQ
