"""What an alert says."""

import pytest

from server.alerts import words

JOINT: dict[str, object] = {
    "turn_stays_mrad": 0.2, "turn_low_mrad": 0.12, "turn_high_mrad": 0.28, "turn_open_mrad": 0.166,
    "opening_stays_mm": 0.1, "opening_low_mm": 0.0, "opening_high_mm": 0.2, "opening_open_mm": 0.3,
}  # fmt: skip
LEAF: dict[str, object] = {"droop_stays_mm": 2.5, "droop_low_mm": 2.2, "droop_limit_mm": 2.43}
PASSED = JOINT | {"opening_stays_mm": 0.41, "opening_low_mm": 0.35}
RACKED = {"rack_stays_mm": 0.17, "rack_limit_mm": 0.15} | LEAF | {"droop_stays_mm": 0.1}
HEARD_MS = 1_793_280_000_000  # 29 October 2026, 13:20 UTC
SET = {
    "rate_of": "rack",
    "rate_mm_per_year": 0.06,
    "rate_low_mm_per_year": 0.01,
    "rate_high_mm_per_year": 0.11,
}
SAID = [
    ("joint_opening", JOINT, "What stays of its turn is 0.20 mrad, between 0.12 and 0.28."),
    (
        "joint_open",
        JOINT,
        "What stays of its turn has passed 0.17 mrad and is 0.20 now; part of its range is over it.",
    ),
    (
        "joint_open",
        PASSED,
        "What stays at its shoulder has passed 0.30 mm and is 0.41 now; all of its range is over it.",
    ),
    ("leaf_set", SET, "What stays of the rack grows by 0.06 mm a year, between 0.01 and 0.11."),
    ("leaf_over", LEAF, "2.50 mm of droop stays, more than the 2.43 set for this door."),
    ("leaf_over", RACKED, "0.17 mm of rack stays, more than the 0.15 set for this door."),
    ("node_silent", {"last_heard_ms": HEARD_MS}, "Not heard since 29 October 2026, 14:20."),
]


@pytest.mark.parametrize(("step", "evidence", "sentence"), SAID)
def test_what_is_seen(step: str, evidence: dict[str, object], sentence: str) -> None:
    assert words.say(step, evidence, zone="Europe/Berlin") == sentence


def test_title_names_door_and_place() -> None:
    assert (
        words.title("joint_open", about="north/lock-hinge", shown="North")
        == "North: joint open, lock rail, hinge side"
    )
    assert words.title("leaf_over", about="north", shown="North") == "North: out of square"
    assert words.title("node_silent", about="north", shown=None) == "north: not heard"


def test_what_to_do_keeps_people_clear_and_asks_the_keeper() -> None:
    plain, fire = (words.to_do("joint_open", rated=rated) for rated in ("none", "fire"))
    assert "Keep people clear" in plain
    assert plain.endswith(words.CAUTION)
    assert words.CERTIFICATE in fire
    assert words.CERTIFICATE not in plain
