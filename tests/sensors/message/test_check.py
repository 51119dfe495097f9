"""The check against the published cases of the wire, and the RFCs that it names."""

import json
from collections import Counter

import pytest

from sensors.message.check import check, check_pack, check_stored, moment_ms
from sensors.message.errors import CODES, MessageError
from tests.sensors.message.worlds import (
    ARRIVAL_MS,
    SETUP,
    Case,
    DictWorld,
    arrival_of,
    lines,
    packs,
    payload_of,
    world_before,
)

NORTH = "hangtrue/v1/saltmarsh-yard/north/readings"
PORCH = "hangtrue/v1/saltmarsh-yard/porch/readings"
META = {"bjrn": "7c1e90ab", "bseq": 41, "bclk": "utc"}


def named(cases: object) -> list[object]:
    return [pytest.param(case, id=case["name"]) for case in cases]  # type: ignore[attr-defined]  # cases are read from JSON


def pack_of(*records: dict[str, object], **meta: object) -> bytes:
    head = {"bn": "saltmarsh-yard/north/", "bt": 1767268200, "bcnt": len(records), **META, **meta}
    return json.dumps([{**head, **records[0]}, *records[1:]]).encode()


def row(name: str, value: float, **more: object) -> dict[str, object]:
    return {"n": name, "u": "/", "v": value, **more}


def test_the_file_of_cases_is_whole() -> None:
    assert Counter(case["expect"] for case in lines("packs.jsonl")) == {
        "stored": 25,
        "refused": 82,
        "resolved": 6,
    }
    assert {case["code"] for case in packs("refused")} == set(CODES)
    assert len(CODES) == 26


@pytest.mark.parametrize("case", named(packs("stored")))
def test_stored(case: Case) -> None:
    new = world_before(case).store(case["topic"], payload_of(case), arrival_of(case))
    unit_of = {channel: unit for node in SETUP["nodes"].values() for channel, unit in node.values()}
    assert [{**one, "u": unit_of[one["channel"]]} for one in new] == case["readings"]


@pytest.mark.parametrize("case", named(packs("refused")))
def test_refused(case: Case) -> None:
    world = world_before(case)
    with pytest.raises(MessageError) as caught:
        check(case["topic"], payload_of(case), arrival_of(case), world)
    assert caught.value.code == case["code"]
    assert caught.value.asked.startswith("pack")
    assert caught.value.needed
    assert 0 < len(caught.value.came) <= 40


@pytest.mark.parametrize("case", named([*packs("stored"), *packs("refused")]))
def test_in_two_steps(case: Case) -> None:
    """What a collector does in bulk gives what the whole check gives."""
    world = world_before(case)

    def whole() -> object:
        return check(case["topic"], payload_of(case), arrival_of(case), world)

    def steps() -> object:
        return check_stored(check_pack(case["topic"], payload_of(case), arrival_of(case), world), world)

    outcomes = []
    for way in (whole, steps):
        try:
            outcomes.append(way())
        except MessageError as fault:
            outcomes.append((fault.code, fault.record, fault.meta))
    assert outcomes[0] == outcomes[1]


def test_a_refusal_names_the_record_and_the_range_it_holds() -> None:
    payload = pack_of(
        row("gap-lock-top", 0.4), row("gap-lock-top", 41, t=600), row("gap-lock-top", 0.4, t=1200)
    )
    with pytest.raises(MessageError) as caught:
        check_pack(NORTH, payload, ARRIVAL_MS + 3600000, DictWorld())
    assert caught.value.meta == ("7c1e90ab", 41, 43)
    assert caught.value.record == 1
    assert str(caught.value) == "pack, record 1: needs -0.5 to 1.5 /, got 41.0 (out-of-range)"


def test_a_refusal_before_its_meta_holds_nothing() -> None:
    with pytest.raises(MessageError) as caught:
        check_pack(NORTH, pack_of(row("gap-lock-top", 0.4), bjrn="?"), ARRIVAL_MS, DictWorld())
    assert (caught.value.code, caught.value.meta) == ("bad-meta", None)


def test_a_refusal_by_the_store_holds_the_range() -> None:
    world = DictWorld()
    world.store(NORTH, pack_of(row("gap-lock-top", 0.4)), ARRIVAL_MS)
    again = check_pack(NORTH, pack_of(row("gap-lock-top", 0.5)), ARRIVAL_MS, world)
    with pytest.raises(MessageError) as caught:
        check_stored(again, world)
    assert (caught.value.code, caught.value.meta) == ("duplicate-different-value", ("7c1e90ab", 41, 41))


def test_the_earliest_record_decides_not_the_earliest_code() -> None:
    payload = pack_of(row("gap-lock-top", 41), row("", 0.4, bn=""))
    with pytest.raises(MessageError) as caught:
        check_pack(NORTH, payload, ARRIVAL_MS, DictWorld())
    assert caught.value.code == "out-of-range"


def test_a_stored_stamp_comes_before_a_value_that_differs_within_the_pack() -> None:
    """Stage D: the other time of instant 41 is code 25, two values at one time are code 26."""
    world = DictWorld()
    world.store(NORTH, pack_of(row("air-rh", 50, u="%RH", t=-60)), ARRIVAL_MS)
    three = [row("gap-lock-top", 0.4), row("gap-lock-foot", 0.4, t=1), row("gap-lock-top", 0.5)]
    with pytest.raises(MessageError) as caught:
        check(NORTH, pack_of(*three), ARRIVAL_MS, world)
    assert (caught.value.code, caught.value.meta) == ("seq-mismatch", ("7c1e90ab", 41, 43))


def test_without_a_clock_a_stored_instant_keeps_its_stamp_and_its_fault() -> None:
    world = DictWorld()
    relative = {"bt": -60, "bclk": "none"}
    world.store(NORTH, pack_of(row("gap-lock-top", 0.4), **relative), ARRIVAL_MS)
    later = check(NORTH, pack_of(row("gap-lock-top", 0.4), **relative), ARRIVAL_MS + 5000, world)
    assert later.instants == ((41, ARRIVAL_MS - 60000),)
    assert later.readings == (("north.gap-lock-top", ARRIVAL_MS - 60000, 0.4),)
    with pytest.raises(MessageError, match="duplicate-different-value"):
        check(NORTH, pack_of(row("gap-lock-top", 0.5), **relative), ARRIVAL_MS + 5000, world)


def test_stored_with_a_clock_and_sent_again_without() -> None:
    world = DictWorld()
    world.store(NORTH, pack_of(row("gap-lock-top", 0.4)), ARRIVAL_MS)
    again = check(NORTH, pack_of(row("gap-lock-top", 0.4), bt=-60, bclk="none"), ARRIVAL_MS, world)
    assert again.instants == ((41, 1767268200000),)


def test_the_range_held_ends_at_the_last_sequence_number() -> None:
    payload = pack_of(row("gap-lock-top", 0.4), row("gap-lock-top", 0.4, t=1), bseq=2**53 - 1)
    with pytest.raises(MessageError) as caught:
        check_pack(NORTH, payload, ARRIVAL_MS, DictWorld())
    assert caught.value.meta == ("7c1e90ab", 2**53 - 1, 2**53 - 1)


def test_an_untracked_reading_said_twice_is_one() -> None:
    payload = b'[{"n":"porch/rh","u":"%RH","v":61},{"n":"porch/rh","u":"%RH","v":61}]'
    found = check_pack(PORCH, payload, ARRIVAL_MS, DictWorld())
    assert found.readings == (("porch.air-rh", ARRIVAL_MS, 61.0),)
    assert (found.clock, found.stamped, found.instants) == ("arrival", (0,), ())


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"bcnt": 501}, "bad-meta"),
        ({"bcnt": 500}, "count-mismatch"),
        ({"bcnt": 1.0}, None),
        ({"vb": 1}, "bad-type"),
        ({"vb": True}, "two-values"),
        ({"s": 3}, None),  # beside a value a sum is ignored
        ({"ut": "x"}, "bad-type"),
    ],
)
def test_labels(more: dict[str, object], code: str | None) -> None:
    payload = pack_of(row("gap-lock-top", 0.4), **more)
    if code is None:
        assert len(check_pack(NORTH, payload, ARRIVAL_MS, DictWorld()).readings) == 1
    else:
        with pytest.raises(MessageError) as caught:
            check_pack(NORTH, payload, ARRIVAL_MS, DictWorld())
        assert caught.value.code == code


@pytest.mark.parametrize(
    ("time_s", "ms"),
    [
        (2.0**28, 268435456000),  # RFC 8428 section 4.5.3: from 2**28 on the time is absolute
        (2.0**28 - 1, ARRIVAL_MS + 268435455000),
        (-0.0005, ARRIVAL_MS),  # rounds half up
        (-0.0006, ARRIVAL_MS - 1),
        (1e12, None),
        (float("nan"), None),
    ],
)
def test_time_of_a_record(time_s: float, ms: int | None) -> None:
    assert moment_ms(time_s, ARRIVAL_MS) == ms


def test_depth_costs_a_refusal_not_the_collector() -> None:
    deep = b'[{"n":"porch/rh","u":"%RH","v":50,"q":' + b"[" * 40 + b"]" * 40 + b"}]"
    with pytest.raises(MessageError, match="not-json"):
        check_pack(PORCH, deep, ARRIVAL_MS, DictWorld())
    shallow = deep.replace(b"[" * 40 + b"]" * 40, b"[[[]]]")
    assert len(check_pack(PORCH, shallow, ARRIVAL_MS, DictWorld()).readings) == 1
