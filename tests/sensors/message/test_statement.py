"""Statement, status and settings: the published cases, the forms of the contract, there and back."""

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors.message.errors import ConfigError
from sensors.message.statement import (
    LAST_WILL,
    ChannelSetting,
    Config,
    Statement,
    read_config,
    read_statement,
    read_status,
    spans_of,
    statement_ranges,
    write_config,
    write_statement,
    write_status,
)
from tests.sensors.message.worlds import Case, lines

CASES = lines("statements.jsonl")
LAW = settings(derandomize=True, database=None, deadline=None, max_examples=200)

# the examples of the contract
STATEMENT = (
    b'{"jrn":"7c1e90ab","upto":40,"have":[[43,47]],"held":[[41,42,"unknown-channel"]],"t":1767268801234}'
)
STATUS = (
    b'{"st":"up","t":1767268805000,"jrn":"7c1e90ab","head":412,"tail":1,"pend":3,"held":0,"stuck":0,"lost":0,'
    b'"cfg":7,"gen":2,"fw":"2.3.0","proto":1,"bat_mv":2987,"rssi":-67,"boot":12,"why":"power","clk":null,'
    b'"next_s":3600,"err":[]}'
)
CONFIG = (
    b'{"proto":1,"rev":7,"sample_s":600,"upload_s":3600,"phase_s":1337,"backfill":30,'
    b'"chan":[["gap-lock-top","/",6],["air-rh","%RH",2]],"fw_want":"2.3.0"}'
)


def changed(payload: bytes, **members: Any) -> bytes:
    return json.dumps(json.loads(payload) | members).encode()


def without(payload: bytes, member: str) -> bytes:
    return json.dumps({name: value for name, value in json.loads(payload).items() if name != member}).encode()


def test_the_file_of_cases_is_whole() -> None:
    assert len(CASES) == 9


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_published_ranges(case: Case) -> None:
    upto, have = statement_ranges(spans_of(case["stored"]), case["tail"])
    assert (upto, [list(span) for span in have]) == (case["upto"], case["have"])


@LAW
@given(st.sets(st.integers(1, 60)), st.integers(1, 60))
def test_ranges_say_what_is_stored_or_below_the_tail(stored: set[int], tail: int) -> None:
    upto, have = statement_ranges(spans_of(stored), tail)
    said = set(range(1, upto + 1)).union(*(range(first, last + 1) for first, last in have))
    assert said == stored | set(range(1, tail)) | set(range(1, upto + 1))
    assert set(range(1, upto + 1)) <= stored | set(range(1, tail))
    assert upto + 1 not in stored


def test_statement_of_the_contract() -> None:
    found = read_statement(STATEMENT)
    assert found == Statement(
        journal="7c1e90ab",
        upto=40,
        have=((43, 47),),
        held=((41, 42, "unknown-channel"),),
        t_ms=1767268801234,
    )
    assert write_statement(found) == STATEMENT


def test_statement_keeps_the_newest() -> None:
    many = Statement(
        journal="7c1e90ab",
        upto=0,
        have=tuple((10 * n, 10 * n + 1) for n in range(1, 41)),
        held=tuple((10 * n + 5, 10 * n + 5, "bad-time") for n in range(1, 11)),
        t_ms=1,
    )
    found = read_statement(write_statement(many))
    assert found == replace(many, have=many.have[-32:], held=many.held[-8:])


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"[]",
        b"{}",
        changed(STATEMENT, jrn="7C1E90AB"),
        changed(STATEMENT, jrn=None),
        changed(STATEMENT, upto=-1),
        changed(STATEMENT, upto=40.0),
        changed(STATEMENT, t=True),
        changed(STATEMENT, t=1.5),
        changed(STATEMENT, have=[[47, 43]]),
        changed(STATEMENT, have=[[43, 47], [48, 49]]),  # touching
        changed(STATEMENT, have=[[50, 51], [43, 47]]),
        changed(STATEMENT, have=[[41, 47]]),  # touches upto
        changed(STATEMENT, have=[[43]]),
        changed(STATEMENT, have=[43, 47]),
        changed(STATEMENT, have=None),
        changed(STATEMENT, have=[[3 * n + 100, 3 * n + 100] for n in range(33)]),
        changed(STATEMENT, held=[[41, 42]]),
        changed(STATEMENT, held=[[41, 42, 7]]),
        changed(STATEMENT, held=[[3 * n + 100, 3 * n + 100, "bad-time"] for n in range(9)]),
        without(STATEMENT, "held"),
    ],
)
def test_no_statement(payload: bytes) -> None:
    assert read_statement(payload) is None


def test_a_statement_may_carry_more_members() -> None:
    assert read_statement(changed(STATEMENT, more={"x": 1.5})) == read_statement(STATEMENT)


def test_status_of_the_contract() -> None:
    found = read_status(STATUS)
    assert found is not None
    assert (found.state, found.head, found.battery_mv, found.rssi_dbm) == ("up", 412, 2987, -67)
    assert (found.t_ms, found.clock_fix, found.errors) == (1767268805000, None, ())
    assert write_status(found) == STATUS


def test_status_with_a_clock_fix_and_errors() -> None:
    payload = changed(
        STATUS, st="asleep", t=None, clk=[1, 9, -3], err=[["config", "rev"], ["time", "undated"]]
    )
    found = read_status(payload)
    assert found is not None
    assert (found.state, found.t_ms, found.clock_fix) == ("asleep", None, (1, 9, -3))
    assert found.errors == (("config", "rev"), ("time", "undated"))
    assert read_status(write_status(found)) == found


def test_a_wired_node_may_leave_out_battery_and_radio() -> None:
    found = read_status(without(without(STATUS, "bat_mv"), "rssi"))
    assert found is not None
    assert (found.battery_mv, found.rssi_dbm) == (None, None)


@pytest.mark.parametrize(
    "payload",
    [
        LAST_WILL,
        b"no",
        changed(STATUS, st="dozing"),
        changed(STATUS, jrn="7c1e"),
        changed(STATUS, head="412"),
        changed(STATUS, pend=-1),
        changed(STATUS, t=1.5),
        changed(STATUS, rssi="weak"),
        changed(STATUS, fw=2),
        changed(STATUS, why=None),
        changed(STATUS, clk=[1, 2]),
        changed(STATUS, clk=[9, 1, 3]),
        changed(STATUS, clk=[1, 9, 0.5]),
        changed(STATUS, err=None),
        changed(STATUS, err=["rev"]),
        changed(STATUS, err=[["config", 1]]),
        changed(STATUS, err=[[]]),
        without(STATUS, "next_s"),
    ],
)
def test_no_status(payload: bytes) -> None:
    assert read_status(payload) is None


def test_last_will_to_the_byte() -> None:
    assert LAST_WILL == b'{"st":"gone"}'


def test_config_of_the_contract() -> None:
    found = read_config(CONFIG)
    assert found == Config(
        rev=7,
        sample_s=600,
        upload_s=3600,
        phase_s=1337,
        backfill=30,
        channels=(
            ChannelSetting(name="gap-lock-top", unit="/", decimals=6),
            ChannelSetting(name="air-rh", unit="%RH", decimals=2),
        ),
        firmware_wanted="2.3.0",
    )
    assert write_config(found) == CONFIG
    assert read_config(write_config(replace(found, firmware_wanted=None))).firmware_wanted is None


@pytest.mark.parametrize(
    ("payload", "member"),
    [
        (b"[]", "form"),
        (changed(CONFIG, proto=2), "proto"),
        (changed(CONFIG, proto=True), "proto"),
        (changed(CONFIG, rev=-1), "rev"),
        (changed(CONFIG, sample_s=59), "sample_s"),
        (changed(CONFIG, sample_s=86401), "sample_s"),
        (changed(CONFIG, sample_s=600.0), "sample_s"),
        (changed(CONFIG, upload_s=3601), "upload_s"),
        (changed(CONFIG, upload_s=0), "upload_s"),
        (changed(CONFIG, upload_s=87000), "upload_s"),
        (changed(CONFIG, phase_s=3601), "phase_s"),
        (changed(CONFIG, backfill=None), "backfill"),
        (changed(CONFIG, fw_want=2), "fw_want"),
        (changed(CONFIG, chan=[]), "chan"),
        (changed(CONFIG, chan=[["a", "/", 0]] * 65), "chan"),
        (changed(CONFIG, chan=[["a", "/", 0], ["a", "m", 0]]), "chan"),
        (changed(CONFIG, chan=[["a", "/"]]), "chan"),
        (changed(CONFIG, chan=[["a b", "/", 0]]), "chan"),
        (changed(CONFIG, chan=[["a" * 65, "/", 0]]), "chan"),
        (changed(CONFIG, chan=[["a", "mm", 0]]), "chan"),
        (changed(CONFIG, chan=[["a", [], 0]]), "chan"),
        (changed(CONFIG, chan=[["a", "/", 10]]), "chan"),
    ],
)
def test_settings_that_a_node_must_not_take(payload: bytes, member: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read_config(payload)
    assert caught.value.member == member
    assert caught.value.asked == f"config, {member}"
    assert caught.value.needed


@pytest.mark.parametrize(
    "bounds", [{"sample_s": 60, "upload_s": 86400}, {"sample_s": 86400, "upload_s": 86400}]
)
def test_settings_on_their_bounds(bounds: dict[str, int]) -> None:
    assert read_config(changed(CONFIG, **bounds)).sample_s == bounds["sample_s"]


def test_the_collector_cannot_write_what_no_node_takes() -> None:
    with pytest.raises(ConfigError, match="upload_s"):
        write_config(replace(read_config(CONFIG), upload_s=601))
