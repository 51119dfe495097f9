"""The watches of a door, from the store and back to it."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from server.inspection.standing import packed, unpacked
from server.inspection.tables import SeriesWatchRow
from server.inspection.watching import Point, SeriesWatch

NOW, REFIT = "now", "refit"


def watches_of(session: Session, door_id: int) -> dict[str, SeriesWatch]:
    """The watch over each series of a door as the last look left it; empty before the first refit."""
    rows = session.execute(
        select(
            SeriesWatchRow.series,
            SeriesWatchRow.kind,
            SeriesWatchRow.day,
            SeriesWatchRow.basis,
            SeriesWatchRow.state,
        )
        .where(SeriesWatchRow.door_id == door_id)
        .order_by(SeriesWatchRow.series, SeriesWatchRow.day)
    ).all()
    refits: dict[str, list[Point]] = {}
    for series, kind, day, basis, state in rows:
        if kind == REFIT:
            refits.setdefault(series, []).append(Point(day=day, basis=basis, state=state))
    return {
        series: SeriesWatch(now=unpacked(state), basis=basis, refits=tuple(refits.get(series, ())))
        for series, kind, _, basis, state in rows
        if kind == NOW
    }


def keep_watches(session: Session, door_id: int, watches: Mapping[str, SeriesWatch]) -> None:
    """Let the store hold these watches of a door and no other; what stays the same is not written again."""
    of_door = SeriesWatchRow.door_id == door_id
    is_refit = SeriesWatchRow.kind == REFIT
    kept = session.execute(
        select(SeriesWatchRow.series, SeriesWatchRow.day, SeriesWatchRow.basis).where(of_door, is_refit)
    )
    there = {tuple(row) for row in kept}
    wanted = {(key, point.day, point.basis): point for key, one in watches.items() for point in one.refits}
    for series, day, _ in there - set(wanted):
        session.execute(
            delete(SeriesWatchRow).where(
                of_door, is_refit, SeriesWatchRow.series == series, SeriesWatchRow.day == day
            )
        )
    session.execute(delete(SeriesWatchRow).where(of_door, ~is_refit))
    rows = [
        _row(door_id, key, NOW, Point(day=one.now.day, basis=one.basis, state=packed(one.now)))
        for key, one in watches.items()
    ]
    rows += [_row(door_id, asked[0], REFIT, point) for asked, point in wanted.items() if asked not in there]
    if rows:
        session.execute(insert(SeriesWatchRow), rows)


def _row(door_id: int, series: str, kind: str, point: Point) -> dict[str, Any]:
    return {
        "door_id": door_id,
        "series": series,
        "kind": kind,
        "day": point.day,
        "basis": point.basis,
        "state": point.state,
    }
