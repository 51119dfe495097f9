"""Watches kept: they come back, and what stays the same is not written again."""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
from sqlalchemy import event, select
from sqlalchemy.orm import Session

from server.inspection.look import watched_look
from server.inspection.tables import SeriesWatchRow
from server.inspection.values import DoorInputs
from server.inspection.watch_kept import keep_watches, watches_of
from server.inspection.watching import SeriesWatch
from tests.inspection.doors import Truth, made_inputs, one_joint
from tests.inspection.stored import stored_door


@cache
def inputs() -> DoorInputs:
    return made_inputs(Truth(years=1.05), one_joint())


@cache
def watches() -> Mapping[str, SeriesWatch]:
    return watched_look(inputs(), {}).watches


def test_they_come_back_and_go_on(session: Session) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    assert watches_of(session, door.id) == {}
    keep_watches(session, door.id, watches())
    found = watches_of(session, door.id)
    assert set(found) == set(watches()) == {"turn:lock-hinge", "opening:lock-hinge"}
    for key, one in watches().items():
        assert (found[key].basis, found[key].refits) == (one.basis, one.refits)
        assert [point.day for point in found[key].points] == [375]
        assert found[key].points == one.points
        assert found[key].now.day == one.now.day
        np.testing.assert_array_equal(found[key].now.watched.posterior.mean, one.now.watched.posterior.mean)
    assert {row.kind for row in session.scalars(select(SeriesWatchRow))} == {"now", "point", "refit"}


def test_what_is_gone_goes_and_what_stays_is_not_written(session: Session) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    keep_watches(session, door.id, watches())
    written: list[int] = []
    event.listen(
        session.get_bind(),
        "before_cursor_execute",
        lambda _c, _u, statement, rows, _x, _m: written.append(len(rows)) if "INSERT" in statement else None,
    )
    keep_watches(session, door.id, watches())
    assert len(written) == 1  # the two that are `now`, in one
    turn = watches()["turn:lock-hinge"]
    other = replace(turn, refits=tuple(replace(point, basis="other") for point in turn.refits))
    keep_watches(session, door.id, {"turn:lock-hinge": other})
    rows = session.execute(select(SeriesWatchRow.series, SeriesWatchRow.kind, SeriesWatchRow.basis))
    assert sorted(tuple(row) for row in rows) == [
        ("turn:lock-hinge", "now", turn.basis),
        ("turn:lock-hinge", "point", turn.points[0].basis),
        ("turn:lock-hinge", "refit", "other"),
    ]
