"""The part of the check that needs the store, and what a pack adds to it."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection

from sensors.message.check import ChannelId, Pack, check_stored
from server.readings.write import CLOCKS, Batch, stored_instants, stored_stamps, stored_values


@dataclass(slots=True)
class StoredWorld:
    """What the store holds of one pack, read in two queries: its instants, then its reading keys."""

    instants: dict[int, tuple[int, str]]
    values: dict[tuple[int, int], float] = field(default_factory=dict)

    def stored_value(self, channel_id: ChannelId, ms: int) -> float | None:
        """The value stored under this reading key."""
        return self.values.get((int(channel_id), ms))

    def instant(self, site: str, node: str, journal: str, seq: int) -> tuple[int, str] | None:
        """The stored stamp and clock of this instant."""
        return self.instants.get(seq)

    def channels(self, site: str, node: str) -> None:
        """Nobody: who is enrolled was asked before."""


@dataclass(frozen=True, slots=True)
class Fresh:
    """A pack under its stored stamps, and what of it is not stored yet."""

    pack: Pack
    batch: Batch


def compare(connection: Connection, pack: Pack, journal_id: int | None) -> Fresh:
    """What this pack adds to the store. Raises MessageError where the store has it otherwise."""
    world = StoredWorld(instants={})
    if journal_id is not None:
        world.instants = stored_instants(connection, journal_id, pack.instants[0][0], pack.instants[-1][0])
    world.values = stored_values(connection, _keys(pack, world))
    pack = check_stored(pack, world)
    readings = [(int(channel), ms, value) for channel, ms, value in pack.readings]
    new = [row for row in readings if row[:2] not in world.values]
    instants = [row for row in instant_rows(pack, journal_id) if row[1] not in world.instants]
    return Fresh(pack, Batch(readings=new, instants=instants))


def known(connection: Connection, packs: Sequence[tuple[Pack, int | None]]) -> list[bool]:
    """Of each pack with its journal's id, whether the store holds it already, whole and as it came."""
    instants = [
        {(journal_id, seq): ms for seq, ms in pack.instants} if journal_id else {}
        for pack, journal_id in packs
    ]
    readings = [{(int(channel), ms): value for channel, ms, value in pack.readings} for pack, _ in packs]
    stamps = stored_stamps(connection, (key for one in instants for key in one))
    values = stored_values(connection, (key for one in readings for key in one))
    return [
        its_instants.items() <= stamps.items() and its_readings.items() <= values.items()
        for its_instants, its_readings in zip(instants, readings, strict=True)
    ]


def instant_rows(pack: Pack, journal_id: int | None) -> Sequence[tuple[int, int, int, int]]:
    """The rows (journal id, seq, ms, clock) of a pack's instants; none for an untracked one."""
    if journal_id is None:
        return []
    clock = CLOCKS.index(pack.clock)
    return [(journal_id, seq, ms, clock) for seq, ms in pack.instants]


def _keys(pack: Pack, world: StoredWorld) -> set[tuple[int, int]]:
    """The reading keys as sent, and those under the stamps that its instants are stored under."""
    keys = {(int(channel), ms) for channel, ms, _ in pack.readings}
    ends = [*pack.firsts[1:], len(pack.readings)]
    for (seq, sent_ms), begin, end in zip(pack.instants, pack.firsts, ends, strict=True):
        ms = world.instants.get(seq, (sent_ms, ""))[0]
        if ms != sent_ms:
            keys |= {(int(channel), ms) for channel, _, _ in pack.readings[begin:end]}
    return keys
