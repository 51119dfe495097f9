"""The published cases of messages, tries, addresses and signatures."""

import json
from functools import cache
from pathlib import Path
from typing import Any

FILE = Path(__file__).parents[2] / "published" / "notices.jsonl"


@cache
def cases(kind: str) -> tuple[dict[str, Any], ...]:
    """Every case of a kind. `said`: events of the ledger night by night, and the messages that follow."""
    lines = FILE.read_text("utf-8").splitlines()
    return tuple(case for case in map(json.loads, lines) if case["kind"] == kind)


def names(kind: str) -> list[str]:
    """Their names, for a test's own."""
    return [str(case["name"]) for case in cases(kind)]


@cache
def rules() -> dict[str, tuple[int, str]]:
    """Rank and weight of each step."""
    return {code: (rank, weight) for code, _, rank, weight, *_ in cases("rules")[0]["rules"]}
