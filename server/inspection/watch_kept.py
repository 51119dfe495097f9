"""The watches of a door, from the store and back to it."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import delete, insert, select, tuple_
from sqlalchemy.orm import Session

from server.inspection.standing import packed, unpacked
from server.inspection.tables import SeriesWatchRow
from server.inspection.watching import Point, SeriesWatch

NOW, REFIT, POINT = "now", "refit", "point"
KEPT = (NOW, REFIT, POINT)


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
        .where(SeriesWatchRow.door_id == door_id, SeriesWatchRow.kind.in_(KEPT))
        .order_by(SeriesWatchRow.series, SeriesWatchRow.day)
    ).all()
    points: dict[tuple[str, str], list[Point]] = {}
    for series, kind, day, basis, state in rows:
        points.setdefault((series, kind), []).append(Point(day=day, basis=basis, state=state))
    return {
        series: SeriesWatch(
            now=unpacked(now.state),
            basis=now.basis,
            refits=tuple(points.get((series, REFIT), ())),
            points=tuple(points.get((series, POINT), ())),
        )
        for (series, kind), (now, *_) in points.items()
        if kind == NOW
    }


def keep_watches(session: Session, door_id: int, watches: Mapping[str, SeriesWatch]) -> None:
    """Let the store hold these watches of a door and no other; what stays the same is not written again."""
    row = SeriesWatchRow
    names = (row.series, row.kind, row.day)
    kept = session.execute(select(*names, row.basis).where(row.door_id == door_id, row.kind.in_(KEPT)))
    there = {tuple(one) for one in kept}
    wanted = {
        (key, kind, point.day, point.basis): point
        for key, one in watches.items()
        for kind, points in ((REFIT, one.refits), (POINT, one.points))
        for point in points
    }
    gone = [one[:3] for one in there if one not in wanted]
    if gone:
        session.execute(delete(row).where(row.door_id == door_id, tuple_(*names).in_(gone)))
    rows = [_row(door_id, asked[:2], point) for asked, point in wanted.items() if asked not in there]
    rows += [
        _row(door_id, (key, NOW), Point(day=one.now.day, basis=one.basis, state=packed(one.now)))
        for key, one in watches.items()
    ]
    if rows:
        session.execute(insert(SeriesWatchRow), rows)


def _row(door_id: int, named: tuple[str, str], point: Point) -> dict[str, Any]:
    return {
        "door_id": door_id,
        "series": named[0],
        "kind": named[1],
        "day": point.day,
        "basis": point.basis,
        "state": point.state,
    }
