"""A night that is cut at a statement and run again leaves what one that was not cut leaves."""

import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, event

from server.database import open_engine
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG
from tests.service import boxes
from tests.service.nights import night, opened, written

pytestmark = pytest.mark.usefixtures("fits_once")
CUTS = os.environ.get("HANGTRUE_CUTS")
FIRST_FIT_DAY = 366
"""With the fit of the first year the joint's alert rises, and is told."""


class CutError(BaseException):
    """The process ends here: nothing of ours catches it."""


def cut_at(engine: Engine, number: int) -> Callable[..., None]:
    """The engine ends the run at its statement of that number."""
    count = [0]

    def before(*_args: object) -> None:
        count[0] += 1
        if count[0] == number:
            raise CutError

    event.listen(engine, "before_cursor_execute", before)
    return before


def test_a_night_cut_at_a_statement_and_run_again_is_the_same(
    engine: Engine, database_url: str, tmp_path: Path
) -> None:
    """Cut at a few statements of the night that fits, raises and tells, and of the night after it.

    HANGTRUE_CUTS=200 cuts at so many, spread over all fifteen nights of a first look.
    """
    if engine.dialect.name != "sqlite":
        pytest.skip("one file can be copied; the rule is the same on both")
    clock = opened(engine)
    if CUTS is None:
        looked_at_before(engine, clock)
    start = boxes.copied(engine, tmp_path / "start.db")
    whole = cut_and_repeated(start, tmp_path / "whole.db", clock, None)
    statements = whole[1]
    assert statements > 100
    assert {"rose" if CUTS is None else "raised", "waiting"} <= {word for row in whole[0] for word in row}
    cuts = int(CUTS or "6")
    for number in sorted({1 + k * (statements - 1) // cuts for k in range(cuts)}):
        rows, _ = cut_and_repeated(start, tmp_path / f"cut-{number}.db", clock, number)
        assert rows == whole[0], number


def looked_at_before(engine: Engine, clock: HandClock) -> None:
    """The first look lies behind; two nights are due, the first of which fits."""
    for day in (FIRST_FIT_DAY - 1, FIRST_FIT_DAY + 1):
        clock.now = (HUNG + timedelta(days=day)).replace(hour=9)
        boxes.hear(engine, clock())
        if day < FIRST_FIT_DAY:
            night(engine, clock)


def cut_and_repeated(
    start: str, to: Path, clock: HandClock, number: int | None
) -> tuple[list[tuple[str, ...]], int]:
    """A night on a copy, cut at a statement and run again; what is written, and how many statements ran."""
    source = open_engine(start)
    own = open_engine(boxes.copied(source, to))
    if number is not None:
        listener = cut_at(own, number)
        with pytest.raises(CutError):
            night(own, clock)
        event.remove(own, "before_cursor_execute", listener)
        own.dispose()
    ran = [0]
    counter = event.listens_for(own, "before_cursor_execute")
    counter(lambda *_args: ran.__setitem__(0, ran[0] + 1))
    night(own, clock)
    rows = written(own)
    own.dispose()
    return rows, ran[0]
