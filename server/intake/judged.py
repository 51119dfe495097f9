"""What an offer is before the store is asked: a sound pack, a refusal, or word of a node's state."""

import json
import logging
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import NamedTuple

from sqlalchemy.exc import DBAPIError

from sensors.message.check import Pack, check_pack
from sensors.message.errors import MessageError
from sensors.message.fast import fast
from sensors.message.names import split_topic
from sensors.message.statement import LAST_WILL, Status, read_status
from server.intake.enrolled import EnrolledNode, Enrolment
from server.intake.values import Offer
from server.readings.quarantine import Refused

log = logging.getLogger("hangtrue.intake")
INTERNAL = "internal"
STRANGERS = {"unknown-node", "unknown-channel"}


class Sound(NamedTuple):
    """A pack that may be stored, as far as can be said without the store."""

    offer: Offer
    node: EnrolledNode
    pack: Pack


class Told(NamedTuple):
    """A node's state. status None: it is gone. node None or `is_form` false: to be counted and left."""

    offer: Offer
    node: EnrolledNode | None
    status: Status | None
    is_form: bool


class Unsound(NamedTuple):
    """A refused pack."""

    offer: Offer
    refused: Refused


Judged = Sound | Told | Unsound


class Judge:
    """Checks offers against who is enrolled. `fast_misses` counts what the full check had to decide."""

    def __init__(self, enrolment: Enrolment) -> None:
        self._enrolment = enrolment
        self._warned: dict[str, str] = {}
        self.fast_misses = 0

    def judge(self, offer: Offer) -> Judged:
        """What this offer is; a fault of our own puts the pack aside as `internal`.

        Raises DBAPIError when a stranger could not be looked up.
        """
        try:
            return self._judge(offer)
        except DBAPIError:
            raise
        except Exception:  # the loop that must live on: one pack's trouble is its own
            log.exception("a pack on %r could not be checked; it is kept in quarantine", offer.topic[:80])
            return Unsound(offer, refused(offer, self._enrolment, INTERNAL))

    def _judge(self, offer: Offer) -> Judged:
        topic, payload, arrival_ms, _, retain, _ = offer
        if topic.endswith("/status") and split_topic(topic):
            return self._status(offer)
        if retain:
            self._warn_retained(offer)
        node = self._enrolment.by_topic.get(topic)
        if node is not None:
            pack = fast(node.site, node.node, payload, arrival_ms, node.table)
            if pack is not None:
                return Sound(offer, node, pack)
        self.fast_misses += 1
        return self._full(offer)

    def _full(self, offer: Offer) -> Judged:
        try:
            try:
                pack = check_pack(offer.topic, offer.payload, offer.arrival_ms, self._enrolment)
            except MessageError as stranger:
                if stranger.code not in STRANGERS or not self._enrolment.look_again():
                    raise
                pack = check_pack(offer.topic, offer.payload, offer.arrival_ms, self._enrolment)
        except MessageError as fault:
            return Unsound(offer, refused(offer, self._enrolment, fault))
        return Sound(offer, self._enrolment.by_topic[offer.topic], pack)

    def _status(self, offer: Offer) -> Told:
        node = self._enrolment.by_topic.get(offer.topic)
        if node is None and self._enrolment.look_again():
            node = self._enrolment.by_topic.get(offer.topic)
        status = read_status(offer.payload)
        is_cleared = offer.retain and not offer.payload
        is_form = status is not None or is_cleared or _is_last_will(offer.payload)
        return Told(offer, node, status, is_form=is_form)

    def _warn_retained(self, offer: Offer) -> None:
        day = f"{datetime.fromtimestamp(offer.arrival_ms / 1000, UTC):%Y-%m-%d}"
        if self._enrolment.by_topic.get(offer.topic) is not None and self._warned.get(offer.topic) != day:
            self._warned[offer.topic] = day
            log.warning("readings on %s came as a retained message; they are stored once", offer.topic)


def refused(offer: Offer, enrolment: Enrolment, why: MessageError | str) -> Refused:
    """The pack of this offer as quarantine keeps it; `why` is a refusal, or a code alone."""
    node = enrolment.by_topic.get(offer.topic)
    code, record, meta = (why, None, None) if isinstance(why, str) else (why.code, why.record, why.meta)
    journal, seq_from, seq_to = meta or (None, None, None)
    return Refused(
        node_id=node.id if node else None,
        topic=offer.topic,
        payload=offer.payload,
        code=code,
        record=record,
        arrival_ms=offer.arrival_ms,
        properties=_properties(offer.properties),
        journal=journal,
        seq_from=seq_from,
        seq_to=seq_to,
    )


def _properties(properties: Mapping[str, object] | None) -> str | None:
    return json.dumps(dict(properties), default=repr) if properties else None


def _is_last_will(payload: bytes) -> bool:
    try:
        return bool(json.loads(payload) == json.loads(LAST_WILL))
    except (ValueError, RecursionError):
        return False
