"""Worked cases of trials; each names its source in tests/published/trial.json."""

import json
from pathlib import Path
from typing import Any

FILE: dict[str, Any] = json.loads((Path(__file__).parents[1] / "published" / "trial.json").read_text("utf-8"))
CASES: dict[str, dict[str, Any]] = {case["id"]: case for case in FILE["cases"]}


def of_topic(topic: str, key: str) -> list[dict[str, Any]]:
    """The cases of a topic that were asked with `key`."""
    found = [case for case in CASES.values() if case["topic"] == topic and key in case["input"]]
    assert found
    return found
