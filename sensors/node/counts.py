"""What a spool holds, in figures."""

from dataclasses import dataclass

from sensors.config import NodeError, NodeFile
from sensors.spool import Ranges, Spool, SpoolError


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Figures of a spool: instants stored, held back by the collector, waiting, lost; size of the file."""

    journal: str
    head: int
    tail: int
    stored: int
    held: int
    waiting: int
    lost: int
    kib: int
    is_sound: bool


def counts_of(node: NodeFile) -> Counts:
    """The counts of a node's spool. Raises NodeError when there is none or it can't be read."""
    path = node.state_dir / "spool.db"
    if not path.exists():
        raise NodeError("count the spool", f"a spool in {node.state_dir}", "none: this node has not run yet")
    try:
        with Spool(path) as spool:
            return Counts(
                journal=spool.journal,
                head=spool.head,
                tail=spool.tail,
                stored=_size(spool.view.stored),
                held=_size(list(spool.view.held)),
                waiting=_size(spool.waiting()),
                lost=spool.lost,
                kib=path.stat().st_size // 1024,
                is_sound=spool.is_sound(),
            )
    except SpoolError as error:
        raise NodeError("count the spool", "a spool that can be read", str(error), status=3) from None


def _size(runs: Ranges) -> int:
    return sum(last - first + 1 for first, last in runs)
