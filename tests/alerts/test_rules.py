"""Verdicts and counts. The cases of tests/published/alerts.jsonl were written by hand before any code."""

import ast
import importlib
from pathlib import Path

import pytest

from server.alerts import rules
from server.alerts.rules import STEPS, Limits
from server.inspection.values import Finding
from tests.alerts.book import played, standing
from tests.alerts.cases import CASES, Case, of_kind

VERDICTS, NIGHTS = of_kind("verdict"), of_kind("nights")
ROOT = Path(__file__).parents[2]
IMPURE = {"sqlalchemy", "logging", "time", "threading", "socket", "subprocess", "asyncio", "urllib", "http"}
PURE_ELSEWHERE = {"server.errors"}


@pytest.mark.parametrize("case", VERDICTS, ids=[case["name"] for case in VERDICTS])
def test_verdict(case: Case) -> None:
    step = STEPS[case["code"]]
    finding = Finding(topic=step.topic, about="north", evidence=case["evidence"])
    assert rules.judge(finding, step, Limits()) == case["expect"]


@pytest.mark.parametrize("case", NIGHTS, ids=[case["name"] for case in NIGHTS])
def test_nights(case: Case) -> None:
    book, expect = played(case), case["expect"]
    assert sorted(book.events) == sorted(expect.get("events", book.events)), case["why"]
    assert standing(book) == sorted(expect.get("standing", standing(book)))
    assert book.refusals == expect.get("refusals", book.refusals)


def test_every_case_of_the_rules_is_there() -> None:
    kinds = {kind: len(of_kind(kind)) for kind in ("rules", "verdict", "nights", "slots")}
    assert kinds == {"rules": 1, "verdict": 152, "nights": 212, "slots": 12}
    assert len(CASES) == 425


def test_order_of_findings_does_not_matter() -> None:
    for case in NIGHTS:
        turned = [{**run, "findings": run["findings"][::-1]} for run in case["nights"]]
        assert sorted(played({**case, "nights": turned}).events) == sorted(played(case).events)


def test_rules_and_all_they_import_are_pure() -> None:
    left, seen = ["server.alerts.rules"], set[str]()
    while left:
        name = left.pop()
        seen.add(name)
        for module in imported(name):
            assert module.partition(".")[0] not in IMPURE, f"{name} imports {module}"
            if module.startswith("server.") and module not in seen:
                assert module.startswith("server.alerts.") or module in PURE_ELSEWHERE, module
                left.append(module)
    assert {"server.alerts.words", "server.alerts.folding", "server.alerts.covering"} <= seen


def imported(name: str) -> set[str]:
    source = ROOT / f"{name.replace('.', '/')}.py"
    found = set[str]()
    for node in ast.walk(ast.parse(source.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {one.name for one in node.names}
        if isinstance(node, ast.ImportFrom) and node.module:
            inner = {f"{node.module}.{one.name}" for one in node.names}
            found |= {one if is_module(one) else node.module for one in inner}
    return found


def is_module(name: str) -> bool:
    return name.startswith("server.") and (ROOT / f"{name.replace('.', '/')}.py").exists()


def test_the_names_that_others_use_are_there() -> None:
    module = importlib.import_module("server.alerts.rules")
    assert all(hasattr(module, name) for name in module.__all__)
