"""Ordinary packs that stand one after another in what a node sent, read in one pass.

All else, and whatever looks odd in the least, is left to the codec: nothing here refuses.
"""

from typing import NamedTuple

PLAIN = 0x32  # PUBLISH at QoS 1, neither repeated nor retained
_LONG = 0x80  # the bit of a length that says that one more byte of it follows


class Run(NamedTuple):
    """Packet identifiers and payloads of packs on one topic, in order, and where what follows begins."""

    packet_ids: list[int]
    payloads: list[bytes]
    end: int


def plain_run(data: bytes, at: int, head: bytes, *, most: int, most_bytes: int, is_5: bool) -> Run:
    """The packs that stand whole at `at`, at most `most`, each of at most `most_bytes`, head and all.

    `head` is their topic with its length before it. Under 5.0 they have no properties.
    """
    packet_ids: list[int] = []
    payloads: list[bytes] = []
    have, size, more = len(data) - 1, len(head), 3 if is_5 else 2
    while most > 0 and at < have and data[at] == PLAIN:
        length, start = data[at + 1], at + 2
        if length >= _LONG:
            if start > have or data[start] >= _LONG:
                break  # a length of three bytes is no ordinary pack's
            length += (data[start] << 7) - _LONG
            start += 1
        end, body = start + length, start + size
        if end - 1 > have or end - at > most_bytes or body + more > end or not data.startswith(head, start):
            break
        packet_id = data[body] << 8 | data[body + 1]
        if not packet_id or (is_5 and data[body + 2]):
            break
        packet_ids.append(packet_id)
        payloads.append(data[body + more : end])
        at, most = end, most - 1
    return Run(packet_ids, payloads, at)
