"""Each number of the rules moved by one step, both ways: a published case turns red, or here is why not."""

from collections.abc import Callable, Iterable
from dataclasses import fields, replace
from functools import cache
from typing import Any

import pytest

from server.alerts import changing, folding
from server.alerts.rules import STEPS, Limits, judge
from server.inspection.values import Finding
from tests.alerts.book import Book, played, standing
from tests.alerts.cases import Case, of_kind

VERDICTS, NIGHTS = of_kind("verdict"), of_kind("nights")
# One step of a number, where it is not a thousandth of itself: as fine as the cases are.
STEP_OF = {
    "rubs_mm": 0.001, "slam_channels": 1, "out_readings": 1, "out_gone_readings": 1, "check_days": 1,
    "site_boxes": 1, "certificate_days": 1, "certificate_short_days": 1, "disk_low_mib": 1,
    "disk_low_gone_mib": 1, "disk_full_mib": 1, "disk_full_gone_mib": 1, "site_share": 0.2,
    "rate_mm_per_year": 0.0001, "rack_sd_mm": 0.0001, "ref_gone_shift": 0.0000011, "test_watch_sd": 0.0011,
    "test_softer_sd": 0.0011, "silent_h": 0.011, "turn_alert_low_mrad": 0.0001, "still_gone_share": 0.002,
    "channel_h": 0.1, "intake_min": 0.1, "watch_seen_mrad": 0.0001, "slam_lasts_h": 0.1, "held_days": 0.01,
    "expiring_days": 0.1, "backup_days": 0.01, "battery_gone_v": 0.0011, "wet_rh_pct": 0.01,
    "wet_gone_rh_pct": 0.01, "ref_shift": 0.0000011, "still_share": 0.002, "still_swing_mm": 0.0001,
    "still_moisture_pct": 0.001, "doubt_gone_w": 0.001, "low_share": 0.003, "watch_stays_gone_mrad": 0.00011,
    "watch_rise_gone_mrad": 0.00011, "rate_gone_mm_per_year": 0.00011, "forecast_mm": 0.0011,
    "forecast_gone_mm": 0.0011, "close_mm": 0.0011, "close_gone_mm": 0.0011, "rubs_gone_mm": 0.0011,
}  # fmt: skip
# What no published case sees, and why. test_judging_house.py sees the first two.
UNSEEN_LIMITS = {
    ("site_boxes", 1): "no case has three silent boxes that are half of all",
    ("site_share", 1): "no case has just half of all silent",
}
RISES_AT_ONCE = "it rises at once alone, and at once fills the count whatever it is"
ENDS_AT_ONCE = "it ends at once alone, and at once fills the count whatever it is"
NEVER_STANDS = "it is told once and never stands"
TOLD = ("line_soon", "line_fixed", "line_late", "first_word")
BY_A_TEST = ("slam", "gauge_off", "test_watch", "test_softer")
UNSEEN_COUNTS = (
    {(code, "nights"): RISES_AT_ONCE for code in (*BY_A_TEST, *TOLD, "gauge_converter")}
    | {(code, "clear"): ENDS_AT_ONCE for code in BY_A_TEST}
    | {(code, "clear"): NEVER_STANDS for code in TOLD}
)
# One night is the least there is: a count of nought is no other rule.
MOVES = [
    (code, name, way)
    for code, step in STEPS.items()
    for name in ("nights", "clear")
    for way in (1, -1)
    if getattr(step, name) + way > 0
]


def is_green(case: Case, limits: Limits) -> bool:
    step = STEPS[case["code"]]
    finding = Finding(topic=step.topic, about="north", evidence=case["evidence"])
    return bool(judge(finding, step, limits) == case["expect"])


def plays(case: Case, limits: Limits | None = None) -> bool:
    book, expect = played(case, limits), case["expect"]
    return (
        sorted(book.events) == sorted(expect.get("events", book.events))
        and standing(book) == sorted(expect.get("standing", standing(book)))
        and book.refusals == expect.get("refusals", book.refusals)
        and site_is_as_said(book, expect)
    )


def site_is_as_said(book: Book, expect: Case) -> bool:
    """A site's alert is in the messages of its cases alone: raised on that night, ended by then."""
    if "messages" not in expect:
        return True
    lines = [(one["night"], line.split()) for one in expect["messages"] for line in one["says"]]
    said = {
        kind: [at for at, words in lines if words[:2] == [kind, "site_silent"]]
        for kind in ("raised", "ended")
    }
    came = {kind: [event[0] for event in book.events if event[1:3] == [kind, "site_silent"]] for kind in said}
    return came["raised"] == said["raised"] and len(came["ended"]) == len(said["ended"])


@cache
def by_topic(topic: str) -> tuple[int, ...]:
    """Numbers of the cases in which a topic is found: quicker than all of them."""
    return tuple(
        number
        for number, case in enumerate(NIGHTS)
        if any(one["topic"] == topic for run in case["nights"] for one in run["findings"])
    )


def is_seen(cases: Iterable[Case], holds: Callable[[Case], bool]) -> bool:
    return any(not holds(case) for case in cases)


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("name", [one.name for one in fields(Limits)])
def test_each_limit_moved_turns_a_case_red(name: str, way: int) -> None:
    now = getattr(Limits(), name)
    moved = replace(Limits(), **{name: now + way * STEP_OF.get(name, max(abs(now), 1e-9) / 1000)})
    seen = is_seen(VERDICTS, lambda case: is_green(case, moved))
    if name.startswith("site_"):
        seen = is_seen((NIGHTS[k] for k in by_topic("heard")), lambda case: plays(case, moved))
    assert seen is ((name, way) not in UNSEEN_LIMITS), UNSEEN_LIMITS.get((name, way))


@pytest.mark.parametrize(("code", "name", "way"), MOVES)
def test_each_count_moved_turns_a_case_red(
    code: str, name: str, way: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    step = STEPS[code]
    moved: Any = {name: getattr(step, name) + way}
    monkeypatch.setitem(STEPS, code, replace(step, **moved))
    topic = "heard" if step.topic == "site" else step.topic
    seen = is_seen((NIGHTS[k] for k in by_topic(topic)), plays)
    assert seen is ((code, name) not in UNSEEN_COUNTS), UNSEEN_COUNTS.get((code, name))


def test_the_table_is_the_published_one() -> None:
    """Ranks and weights as well: with this case each of them, moved, turns red."""
    (table,) = of_kind("rules")
    rows = [[s.code, s.topic, s.rank, s.weight, s.nights, s.clear] for s in STEPS.values()]
    assert rows == table["rules"]
    assert len(rows) == 43


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize(
    ("module", "name"),
    [
        (folding, "FORGOTTEN_AFTER"),
        (folding, "LAPSE_NIGHTS"),
        (changing, "QUIET_NIGHTS"),
        (changing, "BACK_NIGHTS"),
        (changing, "LEFT_NIGHTS"),
        (changing, "LEFT_TODAY_NIGHTS"),
    ],
)
def test_each_number_of_the_ledger_moved_turns_a_case_red(
    module: Any, name: str, way: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, name, getattr(module, name) + way)
    assert is_seen(NIGHTS, plays)
