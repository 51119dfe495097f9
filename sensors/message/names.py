"""The names of the wire: sites, nodes, channels, topics and the client of a node."""

import hashlib
import re

ROOT = "hangtrue/v1"
LEAVES = ("readings", "status", "config", "ack", "secret")
MAX_NAME = 128  # characters the collector takes in a full name
MAX_NODE_NAME = 64  # characters a node uses for a channel's own part

_SLUG = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,22}[a-z0-9])?")
_WIRE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]{0,127}")
_JOURNAL = re.compile(r"[0-9a-f]{8}")


def is_slug(text: str) -> bool:
    """Whether this can name a site or a node: 1 to 24 of a-z 0-9 and -, neither first nor last a -."""
    return _SLUG.fullmatch(text) is not None


def is_wire_name(text: str) -> bool:
    """Whether this can be the full name of a channel. Source: RFC 8428 section 4.5.1; 128 is ours."""
    return _WIRE_NAME.fullmatch(text) is not None


def is_journal(text: str) -> bool:
    """Whether this is a journal id: 8 lower-case hexadecimal digits."""
    return _JOURNAL.fullmatch(text) is not None


def base_name(site: str, node: str) -> str:
    """What stands before each channel of a node."""
    return f"{site}/{node}/"


def topic(site: str, node: str, leaf: str) -> str:
    """The topic of one leaf of a node; leaf is one of LEAVES."""
    return f"{ROOT}/{site}/{node}/{leaf}"


def split_topic(text: str) -> tuple[str, str, str] | None:
    """Site, node and leaf of a topic of ours; None for any other."""
    parts = text.split("/")
    if len(parts) != 5 or "/".join(parts[:2]) != ROOT:
        return None
    site, node, leaf = parts[2:]
    return (site, node, leaf) if is_slug(site) and is_slug(node) and leaf in LEAVES else None


def client_id(site: str, node: str) -> str:
    """The MQTT client of a node: 22 characters that every server must take.

    Source: MQTT 3.1.1, MQTT-3.1.3-5: 1 to 23 of 0-9 a-z A-Z.
    """
    return "ht" + hashlib.sha256(f"{site}/{node}".encode()).hexdigest()[:20]
