"""The published cases of rules: written by hand, then run through a reference, before any code of ours."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from server.alerts.ledger import BOX_TOPICS
from server.inspection.values import Finding

Case = dict[str, Any]
FILE = Path(__file__).parents[1] / "published" / "alerts.jsonl"
CASES: tuple[Case, ...] = tuple(json.loads(line) for line in FILE.read_text("utf-8").splitlines())
HOUSE = frozenset((*BOX_TOPICS, "site", "certificate", "disk", "backup", "intake", "channel"))


def of_kind(kind: str) -> list[Case]:
    """Every case of a kind."""
    return [case for case in CASES if case["kind"] == kind]


def found(given: Mapping[str, Any]) -> Finding:
    """A finding of a case."""
    return Finding(
        topic=given["topic"],
        about=given["about"],
        evidence=given["evidence"],
        rests_on=tuple(given.get("rests_on", ())),
        unjudged=given.get("unjudged"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NightOf:
    """One look of a case: its night, what people did before it, what came late, what it found."""

    night: str
    findings: tuple[Finding, ...]
    acts: tuple[Case, ...] = ()
    late: tuple[tuple[str, tuple[Finding, ...]], ...] = ()


def nights_of(case: Case) -> Iterator[NightOf]:
    """The looks of a case in order. A night already done is not done again, unless the case says so."""
    done = ""
    for run in case["nights"]:
        start, findings = date.fromisoformat(run["from"]), tuple(map(found, run["findings"]))
        for k in range(run["count"]):
            night = (start + timedelta(days=k)).isoformat()
            if night <= done and not run.get("again"):
                continue
            done = max(done, night)
            late = run.get("late", []) if k == 0 else []
            yield NightOf(
                night=night,
                findings=findings,
                acts=tuple(run.get("acts", []) if k == 0 else []),
                late=tuple((one["night"], tuple(map(found, one["findings"]))) for one in late),
            )
            for _ in range(1, run.get("times", 1)):
                yield NightOf(night=night, findings=findings)
