"""What is seen of gauges, boxes and the house, sentence by sentence."""

import pytest

from server.alerts.words import say

HEARD_MS = 1_793_280_000_000  # 29 October 2026, 13:20 UTC
LOST_MS = HEARD_MS + 180 * 86_400_000
SAID: list[tuple[str, dict[str, object], str]] = [
    (
        "gauge_off",
        {"gauge_moved_mm": 0.12, "feeler_moved_mm": 0.06, "feeler_gap_mm": 0.06, "feeler_bound_mm": 0.03},
        "Since the last check the gap went 0.12 mm by the gauge and 0.06 by the feeler; 0.03 apart would be "
        "chance.",
    ),
    (
        "gauge_off",
        {
            "gauge_moved_mm": -0.12,
            "feeler_moved_mm": 0.0,
            "feeler_bound_mm": 0.04,
            "feeler_since": "2026-05-02",
        },
        "Since the check of 2 May 2026 the gap went -0.12 mm by the gauge and 0.00 by the feeler; 0.04 apart "
        "would be chance.",
    ),
    (
        "gauge_off",
        {"feeler_gap_mm": -0.06, "feeler_bound_mm": 0.03},
        "Gauge and feeler differ by 0.06 mm since the last check; 0.03 would be chance.",
    ),
    (
        "gauge_still",
        {"swing_mm": 0.01, "swing_then_mm": 0.1},
        "It moved 0.01 mm where a year ago it moved 0.10.",
    ),
    ("gauge_wet", {"day_low_rh_pct": 99.8, "nights": 3}, "It has said 99.8 % or more for 3 days."),
    (
        "gauge_converter",
        {"ref_shift": -0.0006},
        "The box's own reference moved by 0.0006 of full scale; up to 0.0005 can be put right.",
    ),
    ("gauge_doubt", {"since": "2026-11-11"}, "It does not fit the others since 11 November 2026."),
    ("gauge_doubt", {}, "It does not fit the others."),
    ("gauge_out", {"nights": 2, "problem": "io-error"}, "No good reading for 2 days: loose wire."),
    ("gauge_out", {}, "No good reading."),
    (
        "node_silent",
        {"last_heard_ms": HEARD_MS, "lost_from_ms": LOST_MS},
        "Not heard since 29 October 2026, 14:20. Nothing is lost until about 27 April 2027.",
    ),
    ("node_silent", {}, "Not heard."),
    (
        "site_silent",
        {"silent": 47, "boxes": 50, "since_ms": HEARD_MS},
        "47 of 50 boxes are silent since about 29 October 2026, 14:20.",
    ),
    ("battery_low", {"battery_v": 2.55, "low_v": 2.6}, "2.55 V for three days; under 2.60 V it soon stops."),
    ("clock_undated", {"undated": 12}, "12 readings have no sure date."),
    ("clock_undated", {}, "Some readings have no sure date."),
    ("clock_suspect", {}, "Its clock jumped or drifted: when its last readings were taken is not sure."),
    ("node_twin", {"about": "north"}, "Two boxes answer as north."),
    (
        "packs_held",
        {"packs": 3, "oldest_days": 2.4, "why": "channel not known"},
        "3 packs are held back, the oldest for 2 days: channel not known.",
    ),
    (
        "packs_expiring",
        {"packs": 1, "oldest_days": 70},
        "1 pack is held back, the oldest for 70 days. In 20 days they begin to be thrown away.",
    ),
    (
        "password_old",
        {},
        "It was sent a new password and still comes with the old one, which goes on working.",
    ),
    ("node_flooding", {}, "It sends more packs than it may, so it is not read until it slows down."),
    (
        "node_flooding",
        {"rate_per_minute": 60},
        "It sends more than 60 packs a minute, so it is not read until it slows down.",
    ),
    (
        "certificate_short",
        {"days_left": 20},
        "The certificate ends in 20 days; after that no box can connect. Until then all works.",
    ),
    ("disk_low", {"free_mib": 2000}, "2000 MiB are free. Readings are still kept."),
    (
        "disk_full",
        {"free_mib": 0, "refused": True},
        "Nothing could be written: 0 MiB are free. Boxes keep their readings meanwhile.",
    ),
    ("backup_late", {"age_days": 3.5}, "The newest good copy is 4 days old."),
    ("backup_bad", {}, "The last copy cannot be read back: it does not hold what was stored."),
    (
        "intake_failing",
        {"failing_min": 20, "lost_from_ms": LOST_MS},
        "Nothing could be stored for 20 minutes. Boxes keep their readings; nothing is lost until about "
        "27 April 2027.",
    ),
    (
        "intake_failing",
        {"failing_min": 600},
        "Nothing could be stored for 10 hours. Boxes keep their readings.",
    ),
    (
        "intake_failing",
        {"failing_min": 6000},
        "Nothing could be stored for 4 days. Boxes keep their readings.",
    ),
    (
        "channel_failing",
        {"failing_h": 30, "about": "mail"},
        "Nothing has passed by mail for 30 hours. All is still on the page of alerts.",
    ),
    (
        "channel_failing",
        {"failing_h": 0.1, "refused": True, "about": "mail"},
        "The other side refuses what is sent by mail. All is still on the page of alerts.",
    ),
]


@pytest.mark.parametrize(("step", "evidence", "sentence"), SAID)
def test_what_is_seen(step: str, evidence: dict[str, object], sentence: str) -> None:
    assert say(step, evidence, zone="Europe/Berlin") == sentence
