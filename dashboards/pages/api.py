"""The same facts as data: doors, one door, readings, and the API's description."""

from datetime import datetime, timedelta
from typing import Literal, cast

import numpy as np
from flask import Blueprint, Response, jsonify, request
from numpy.typing import NDArray
from pydantic import BaseModel
from werkzeug.exceptions import BadRequest

from dashboards.pages import dates, openapi, telling
from dashboards.pages.door import facts_of_name
from dashboards.pages.facts import DoorFacts, Movement, movement
from dashboards.pages.models import ChannelOut, DoorOut, DoorsOut, DoorWholeOut, ReadingsOut, SeriesOut, State
from dashboards.pages.ours import all_facts, ours
from server.database import Session
from server.doors import register
from server.doors.built import joint_words
from server.doors.register import ChannelRef
from server.errors import OutOfRangeError, UnknownChannelError
from server.inspection import results
from server.readings import store

pages = Blueprint("api", __name__, url_prefix="/api/v1")
USUAL_SPAN = timedelta(days=7)
READINGS = "readings of a channel"
KNOWN = {"channel", "from", "to", "limit"}
DAY_MS = 86_400_000
MOST_SPAN_MS = 400 * DAY_MS
LAST_MS = 253_402_300_800_000  # the year 10000
Status = Literal["refused", "provisional", "served"]
Why = Literal["year", "season", "wide", "kit", "other"]


@pages.get("/doors")
def doors() -> Response:
    """Every door, most pressing first."""
    _asks(set())
    with ours().sessions() as session:
        told = all_facts(session)
    return _told(DoorsOut(doors=[door_out(one) for one in told]))


@pages.get("/doors/<site>/<name>")
def door(site: str, name: str) -> Response:
    """One door with its series and channels."""
    _asks(set())
    with ours().sessions() as session:
        facts = facts_of_name(session, site, name)
        series = results.results_of(session, facts.door.id, with_parts=lambda _: False)
    return _told(door_whole(facts, [movement(series[key]) for key in sorted(series)]))


@pages.get("/readings")
def readings() -> Response:
    """Readings of a channel between two times, calibrated and raw."""
    _asks(KNOWN)
    name = request.args.get("channel")
    if name is None:
        raise BadRequest(f"{READINGS}: needs `channel`, a name as /api/v1/doors/SITE/DOOR lists it, got none")
    stop = _moment("to", ours().clock())
    start = _moment("from", dates.at_ms(stop) - USUAL_SPAN)
    limit = _limit()
    if not 0 <= stop - start <= MOST_SPAN_MS:
        needed = "`from` before `to`, at most 400 days apart"
        raise OutOfRangeError(READINGS, needed, f"{(stop - start) / DAY_MS:.1f} days")
    with ours().sessions() as session:
        channel = find_channel(session, name)
        raw = store.raw(session, channel.id, start, stop)
        value = store.series(session, channel.id, start, stop)
    more = raw.ms.size > limit
    calibrated = dict(zip(value.ms.tolist(), _plain(value.value), strict=True))
    kept = raw.ms[:limit].tolist()
    return _told(
        ReadingsOut(
            channel=channel.name,
            unit=channel.unit,
            start_ms=start,
            stop_ms=stop,
            t_ms=kept,
            value=[calibrated.get(at) for at in kept],
            raw=_plain(raw.value[:limit]),
            next=int(raw.ms[limit]) if more else None,
        )
    )


@pages.get("/openapi.json")
def description() -> Response:
    """The description of all this."""
    return jsonify(openapi.description())


def find_channel(session: Session, name: str) -> ChannelRef:
    """The channel of that name on the wire. Raises UnknownChannelError."""
    found = register.channels_by_name(session).get(name)
    if found:
        return found
    raise UnknownChannelError(
        READINGS, "the name of a channel that is enrolled, and of one node alone", repr(name[:40])
    )


def door_out(facts: DoorFacts) -> DoorOut:
    """A door as the list gives it."""
    say, quiet = telling.row(facts)
    return DoorOut(
        ref=f"{facts.door.site}/{facts.door.name}",
        site=facts.door.site,
        name=facts.door.name,
        shown=facts.door.shown,
        zone=facts.zone,
        hung=facts.door.hung,
        last_heard=facts.heard,
        state=cast("State", facts.state),
        state_word=facts.state_word,
        state_since=facts.state_since,
        say=say,
        quiet=quiet,
    )


def door_whole(facts: DoorFacts, series: list[Movement]) -> DoorWholeOut:
    """A door with its sentences, series and channels."""
    built = facts.door.built
    return DoorWholeOut(
        **door_out(facts).model_dump(),
        lead=telling.answer(facts),
        second=telling.second(facts),
        joint=joint_words(built),
        species=built.species,
        width_mm=built.width_mm,
        height_mm=built.height_mm,
        thickness_mm=built.thickness_mm,
        series=[series_out(one) for one in series],
        channels=[
            ChannelOut(gauge=gauge, channel=one.name, unit=one.unit, kind=one.kind)
            for gauge, one in facts.door.channels.items()
        ],
    )


def series_out(one: Movement) -> SeriesOut:
    """A movement as data; what is not told is null."""
    is_told = one.why is None
    low, high = (one.number(key) if is_told else None for key in ("stays_low", "stays_high"))
    return SeriesOut(
        key=one.key,
        unit=one.unit,
        status=cast("Status", one.status),
        why_refused=cast("Why | None", one.why),
        reason=None if is_told else one.reason or None,
        rate_per_year=_finite(one.rate) if is_told else None,
        rate_low_per_year=_finite(one.low) if is_told else None,
        rate_high_per_year=_finite(one.high) if is_told else None,
        now=one.number("now"),
        stays=one.number("stays") if is_told else None,
        stays_low=low,
        stays_high=high,
        comes_back=one.number("back") if is_told else None,
        swing_year=one.number("swing_year"),
        limit=one.number("limit"),
        line=one.word("line"),
    )


def _told(value: BaseModel) -> Response:
    return Response(value.model_dump_json(), mimetype="application/json")


def _asks(known: set[str]) -> None:
    for name in request.args:
        if name not in known:
            wanted = f"no parameter but {', '.join(sorted(known))}" if known else "no parameter"
            raise OutOfRangeError(request.path, wanted, repr(name[:40]))
        if len(request.args.getlist(name)) > 1:
            raise OutOfRangeError(
                request.path, f"`{name}` once", f"it {len(request.args.getlist(name))} times"
            )


def _moment(name: str, usual: datetime) -> int:
    text = request.args.get(name)
    if text is None:
        return int(usual.timestamp() * 1000)
    needed = f"`{name}` as ISO 8601 with a zone (2026-11-24T07:40:00+00:00) or as milliseconds since 1970"
    if text.isascii() and text.isdigit() and len(text) <= 15 and int(text) < LAST_MS:
        return int(text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise OutOfRangeError(READINGS, needed, repr(text[:40])) from None
    if moment.utcoffset() is None:
        raise OutOfRangeError(READINGS, needed, f"{text[:40]!r}, without a zone")
    return int(moment.timestamp() * 1000)


def _limit() -> int:
    text = request.args.get("limit", str(openapi.READINGS_USUAL))
    if text.isascii() and text.isdigit() and len(text) < 8 and 1 <= int(text) <= openapi.READINGS_MOST:
        return int(text)
    raise OutOfRangeError(READINGS, f"`limit` from 1 to {openapi.READINGS_MOST}", repr(text[:40]))


def _finite(value: float | None) -> float | None:
    return value if value is not None and np.isfinite(value) else None


def _plain(values: NDArray[np.float64]) -> list[float | None]:
    return [value if np.isfinite(value) else None for value in values.tolist()]
