"""Each number of the rules has its words and its reason."""

from dataclasses import fields

from server.alerts.limits_table import HOUSE, ORDER, REASONS
from server.alerts.verdicts import Limits

NAMES = {one.name for one in fields(Limits)}


def test_every_limit_has_a_reason_and_no_other_has() -> None:
    assert set(REASONS) == NAMES
    assert all(len(part) > 0 for row in REASONS.values() for part in row)
    assert HOUSE < NAMES


def test_every_dead_band_is_held_to_its_limit() -> None:
    shares = {
        "gone_share",
        "doubt_gone_w",
        "battery_gone_v",
    }  # of another limit, or of one that stands elsewhere
    assert {name for name in NAMES if "_gone" in name} - shares <= {gone for _, gone, _ in ORDER}


def test_the_defaults_keep_the_order() -> None:
    usual = Limits()
    for name, gone, rises in ORDER:
        limit, over = getattr(usual, name), getattr(usual, gone)
        assert (over <= limit) if rises else (over >= limit), name
