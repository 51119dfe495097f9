"""A group of nothing but ordinary packs, read and stored as columns; in any other each is read by itself."""

import logging
from collections.abc import Mapping, Sequence
from itertools import chain, repeat
from typing import NamedTuple

from sqlalchemy import Connection

from sensors.message.columns import Columns, columns_of
from server.intake.enrolled import EnrolledNode
from server.intake.storing import JournalIds, SomeStoredError, insert_all_new
from server.intake.thinned import OLD_MS
from server.intake.values import Offer
from server.readings import journals
from server.readings.thinning import thinned_before_ms
from server.readings.write import CLOCKS, DAY_MS, Batch, Row, mark_dirty

log = logging.getLogger("hangtrue.intake")
FEWEST = 4  # packs a node, on average, below which a sheet for each costs more than it saves
_DRIFT = "drift"  # its days are found with the corrections that are known


class Sheet(NamedTuple):
    """The packs of one node in a group. latest_ms: when the last of them arrived."""

    node: EnrolledNode
    latest_ms: int
    columns: Columns

    @property
    def readings(self) -> int:
        """How many readings these are."""
        return len(self.columns.channels) * len(self.columns.ms)

    @property
    def journal(self) -> journals.JournalKey:
        """The journal that they are of."""
        return self.node.id, self.columns.journal


def sheets_of(offers: Sequence[Offer], nodes: Mapping[str, EnrolledNode]) -> list[Sheet] | None:
    """A sheet for each node, `nodes` by topic.

    None where one offer is anything but an ordinary pack, or too few of them are of one node.
    """
    by_topic: dict[str, list[Offer]] = {}
    for offer in offers:
        by_topic.setdefault(offer.topic, []).append(offer)
    if len(offers) < FEWEST * len(by_topic):
        return None
    sheets = []
    for topic, some in by_topic.items():
        sheet = _sheet(some, nodes.get(topic))
        if sheet is None:
            return None
        sheets.append(sheet)
    return sorted(sheets, key=lambda sheet: sheet.journal)


def store_sheets(connection: Connection, sheets: Sequence[Sheet], ids: JournalIds) -> None:
    """Store them at once.

    Raises SomeStoredError where not all of it is new: then the transaction must be rolled back.
    """
    if _is_thinned(connection, sheets):
        raise SomeStoredError
    readings = [*chain.from_iterable(map(_readings, sheets))]
    instants = [*chain.from_iterable(_instants(one, ids[one.journal]) for one in sheets)]
    insert_all_new(connection, Batch(readings=readings, instants=instants))
    journals.hold(connection, ids.values())
    journals.merge_spans(connection, {ids[one.journal]: one.columns.seqs for one in sheets})
    days = {(channel, day) for one in sheets for day in _days(one) for channel in _keys(one)}
    mark_dirty(connection, days, touched_ms=max([one.latest_ms for one in sheets]))


def _sheet(offers: Sequence[Offer], node: EnrolledNode | None) -> Sheet | None:
    topics, payloads, arrivals_ms, _, retains, _ = zip(*offers, strict=True)
    if node is None or any(retains) or topics[0].endswith("/status"):
        return None
    try:
        columns = columns_of(payloads, min(arrivals_ms), node.table)
    except Exception:  # the loop that must live on: whose trouble it is shows pack by pack
        log.exception("a group on %r could not be read as a whole; it is read pack by pack", topics[0][:80])
        return None
    if columns is None or columns.clock == _DRIFT:
        return None
    return Sheet(node, max(arrivals_ms), columns)


def _is_thinned(connection: Connection, sheets: Sequence[Sheet]) -> bool:
    """Whether readings among them may lie in days that were thinned."""
    first_ms = min([min(one.columns.ms) for one in sheets])
    if first_ms >= max([one.latest_ms for one in sheets]) - OLD_MS:
        return False
    before_ms = thinned_before_ms(connection)
    return before_ms is not None and first_ms < before_ms


def _readings(sheet: Sheet) -> chain[Row]:
    """By channel: in the order of the key, in which SQLite takes them in half the time."""
    columns = sheet.columns
    by_channel = sorted(zip(_keys(sheet), columns.values, strict=True))
    return chain.from_iterable(zip(repeat(channel), columns.ms, values) for channel, values in by_channel)


def _keys(sheet: Sheet) -> tuple[int, ...]:
    return sheet.columns.channels  # type: ignore[return-value]  # the keys of our own store are whole numbers


def _instants(sheet: Sheet, journal_id: int) -> list[tuple[int, int, int, int]]:
    columns = sheet.columns
    clock = CLOCKS.index(columns.clock)
    return [*zip(repeat(journal_id), columns.seqs, columns.ms, repeat(clock))]


def _days(sheet: Sheet) -> set[int]:
    return {ms // DAY_MS for ms in sheet.columns.ms}
