"""A door's days as an earlier night had them: as the store would have given them then."""

import numpy as np
import pytest
from sqlalchemy.orm import Session

from server.doors.marks import add_mark
from server.inspection.cutting import as_of, seen_span
from server.inspection.reading import gather
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, missing, one_joint
from tests.inspection.stored import DAY_MS, store, stored_door


@pytest.mark.parametrize("end", [0, 1, 30, 55, 65, 400])
def test_it_is_what_the_store_gives_for_that_night(session: Session, end: int) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    store(session, door, missing(made_inputs(Truth(years=0.2), one_joint()), 50, 60))
    add_mark(session, door.id, t_ms=(HUNG_DAY + 30) * DAY_MS, kind="planed", text="Eased.", by="maker")
    whole = gather(session, door, HUNG_DAY + 400)
    cut, wanted = as_of(whole, HUNG_DAY + end), gather(session, door, HUNG_DAY + end)
    np.testing.assert_array_equal(cut.day, wanted.day)
    np.testing.assert_array_equal(cut.rh_pct, wanted.rh_pct)
    for name, days in wanted.gauges.items():
        np.testing.assert_array_equal(cut.gauges[name].median, days.median)
    assert cut.marks == wanted.marks


@pytest.mark.parametrize(
    ("value", "span"),
    [
        ([np.nan, 1.0, np.nan, 2.0, np.nan], slice(1, 4)),
        ([1.0], slice(0, 1)),
        ([np.nan], None),
        ([], None),
    ],
)
def test_seen_span(value: list[float], span: slice | None) -> None:
    assert seen_span(np.array(value)) == span
