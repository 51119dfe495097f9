"""Topics of the wire: who may write and read which, and what a filter matches."""

from server.intake.values import Identity

ROOT = "hangtrue/v1/"
UP_LEAVES = ("readings", "status")
DOWN_LEAVES = ("config", "ack", "secret")


def own_topic(identity: Identity, leaf: str) -> str:
    """The topic of that leaf of a node's own."""
    return f"{ROOT}{identity.site}/{identity.node}/{leaf}"


def leaf_of(topic: str) -> str:
    """The last level of a topic."""
    return topic.rpartition("/")[2]


def written_by(identity: Identity) -> frozenset[str]:
    """The topics that a credential may publish to: a node its own two, anyone else none."""
    return _own(identity, UP_LEAVES)


def read_by(identity: Identity) -> frozenset[str]:
    """The topics of down-links that a credential may read: a node its own `config`, `ack` and `secret`."""
    return _own(identity, DOWN_LEAVES)


def may_read(identity: Identity, topic_filter: str) -> bool:
    """Whether a credential may subscribe to a filter. A watcher may to everything under `hangtrue/v1/`."""
    if identity.role == "watch":
        return topic_filter.startswith(ROOT)
    return topic_filter in read_by(identity)


def is_topic(topic: str) -> bool:
    """Whether a message may have this topic: not empty, no wildcard (3:4.7.3-1, 3:3.3.2-2)."""
    return bool(topic) and "+" not in topic and "#" not in topic


def is_filter(topic_filter: str) -> bool:
    """Whether it is well formed: `+` alone in its level, `#` alone in the last (3:4.7.1-2, 3:4.7.1-3)."""
    *levels, last = topic_filter.split("/")
    inner = all("#" not in level and ("+" not in level or level == "+") for level in levels)
    return bool(topic_filter) and inner and (last in ("#", "+") or ("#" not in last and "+" not in last))


def is_shared(topic_filter: str) -> bool:
    """Whether it asks for a shared subscription (5:4.8.2)."""
    return topic_filter.startswith("$share/")


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic falls under a filter that is well formed (3:4.7)."""
    wanted, levels = topic_filter.split("/"), topic.split("/")
    if levels[0].startswith("$") and wanted[0] in ("+", "#"):
        return False  # 3:4.7.2-1
    if wanted[-1] == "#":
        wanted.pop()
        levels = levels[: len(wanted)]
    return len(wanted) == len(levels) and all(a in ("+", b) for a, b in zip(wanted, levels, strict=True))


def _own(identity: Identity, leaves: tuple[str, ...]) -> frozenset[str]:
    if identity.role != "node" or not identity.site or not identity.node:
        return frozenset()
    return frozenset(own_topic(identity, leaf) for leaf in leaves)
