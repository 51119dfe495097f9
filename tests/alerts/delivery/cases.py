"""The published cases of messages, tries, addresses and signatures."""

from functools import cache
from typing import Any

from tests.alerts.cases import Case, of_kind


@cache
def cases(kind: str) -> tuple[dict[str, Any], ...]:
    """Every case of a kind."""
    return tuple(of_kind(kind))


@cache
def told_nights() -> tuple[Case, ...]:
    """The nights of which it is known who is told what."""
    return tuple(case for case in cases("nights") if "messages" in case["expect"])


def names(kind: str) -> list[str]:
    """Their names, for a test's own."""
    return [str(case["name"]) for case in cases(kind)]


@cache
def rules() -> dict[str, tuple[int, str]]:
    """Rank and weight of each step."""
    return {code: (rank, weight) for code, _, rank, weight, *_ in cases("rules")[0]["rules"]}
