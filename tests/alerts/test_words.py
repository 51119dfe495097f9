"""What an alert says."""

import pytest

from server.alerts import words
from server.alerts.rules import STEPS

JOINT: dict[str, object] = {
    "turn_stays_mrad": 0.2, "turn_low_mrad": 0.12, "turn_high_mrad": 0.28, "turn_open_mrad": 0.166,
    "opening_stays_mm": 0.1, "opening_low_mm": 0.0, "opening_high_mm": 0.2, "opening_open_mm": 0.3,
}  # fmt: skip
LEAF: dict[str, object] = {"droop_stays_mm": 2.5, "droop_low_mm": 2.2, "droop_limit_mm": 2.43}
PASSED = JOINT | {"opening_stays_mm": 0.41, "opening_low_mm": 0.35, "opening_high_mm": 0.51}
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
        "What stays of its turn has passed 0.17 mrad and is 0.20 now, between 0.12 and 0.28.",
    ),
    (
        "joint_open",
        PASSED,
        "What stays at its shoulder has passed 0.30 mm and is 0.41 now, between 0.35 and 0.51.",
    ),
    ("leaf_set", SET, "What stays of the rack grows by 0.06 mm a year, between 0.01 and 0.11."),
    ("leaf_over", LEAF, "2.50 mm of droop stays, at least 2.20: more than the 2.43 set for this door."),
    ("leaf_over", RACKED, "0.17 mm of rack stays: more than the 0.15 set for this door."),
    ("node_silent", {"last_heard_ms": HEARD_MS}, "Not heard since 29 October 2026, 14:20."),
]


@pytest.mark.parametrize(("step", "evidence", "sentence"), SAID)
def test_what_is_seen(step: str, evidence: dict[str, object], sentence: str) -> None:
    assert words.say(step, evidence, zone="Europe/Berlin") == sentence


def test_title_names_door_and_place() -> None:
    titles = [
        words.title("joint_open", about="north/lock-hinge", shown="North"),
        words.title("leaf_over", about="north", shown="North"),
        words.title("node_silent", about="north", shown=None),
        words.title("frame_near", about="north/head", shown="North"),
        words.title("step_unlogged", about="north/lock-hinge@2027-03-01", shown="North"),
        words.title("gauge_out", about="north/head-latch", shown=None),
        words.title("line_soon", about="north/line_soon@2027-03-10", shown="North"),
    ]
    assert titles == [
        "North: joint open, lock rail, hinge side",
        "North: out of square",
        "north: not heard",
        "North: near the frame, head",
        "North: a step nobody logged, lock rail, hinge side",
        "north: no reading, head latch",
        "North: hung line soon",
    ]


def test_what_to_do_keeps_people_clear_and_asks_the_keeper() -> None:
    plain, fire = (words.to_do("joint_open", rated=rated) for rated in ("none", "fire"))
    assert "Keep people clear" in plain
    assert plain.endswith(words.CAUTION)
    assert words.CERTIFICATE in fire
    assert words.CERTIFICATE not in plain


def test_the_certificate_comes_with_frame_leaf_and_joint_alone() -> None:
    asked = {step for step in STEPS if words.CERTIFICATE in words.to_do(step, rated="escape")}
    assert asked == {step.code for step in STEPS.values() if step.topic in ("joint", "leaf", "frame")}


def test_the_caution_comes_wherever_a_door_may_be_at_fault() -> None:
    topics = {step.topic for step in STEPS.values() if words.CAUTION in words.to_do(step.code, rated="none")}
    assert topics == {"joint", "leaf", "frame", "step", "slam", "test", "gauge"}


def test_what_to_do_takes_dates_and_places_of_the_evidence() -> None:
    assert "plan a repair before winter 2026." in words.to_do(
        "joint_opening", rated="none", evidence={"earliest": "2027-05-20"}
    )
    assert "plan a repair." in words.to_do("joint_opening", rated="none")
    stands = words.to_do("node_silent", rated="none", evidence={"stands": "on the tie beam"})
    assert stands == "Power first, then network. It stands on the tie beam."


@pytest.mark.parametrize("step", list(STEPS))
def test_every_step_has_a_text_that_a_maker_would_say(step: str) -> None:
    """Even without a single figure. The words that no message may have are the guide's."""
    texts = [words.say(step, {}), words.to_do(step, rated="fire")]
    assert all(text[0].isupper() or text[0].isdigit() or text[0] == "`" for text in texts), texts
    assert all(text.endswith(".") and "{" not in text and "None" not in text for text in texts)
    assert "not known" not in texts[0].replace("not known yet", "")
    said = f"{words.word(step)} {' '.join(texts)}".lower().replace(words.CAUTION.lower(), "")
    for unsaid in ("safe", "sound", "error", "please", "node ", "anomaly", "baseline", "status", "!", "±"):
        assert unsaid not in said.replace("hangtrue node ", ""), unsaid
    assert len(words.word(step)) <= 30


def test_what_a_doubt_hides() -> None:
    assert words.carrying([]) == ""
    assert words.carrying(["joint_open joint:north/lock-hinge"]) == (
        "Not said meanwhile: lock rail, hinge side. If the gauge is right, that joint is open."
    )
    two = ["joint_opening joint:north/lock-hinge", "leaf_over leaf:north", "frame_close frame:north/head"]
    assert words.carrying(two) == (
        "Not said meanwhile: lock rail, hinge side; the leaf; head. If the gauge is right, that joint is "
        "opening; the leaf is out of square; that edge is close to the frame."
    )


def test_a_step_of_another_version_has_its_name_for_a_word() -> None:
    assert words.say("joint_gone", {}) == "Joint gone."


def test_no_sentence_has_holes() -> None:
    assert (
        words.say("joint_open", {"about": "north/lock-hinge"})
        == "Joint open. Tonight there is no figure of it."
    )
