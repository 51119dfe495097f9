"""Verdicts and counts. The cases of tests/published/alerts.jsonl were written by hand before any code."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from server.alerts import rules
from server.alerts.rules import STEPS, AlertNow, Condition, Limits
from server.inspection.values import Finding

CASES: list[dict[str, Any]] = [
    json.loads(line)
    for line in (Path(__file__).parents[1] / "published" / "alerts.jsonl").read_text("utf-8").splitlines()
]
VERDICTS = [case for case in CASES if case["kind"] == "verdict"]
NIGHTS = [case for case in CASES if case["kind"] == "nights"]


def found(given: dict[str, Any]) -> Finding:
    return Finding(
        topic=given["topic"],
        about=given["about"],
        evidence=given["evidence"],
        rests_on=tuple(given.get("rests_on", ())),
        unjudged=given.get("unjudged"),
    )


@dataclass
class Book:
    """The ledger's part of a case, in memory: conditions, newest alerts, events."""

    conditions: dict[str, Condition] = field(default_factory=dict)
    alerts: dict[str, AlertNow] = field(default_factory=dict)
    events: list[list[str]] = field(default_factory=list)
    refusals: list[list[str]] = field(default_factory=list)
    done: str = ""

    def act(self, act: dict[str, str], night: str) -> None:
        alert = self.alerts.get(act["cause"])
        if alert is None or alert.ended:
            self.refusals.append([night, "no alert stands"])
        elif act["act"] == "seen":
            event = [night, "seen", alert.step, act["cause"]]
            self.events += [] if event in self.events else [event]
        elif not rules.are_words(act["words"]):
            self.refusals.append([night, "say how it ended"])
        else:
            self.events.append([night, "ended", alert.step, act["cause"], "person"])
            self.alerts[act["cause"]] = AlertNow(step=alert.step, ended=night, how="person")
            self.conditions[act["cause"]] = rules.closed_by_person(
                self.conditions[act["cause"]], step=alert.step, night=night
            )

    def look(self, findings: list[Finding], night: str) -> None:
        if night <= self.done:
            return
        self.done = night
        given = {f"{one.topic}:{one.about}": one for one in findings}
        silent = {
            one.about
            for one in findings
            if rules.judge(one, STEPS["node_silent"], Limits()) == "holds" and one.topic == "heard"
        }
        for cause in sorted(set(given) | set(self.conditions)):
            topic = cause.partition(":")[0]
            one = given.get(cause)
            if one is not None and {name.partition("/")[0] for name in one.rests_on} & silent:
                one = Finding(topic=one.topic, about=one.about, evidence={}, unjudged=rules.NOT_HEARD)
            after = rules.fold(
                self.conditions.get(cause, Condition()), one, topic=topic, night=night, limits=Limits()
            )
            self.conditions[cause] = after
            for change in rules.changes(self.alerts.get(cause), after, night=night):
                self.note(cause, change, night)

    def note(self, cause: str, change: rules.Change, night: str) -> None:
        event = [night, change.kind, change.step, cause]
        self.events.append([*event, change.detail] if change.detail else event)
        before = self.alerts.get(cause)
        frozen = change.kind == "frozen" or (change.kind != "thawed" and before is not None and before.frozen)
        ended = night if change.kind == "ended" else None
        self.alerts[cause] = AlertNow(
            step=change.step, frozen=frozen and not ended, ended=ended, how=change.detail or None
        )


def nights_of(case: dict[str, Any]) -> Iterator[tuple[str, list[Finding], list[dict[str, str]]]]:
    for run in case["nights"]:
        start = date.fromisoformat(run["from"])
        for k in range(run["count"]):
            findings = [found(one) for one in run["findings"]]
            for again in range(run.get("times", 1)):
                yield str(start + timedelta(days=k)), findings, run.get("acts", []) if k == again == 0 else []


@pytest.mark.parametrize("case", VERDICTS, ids=[case["name"] for case in VERDICTS])
def test_verdict(case: dict[str, Any]) -> None:
    step = STEPS[case["code"]]
    finding = Finding(topic=step.topic, about="north", evidence=case["evidence"])
    assert rules.judge(finding, step, Limits()) == case["expect"]


@pytest.mark.parametrize("case", NIGHTS, ids=[case["name"] for case in NIGHTS])
def test_nights(case: dict[str, Any]) -> None:
    book = Book()
    for night, findings, acts in nights_of(case):
        for act in acts:
            book.act(act, night)
        book.look(findings, night)
    expect = case["expect"]
    assert sorted(book.events) == sorted(expect["events"])
    standing = sorted(f"{alert.step} {cause}" for cause, alert in book.alerts.items() if not alert.ended)
    assert standing == sorted(expect.get("standing", standing))
    assert book.refusals == expect.get("refusals", book.refusals)


def test_every_case_is_run() -> None:
    assert (len(VERDICTS), len(NIGHTS)) == (VERDICT_CASES, NIGHT_CASES)


VERDICT_CASES, NIGHT_CASES = 42, 49
AT_LIMITS: list[tuple[str, dict[str, float], dict[str, float], str]] = [
    (
        "joint_opening",
        {"turn_stays_mrad": 0.15, "turn_low_mrad": 0.10},
        {"turn_alert_mrad": 0.151},
        "between",
    ),
    (
        "joint_opening",
        {"turn_stays_mrad": 0.15, "turn_low_mrad": 0.10},
        {"turn_alert_low_mrad": 0.101},
        "between",
    ),
    (
        "joint_opening",
        {"turn_stays_mrad": 0.1199, "turn_low_mrad": 0.0},
        {"turn_alert_gone_mrad": 0.119},
        "between",
    ),
    (
        "joint_open",
        {"opening_stays_mm": 0.3, "opening_low_mm": 0.2, "opening_open_mm": 0.3},
        {"low_share": 0.67},
        "between",
    ),
    (
        "leaf_over",
        {"droop_stays_mm": 1.59, "droop_low_mm": 0.0, "droop_limit_mm": 2.0},
        {"gone_share": 0.79},
        "between",
    ),
    ("leaf_over", {"rack_stays_mm": 0.15, "rack_sd_mm": 0.075}, {"rack_sd_mm": 0.074}, "unjudged"),
]


@pytest.mark.parametrize(("code", "evidence", "changed", "after"), AT_LIMITS)
def test_each_limit_decides(
    code: str, evidence: dict[str, float], changed: dict[str, float], after: str
) -> None:
    step = STEPS[code]
    before = step.verdict(evidence, Limits())
    assert before in ("holds", "gone")
    assert step.verdict(evidence, Limits(**changed)) == after


def test_a_number_that_is_none_is_never_small() -> None:
    for bad in (None, float("nan"), float("inf"), True, "0.2"):
        assert (
            STEPS["joint_open"].verdict(
                {"turn_stays_mrad": bad, "turn_low_mrad": 0.0, "turn_open_mrad": 0.2}, Limits()
            )
            == "unjudged"
        )
    assert STEPS["joint_opening"].verdict({}, Limits()) == "unjudged"
    assert STEPS["node_silent"].verdict({"overdue": True, "silent_h": None}, Limits()) == "unjudged"


def test_nights_looked_at_anew_may_contradict_an_alert() -> None:
    alert = AlertNow(step="joint_open")
    assert [one.detail for one in rules.changes(alert, Condition(), night="2027-03-10", was_past=True)] == [
        "contradicted"
    ]
    assert [one.detail for one in rules.changes(alert, Condition(), night="2027-03-10")] == ["gone"]


@pytest.mark.parametrize(
    ("text", "is_said"), [("", False), ("ok", False), ("12345", False), ("set", True), (" a b c", True)]
)
def test_words_are_three_letters(text: str, *, is_said: bool) -> None:
    assert rules.are_words(text) is is_said
