"""The canonical form, against two independent libraries of RFC 8785 and the published seals."""

import json
from collections.abc import Callable
from importlib import import_module
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.trials.canonical import canonical, normal, seal, seal_of, shown
from server.trials.refusals import DeclarationError
from tests.refusals import refuses
from tests.trend.trial_cases import CASES

LIBRARIES: list[Callable[[object], bytes]] = [
    import_module("rfc8785").dumps,
    import_module("jcs").canonicalize,
]
FIRST = CASES["seal-first"]
AMENDED = FIRST["input"] | {key: one for key, one in CASES["seal-amended"]["input"].items() if key != "rest"}
KEYS = st.text(st.characters(max_codepoint=127), max_size=6)
RECORDS = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.text(st.characters(codec="utf-8"), max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize(
    ("record", "wanted"),
    [
        (FIRST["input"], FIRST["output"]["sha256"]),
        (AMENDED, CASES["seal-amended"]["output"]["sha256"]),
        (CASES["seal-second"]["input"], CASES["seal-second"]["output"]["sha256"]),
        (CASES["seal-text"]["input"], CASES["seal-text"]["output"]["sha256"]),
    ],
    ids=["first", "amended", "second", "text"],
)
def test_seals_as_published(record: dict[str, Any], wanted: str) -> None:
    assert seal(record) == wanted
    assert [library(record) for library in LIBRARIES] == [canonical(record)] * 2


def test_bytes_as_published() -> None:
    assert len(canonical(FIRST["input"])) == FIRST["output"]["bytes"]
    assert canonical(CASES["seal-text"]["input"]).decode() == CASES["seal-text"]["output"]["canonical"]


@given(RECORDS)
def test_any_record_has_the_bytes_of_both_libraries(record: object) -> None:
    found = canonical(record)
    assert [library(record) for library in LIBRARIES] == [found, found]
    assert json.loads(found) == record


def test_order_of_writing_does_not_change_the_seal() -> None:
    turned = dict(reversed(FIRST["input"].items()))
    assert seal(turned) == seal(FIRST["input"])
    assert seal(turned | {"band": "0.06"}) != seal(FIRST["input"])


@pytest.mark.parametrize("least", ["z", "Z"])
def test_one_letter_makes_another_seal(least: str) -> None:
    assert len({seal({"question": "x"}), seal({"question": least}), seal_of(b"{}")}) == 3


def test_a_letter_and_its_mark_are_one() -> None:
    assert normal("A\u0308") == "Ä"


def test_a_seal_is_shown_in_groups_of_four() -> None:
    assert shown(FIRST["output"]["sha256"]) == "5184 dc6e"
    assert len(shown(FIRST["output"]["sha256"], 64).split()) == 16


@pytest.mark.parametrize(
    ("record", "needed"),
    [
        ({"band": 0.05}, "decimals as text"),
        ({"n": 2**53}, "below 2^53"),
        ({"n": [-(2**53)]}, "below 2^53"),
        ({"é": 1}, "keys of ASCII"),
        ({1: 1}, "keys of ASCII"),
        ({"a": "\ud800"}, "whole letters"),
        ({"a": (1, 2)}, "text or whole numbers"),
    ],
)
def test_what_has_no_one_form_is_refused(record: object, needed: str) -> None:
    with refuses(DeclarationError, asked="seal a record", needed=needed, came=""):
        canonical(record)
