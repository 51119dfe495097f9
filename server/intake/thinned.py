"""Readings of days that were thinned: acknowledged, and not stored again beside their hourly means."""

from collections.abc import Sequence
from operator import itemgetter

from sqlalchemy import Connection

from sensors.message.check import Pack
from server.intake.judged import Sound
from server.readings.thinning import thinned_before_ms

# Thinned days lie 100 days back at least, and a held pack is replayed within 90: so what comes of such a day
# is this much older than its arrival, and nothing has to be asked for any other pack.
OLD_MS = 9 * 86_400_000
_T_MS = itemgetter(1)


def without_thinned(connection: Connection, sound: Sequence[Sound]) -> Sequence[Sound]:
    """The packs, each without its readings of days that were thinned; their instants count as stored."""
    if not _may_be_old(sound):
        return sound
    before_ms = thinned_before_ms(connection)
    if before_ms is None:
        return sound
    return [one._replace(pack=_without(one.pack, before_ms)) if _is_old(one) else one for one in sound]


def _may_be_old(sound: Sequence[Sound]) -> bool:
    """Whether one of the packs may be old, for all of them at once: an ordinary group has none."""
    if not sound:
        return False
    moments = [ms for one in sound for _, ms in one.pack.instants]
    latest_ms = max([one.offer.arrival_ms for one in sound])
    is_plain = all(one.pack.instants for one in sound)
    return not is_plain or min(moments) < latest_ms - OLD_MS


def _is_old(one: Sound) -> bool:
    # in an ordinary pack each moment is an instant's
    moments = map(_T_MS, one.pack.instants or one.pack.readings)
    return min(moments, default=one.offer.arrival_ms) < one.offer.arrival_ms - OLD_MS


def _without(pack: Pack, before_ms: int) -> Pack:
    stays = [ms >= before_ms for _, ms, _ in pack.readings]
    place = [0]
    for one in stays:
        place.append(place[-1] + one)
    return pack._replace(
        readings=tuple(row for row, one in zip(pack.readings, stays, strict=True) if one),
        firsts=tuple(place[first] for first in pack.firsts),
        stamped=tuple(place[index] for index in pack.stamped if stays[index]),
    )
