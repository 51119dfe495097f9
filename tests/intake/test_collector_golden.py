"""The golden packs of the wire through the collector: each stored or held under its one code."""

import base64
import json
from typing import Any

from sqlalchemy import Engine, delete

from server.intake.values import Offer
from server.schema import all_tables
from tests.intake.yard import ARRIVAL_MS, MESSAGES, collect, enrol_world, rows

CLOCKS = {0: "utc", 1: "drift", 2: "none"}
HOT = ("reading", "instant", "journal_span", "journal", "quarantine", "dirty_day", "downlink")
CASES = [json.loads(line) for line in (MESSAGES / "packs.jsonl").read_text("utf-8").splitlines()]
COMPLETE = [case for case in CASES if case["expect"] != "resolved"]
BEFORE, LAST = 1, 2  # tokens


def payload(case: dict[str, Any]) -> bytes:
    """The bytes of a case."""
    if case.get("encoding") == "base64":
        return base64.b64decode(case["payload"])
    came: bytes = case["payload"].encode("utf-8")
    return came.ljust(case["pad_to"]) if case.get("encoding") == "padded" else came


def offers_of(case: dict[str, Any]) -> tuple[list[Offer], Offer]:
    """The packs that come before, and the pack of the case."""
    arrival_ms = case.get("arrival_ms", ARRIVAL_MS)
    earlier_ms = case.get("before_arrival_ms", arrival_ms)
    texts = [one if isinstance(one, dict) else {"payload": one} for one in case.get("before", [])]
    before = [
        Offer(topic=case["topic"], payload=payload(one), arrival_ms=earlier_ms, token=BEFORE) for one in texts
    ]
    return before, Offer(topic=case["topic"], payload=payload(case), arrival_ms=arrival_ms, token=LAST)


def stored(engine: Engine, shown: dict[int, str]) -> set[tuple[str, int, float]]:
    """Channel, ms and value of every reading."""
    found = rows(engine, "SELECT channel_id, t_ms, value FROM reading")
    return {(shown[channel], ms, value) for channel, ms, value in found}


def wipe(engine: Engine) -> None:
    """Empty the tables that packs fill."""
    with engine.begin() as connection:
        for name in HOT:
            connection.execute(delete(all_tables().tables[name]))


def fault(engine: Engine, shown: dict[int, str], case: dict[str, Any], *, together: bool) -> str | None:
    """What came otherwise than the case says."""
    wipe(engine)
    before, last = offers_of(case)
    known: set[tuple[str, int, float]] = set()
    if before and not together:
        assert set(collect(engine, before).codes()) == {None}
        known = stored(engine, shown)
    taken = collect(engine, [last] if not together else [*before, last]).taken
    codes = [one.code for one in taken if one.token == LAST]
    if codes != [case["code"]]:
        return f"{case['name']}: code {codes}, not {case['code']}"
    if together:
        return None
    new = {(one["channel"], one["ms"], one["v"]) for one in case["readings"] or []}
    if stored(engine, shown) - known != new:
        return f"{case['name']}: other rows"
    held = rows(engine, "SELECT code, payload, topic, arrival_ms FROM quarantine")
    kept = [] if case["code"] is None else [(case["code"], last.payload, last.topic, last.arrival_ms)]
    return None if held == kept else f"{case['name']}: quarantine holds {[row[0] for row in held]}"


def test_cases_are_all_there() -> None:
    assert len(CASES) == 113
    assert len({case["code"] for case in CASES if case["code"]}) == 26


def test_each_golden_pack_is_stored_or_held(engine: Engine) -> None:
    shown = enrol_world(engine)
    assert [said for case in COMPLETE if (said := fault(engine, shown, case, together=False))] == []


def test_each_golden_pack_in_one_group_with_those_before_it(engine: Engine) -> None:
    shown = enrol_world(engine)
    cases = [case for case in COMPLETE if case.get("before")]
    assert cases
    assert [said for case in cases if (said := fault(engine, shown, case, together=True))] == []


def test_instants_of_golden_packs(engine: Engine) -> None:
    enrol_world(engine)
    for case in COMPLETE:
        if case["expect"] == "stored" and not case.get("before") and case["readings"][0]["seq"] is not None:
            wipe(engine)
            collect(engine, [offers_of(case)[1]])
            found = rows(engine, "SELECT seq, t_ms, clock FROM instant")
            told = {(one["seq"], one["ms"], one["clk"]) for one in case["readings"]}
            assert {(seq, ms, CLOCKS[clock]) for seq, ms, clock in found} == told, case["name"]
