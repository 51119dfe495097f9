"""What a slot is: a night, a Monday, a first of the month, an hour of the house."""

from datetime import date

import pytest

from server.alerts.delivery.facts import Night


@pytest.mark.parametrize(
    ("slot", "is_fresh", "monday", "sheet", "hour"),
    [
        ("2027-03-02", True, False, False, False),
        ("2027-03-08", True, True, False, False),
        ("2027-04-01", True, False, True, False),
        ("2027-04-01", False, False, False, False),
        ("2027-11-01", True, True, True, False),
        ("2027-11-01T14", True, False, False, True),
    ],
)
def test_what_a_slot_is(slot: str, is_fresh: bool, monday: bool, sheet: bool, hour: bool) -> None:
    night = Night(slot=slot, is_fresh=is_fresh)
    assert (night.is_monday, night.has_sheet, night.is_hour) == (monday, sheet, hour)
    assert night.day == date.fromisoformat(slot[:10])
