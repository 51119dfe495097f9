"""Declarations: what they hold, and each thing that they cannot claim, by its sentence."""

from datetime import date

import pytest

from server.errors import HangtrueError
from server.trials.canonical import seal
from server.trials.declared import (
    declared_of,
    draft_of,
    refuse_early_start,
    refuse_overclaim,
    sides_of,
    spoken,
    without_doors,
)
from server.trials.refusals import (
    BandMissingError,
    DeclarationError,
    HorizonError,
    MomentUnknownError,
    ScopeError,
    StartError,
)
from tests.refusals import refuses
from tests.trend.trial_cases import CASES
from tests.trials.yard import FILLED, declaration, groups, pairs, sides

PUBLISHED = CASES["seal-second"]


def test_a_draft_filled_is_the_published_record() -> None:
    filled = {key: PUBLISHED["input"][key] for key in FILLED}
    assert seal(draft_of(declaration()) | filled) == PUBLISHED["output"]["sha256"]


def test_a_record_as_values() -> None:
    found = declared_of(PUBLISHED["input"])
    assert (found.side_a.joint, found.side_b.name) == ("mortise_tenon", "Stub and loose tenons")
    assert (found.a[0].door, found.a[0].moments_n_m, found.b[0].joints) == (
        "north",
        (71.73,),
        ("lock-hinge",),
    )
    assert (found.starts_on, found.band, found.size) == (date(2026, 12, 23), 0.05, 1)
    assert found.horizon_years == pytest.approx(6, abs=0.002)
    assert found.exclusions == {"re_hang": "step", "gauge_changed": "step", "joint_repaired": "ends_pair"}
    assert not found.is_withdrawn


SENTENCES: list[tuple[dict[str, object], type[HangtrueError], str]] = [
    (
        {"scope": "kind"},
        ScopeError,
        "a verdict for a way of joining: needs 2 pairs or more, "
        "got 1; with one pair it speaks of these two doors",
    ),
    (
        {"band": None},
        BandMissingError,
        "band: needs the least difference that would change what you build, got none",
    ),
    ({"horizon_days": 14610}, HorizonError, "horizon: needs 1 to 15 years, got 40"),
    ({"horizon_days": 364}, HorizonError, "horizon: needs 1 to 15 years, got 0.997"),
    (
        {
            "pairs": [
                {"a": sides("north"), "b": sides("south", None) | {"no_moment": "a glued panel braces it"}}
            ]
        },
        MomentUnknownError,
        "per 100 N·m: needs each joint's own moment, got none for south (a glued panel braces it)",
    ),
    (
        {"pairs": [{"a": sides("north", None), "b": sides("south")}]},
        MomentUnknownError,
        "per 100 N·m: needs each joint's own moment, got none for north",
    ),
    ({"pairs": []}, DeclarationError, "declaration: needs 1 pair of doors or more, got none"),
    (
        {"pairs": [*pairs(2), {"a": sides("east"), "b": sides("north-1")}]},
        DeclarationError,
        "declaration: needs each door in one place, got 'north-1' in two",
    ),
    (
        {"wrong_at_most": "0.10"},
        DeclarationError,
        "declaration, wrong_at_most: needs 0.05, the one that there is, got '0.10'",
    ),
    (
        {"exclusions": [{"event": "joint_opened", "rule": "step"}]},
        DeclarationError,
        "declaration, exclusions 1, event: needs one of re_hang, gauge_changed, joint_repaired, "
        "door_removed, got 'joint_opened'",
    ),
    (
        {"exclusions": [{"event": "joint_repaired", "rule": "step"}]},
        DeclarationError,
        "declaration, exclusions 1, rule: needs ends_pair, the one that there is, got 'step'",
    ),
    (
        {"question": "x" * 201},
        DeclarationError,
        f"declaration, question: needs text on one line of 1 to 200 letters, got '{'x' * 39}",
    ),
]


@pytest.mark.parametrize(("changes", "kind", "sentence"), SENTENCES)
def test_what_cannot_be_claimed(changes: dict[str, object], kind: type[HangtrueError], sentence: str) -> None:
    with pytest.raises(kind) as caught:
        draft_of(declaration(**changes))
    assert str(caught.value) == sentence


@pytest.mark.parametrize("days", [365, 5479])
def test_the_shortest_and_the_longest_trial(days: int) -> None:
    assert draft_of(declaration(horizon_days=days))["horizon_days"] == days


def test_a_field_of_the_service_is_not_the_makers() -> None:
    with refuses(DeclarationError, asked="declaration", needed="no fields but", came="'amends'"):
        draft_of(declaration() | {"amends": "ca5b29ba"})


def test_two_pairs_may_speak_of_a_kind() -> None:
    assert draft_of(declaration(scope="kind", pairs=pairs(2)))["scope"] == "kind"


def test_a_droop_needs_no_moment() -> None:
    bare = [{"a": sides("north", None), "b": sides("south", None) | {"no_moment": "a glued panel"}}]
    found = draft_of(declaration(quantity="droop", pairs=bare))
    a, b = sides_of(found)
    assert a[0]["moment_n_m"] is b[0]["moment_n_m"] is None
    assert "no_moment" not in b[0]


def test_unmatched_doors_take_three_a_side_and_speak_of_a_kind() -> None:
    a, b = sides_of(draft_of(groups(3, 4)))
    assert (len(a), len(b)) == (3, 4)
    with refuses(ScopeError, asked="a verdict from unmatched doors", needed="3 a side", came="2 and 6"):
        draft_of(groups(2, 6))
    with refuses(ScopeError, asked="unmatched doors", needed="the scope kind", came="doors"):
        draft_of(groups(3, 3) | {"scope": "doors"})


def test_several_joints_of_a_door_have_a_moment_each() -> None:
    north = sides("north") | {"joints": ["lock-hinge", "top-hinge"], "moment_n_m": ["71.73", "40.2"]}
    record = PUBLISHED["input"] | {"pairs": [{"a": north, "b": sides("south")}]}
    assert declared_of(record).a[0].moments_n_m == (71.73, 40.2)


def test_a_record_without_doors_is_withdrawn_and_claims_nothing() -> None:
    assert declared_of(without_doors(PUBLISHED["input"])).is_withdrawn
    assert without_doors(PUBLISHED["input"])["pairs"] == []
    with refuses(DeclarationError, asked="declaration", needed="1 pair", came="none"):
        refuse_overclaim(without_doors(draft_of(groups(3, 3))))


def test_a_start_before_the_sealing_is_refused() -> None:
    today = date(2026, 11, 24)
    refuse_early_start(today, today)
    with pytest.raises(StartError) as caught:
        refuse_early_start(date(2025, 3, 1), today)
    assert str(caught.value) == "start: needs 24 November 2026 or later, the day of sealing, got 1 March 2025"
    assert spoken(today) == "24 November 2026"
