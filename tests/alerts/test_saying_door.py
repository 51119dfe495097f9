"""What is seen at a door, sentence by sentence."""

import pytest

from server.alerts.saying_door import season_before
from server.alerts.words import say

ABOUT_DAY = {"about": "north/droop@2027-10-03"}
TURN: dict[str, object] = {
    "turn_stays_mrad": 0.19, "turn_low_mrad": 0.12, "turn_high_mrad": 0.26, "turn_open_mrad": 0.30,
}  # fmt: skip
RATES = {
    "turn_rate_mrad_per_year": 0.09,
    "turn_rate_low_mrad_per_year": 0.03,
    "turn_rate_high_mrad_per_year": 0.15,
}
FACTORS: dict[str, object] = {
    "factor": 0.11,
    "factor_low": 0.09,
    "factor_high": 0.13,
    "factor_before": 0.13,
    "fall_sd": 2.4,
}
SAID: list[tuple[str, dict[str, object], str]] = [
    ("joint_watch", TURN, "What stays of its turn is 0.19 mrad, between 0.12 and 0.26."),
    (
        "joint_watch",
        {"turn_stays_mrad": 0.02, "turn_rise_14d_mrad": 0.12},
        "It turned 0.12 mrad in 14 days while the wood kept its moisture.",
    ),
    (
        "joint_watch",
        {"turn_stays_mrad": None, "turn_seen_mrad": 0.34},
        "It has turned 0.34 mrad since the hung line; too early to part season from set.",
    ),
    ("joint_opening", TURN, "What stays of its turn is 0.19 mrad, between 0.12 and 0.26."),
    (
        "joint_opening",
        {**TURN, **RATES, "earliest": "2027-05-20"},
        "What stays of its turn is 0.19 mrad and grows by 0.09 a year, between 0.03 and 0.15. "
        "It reaches 0.30 mrad, where it counts as open, not before May 2027; how long after is not known "
        "yet.",
    ),
    (
        "joint_opening",
        {**TURN, "earliest": "2027-05-20", "latest": "2028-08-01"},
        "What stays of its turn is 0.19 mrad, between 0.12 and 0.26. "
        "It reaches 0.30 mrad, where it counts as open, not before May 2027; between then and August 2028, "
        "if it goes on so.",
    ),
    ("joint_opening", {"alarm": True}, "It began to turn; how much of it stays is not known yet."),
    (
        "joint_open",
        {
            "opening_stays_mm": 0.41,
            "opening_low_mm": 0.31,
            "opening_high_mm": 0.51,
            "opening_open_mm": 0.30,
        },
        "What stays at its shoulder has passed 0.30 mm and is 0.41 now, between 0.31 and 0.51.",
    ),
    (
        "leaf_set",
        {
            "rate_of": "rack",
            "rate_mm_per_year": 0.06,
            "rate_low_mm_per_year": 0.01,
            "rate_high_mm_per_year": 0.11,
        },
        "What stays of the rack grows by 0.06 mm a year, between 0.01 and 0.11.",
    ),
    ("leaf_over", {"rack_stays_mm": 0.17}, "0.17 mm of rack stays: more than the 0.15 set for this door."),
    (
        "leaf_over",
        {"droop_stays_mm": 1.0, "droop_low_mm": 0.8, "droop_high_mm": 1.2, "droop_limit_mm": 2.0},
        "What stays of the droop is 1.00 mm, between 0.80 and 1.20.",
    ),
    (
        "look_failed",
        {"failed": True, "took_s": 34.4, "nights": 3},
        "The look at this door took too long on 3 nights running: 34 seconds. What it said is kept.",
    ),
    ("leaf_over", {"alarm": True}, "It began to leave its square; how much of it stays is not known yet."),
    (
        "frame_forecast",
        {"least_expected_mm": 0.3, "about": "north/head"},
        "In a damp season the least gap at the head would be 0.30 mm.",
    ),
    ("frame_near", {"margin_mm": 0.8, "about": "north/head"}, "The least gap is 0.80 mm, at the head."),
    ("frame_close", {"margin_mm": 0.4}, "The least gap is 0.40 mm, to the frame."),
    ("frame_rubs", {"rubs": True, "about": "north/head-latch"}, "It touches at the head latch."),
    (
        "step_unlogged",
        {"size": 0.21, **ABOUT_DAY},
        "A step of 0.21 mm down on 3 October 2027. Nobody has logged why.",
    ),
    (
        "step_unlogged",
        {"size": -0.21, **ABOUT_DAY},
        "A step of 0.21 mm up on 3 October 2027. Nobody has logged why.",
    ),
    (
        "step_unlogged",
        {"size": 0.1, "unit": "mrad", "about": "north/lock-hinge@2027-10-03"},
        "A step of 0.10 mrad on 3 October 2027. Nobody has logged why.",
    ),
    ("step_unlogged", {"found": True}, "A step. Nobody has logged why."),
    (
        "step_unlogged",
        {"size": 0.21, "slam_on": "2027-10-03", "slam_is_hardest": False, **ABOUT_DAY},
        "A step of 0.21 mm down on 3 October 2027. Nobody has logged why. A slam was felt that day.",
    ),
    (
        "step_unlogged",
        {"size": 0.21, "slam_on": "2027-10-02", "slam_is_hardest": False, **ABOUT_DAY},
        "A step of 0.21 mm down on 3 October 2027. Nobody has logged why. A slam was felt the day before.",
    ),
    (
        "step_unlogged",
        {"size": 0.21, "slam_on": "2027-10-03", "slam_is_hardest": True, **ABOUT_DAY},
        "A step of 0.21 mm down on 3 October 2027. Nobody has logged why. The hardest slam of that month "
        "fell on the same day.",
    ),
    (
        "slam",
        {"channels": 4, "most_mm": 0.3, "about": "north@2027-10-03"},
        "4 gauges jumped together on 3 October 2027, by up to 0.30 mm, and stayed.",
    ),
    ("check_due", {"gauges": 3, "days_since_check": 365}, "3 gauges have not been checked for a year."),
    ("check_due", {"gauges": 1, "days_since_check": 365}, "1 gauge has not been checked for a year."),
    (
        "check_due",
        {"humidity": 1, "days_since_check": 365},
        "The humidity gauge has not been checked for a year.",
    ),
    (
        "check_due",
        {"gauges": 1, "humidity": 1, "days_since_check": 365},
        "1 gauge and the humidity gauge have not been checked for a year.",
    ),
    ("check_due", {"days_since_check": 400}, "The last check of its gauges was 400 days ago."),
    (
        "look_failed",
        {"failed": True, "nights": 2},
        "The look at this door did not end on 2 nights running. Its readings are still taken in and kept.",
    ),
    (
        "test_softer",
        FACTORS,
        "Stiffness factor 0.11, between 0.09 and 0.13; 0.13 at the test before. "
        "The fall is 2.4 times its own doubt.",
    ),
    (
        "test_watch",
        {"fall_sd": 1.5},
        "It gave more under the same load than at the test before. The fall is 1.5 times its own doubt.",
    ),
    ("line_soon", {"about": "north/line_soon@2026-12-22"}, "The hung line is drawn on 22 December 2026."),
    (
        "line_fixed",
        {"about": "north/line_fixed@2026-12-22"},
        "The hung line was drawn on 22 December 2026. All that follows counts from it.",
    ),
    ("line_late", {"good_days": 7}, "Only 7 good days in the fortnight; ten are needed."),
    ("first_word", {}, "A year is heard: the page now parts season from set."),
]


@pytest.mark.parametrize(("step", "evidence", "sentence"), SAID)
def test_what_is_seen(step: str, evidence: dict[str, object], sentence: str) -> None:
    assert say(step, evidence) == sentence


@pytest.mark.parametrize(
    ("earliest", "season"),
    [
        ("2027-05-20", "winter 2026"),
        ("2027-01-20", "autumn 2026"),
        ("2027-12-02", "autumn 2027"),
        ("2027-07-01", "spring 2027"),
        ("2027-10-01", "summer 2027"),
        (None, ""),
    ],
)
def test_the_season_before(earliest: str | None, season: str) -> None:
    assert season_before(earliest) == season
