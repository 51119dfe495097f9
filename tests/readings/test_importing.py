"""Readings from a CSV: read line by line, checked whole, stored once."""

from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, select

from server.errors import FileError
from server.readings.importing import (
    Count,
    FileReadings,
    Form,
    Target,
    compared,
    counts,
    read_csv,
    store,
)
from server.readings.tables import DirtyDay, Reading

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z
HEADER = "time,channel,value,unit"
GAP, AIR = "saltmarsh-yard/north/gap", "saltmarsh-yard/north/air-temp"
CHANNELS = {GAP: Target(id=7, unit="m"), AIR: Target(id=8, unit="Cel")}


def read(*lines: str, header: str = HEADER, form: Form | None = None) -> FileReadings:
    return read_csv(
        [header, *lines], where="r.csv", channels=CHANNELS, form=form or Form(), now_ms=NOON_MS + 86_400_000
    )


def reason(line: str, form: Form | None = None) -> str:
    (bad,) = read(line, form=form).bad
    assert bad.number == 2
    return bad.reason


def test_a_line_is_read_in_the_unit_that_the_channel_keeps() -> None:
    """4.87 mm is 0.00487 m to the last bit: divided, not multiplied (RFC 8798 section 3)."""
    (line,) = read(f"2026-01-01T12:00:00Z,{GAP},4.87,mm").lines
    assert (line.channel_id, line.t_ms, line.value) == (7, NOON_MS, 0.00487)


@pytest.mark.parametrize(
    ("moment", "ms"),
    [
        ("2026-01-01T12:00:00+00:00", NOON_MS),
        ("2026-01-01 14:00:00+02:00", NOON_MS),
        ("2026-01-01T12:00:00.0015Z", NOON_MS + 2),
        ("2026-01-01T12:00:00.0014Z", NOON_MS + 1),
        (str(NOON_MS), NOON_MS),
    ],
)
def test_times_become_milliseconds(moment: str, ms: int) -> None:
    assert read(f"{moment},{GAP},1,mm").lines[0].t_ms == ms


def test_local_times_are_of_the_zone_that_is_named() -> None:
    form = Form(zone=ZoneInfo("Europe/London"))
    lines = read(f"2025-07-01T12:00,{GAP},1,mm", f"2025-12-01T12:00,{GAP},1,mm", form=form).lines
    assert [line.t_ms // 1000 for line in lines] == [1751367600, 1764590400]


@pytest.mark.parametrize("moment", ["2025-10-26T01:30", "2025-03-30T01:30"])
def test_an_hour_that_comes_twice_or_never_needs_its_offset(moment: str) -> None:
    said = reason(f"{moment},{GAP},1,mm", Form(zone=ZoneInfo("Europe/London")))
    assert "the hour when clocks change: write its offset" in said


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (f"2026-01-01T12:00:00,{GAP},1,mm", "has no offset, one is needed or --tz ZONE"),
        (f"1.1.2026,{GAP},1,mm", "time '1.1.2026' came, a time such as"),
        (f"2026-01-01,{GAP},1,mm", "a time such as"),
        (f"1999-12-31T23:00:00Z,{GAP},1,mm", "one from 2000-01-01 until now"),
        (f"2026-01-02T12:06:00Z,{GAP},1,mm", "one from 2000-01-01 until now"),
        ("2026-01-01T12:00:00Z,saltmarsh-yard/north/gpa,1,mm", f"is not enrolled; did you mean {GAP}?"),
        (f"2026-01-01T12:00:00Z,{GAP},nan,mm", "value 'nan' is not a number"),
        (f"2026-01-01T12:00:00Z,{GAP},1_0,mm", "value '1_0' is not a number"),
        (f"2026-01-01T12:00:00Z,{GAP},1e999,mm", "a value from -10 to 10 is needed"),
        (f"2026-01-01T12:00:00Z,{GAP},1,%", "unit '%' is none of"),
        (f"2026-01-01T12:00:00Z,{GAP},1,Cel", "unit 'Cel' came, the channel keeps m"),
        (f"2026-01-01T12:00:00Z,{AIR},151,Cel", "a value from -100 to 150 is needed"),
        (f"2026-01-01T12:00:00Z,{GAP},1", "3 fields came, 4 are needed"),
        (f"2026-01-01T12:00:00Z,{GAP},1,mm,", "5 fields came, 4 are needed"),
        ("x" * 513, "at most 512 letters"),
        (f"2026-01-01T12:00:00Z,{GAP},1,mm\0", "without NUL"),
    ],
)
def test_a_bad_line_is_named_with_its_reason(line: str, said: str) -> None:
    assert said in reason(line)


def test_one_bad_line_leaves_the_others() -> None:
    read_lines = read(f"{NOON_MS},{GAP},1,mm", "", f"{NOON_MS},{AIR},x,Cel", f"{NOON_MS},{AIR},20.5,Cel")
    assert [line.value for line in read_lines.lines] == [0.001, 20.5]
    assert [bad.number for bad in read_lines.bad] == [4]


def test_a_decimal_comma_puts_semicolons_between_fields() -> None:
    form = Form(decimal=",")
    (line,) = read(f"{NOON_MS};{GAP};4,87;mm", header="time;channel;value;unit", form=form).lines
    assert line.value == 0.00487


def test_a_mark_of_byte_order_quotes_and_guards_are_taken_off() -> None:
    channels = {"=x": Target(id=1, unit="Cel")}
    rows = ['\ufefftime,channel,"value",unit\r\n', f'{NOON_MS},"\'=x",20,Cel\r\n']
    (line,) = read_csv(rows, where="r.csv", channels=channels, form=Form(), now_ms=NOON_MS).lines
    assert line.channel_id == 1


@pytest.mark.parametrize("header", ["", "time,channel,value", "a,b,c,d", "time;channel;value;unit"])
def test_another_header_is_refused(header: str) -> None:
    with pytest.raises(FileError) as caught:
        read(header=header)
    assert f"{header!r} came, time,channel,value,unit is needed" in caught.value.complaints[0]


def test_twins_in_one_file_must_agree() -> None:
    same = read(f"{NOON_MS},{GAP},1,mm", f"{NOON_MS},{GAP},1.0,mm")
    assert (len(same.lines), same.bad) == (1, ())
    differ = read(f"{NOON_MS},{GAP},1,mm", f"{NOON_MS},{GAP},2,mm")
    assert [bad.reason for bad in differ.bad] == ["0.002 came, line 2 has 0.001 for that moment"]


def test_counts_give_first_and_last_of_each_channel() -> None:
    told = read(f"{NOON_MS + 5},{GAP},1,mm", f"{NOON_MS},{GAP},1,mm", f"{NOON_MS},{AIR},2,Cel")
    assert counts(told) == [
        Count(channel=AIR, readings=1, first_ms=NOON_MS, last_ms=NOON_MS),
        Count(channel=GAP, readings=2, first_ms=NOON_MS, last_ms=NOON_MS + 5),
    ]


def test_the_same_file_twice_changes_nothing(engine: Engine) -> None:
    lines = [f"{NOON_MS + 86_400_000 * number // 500},{GAP},{number / 1000},mm" for number in range(900)]
    told = read_csv([HEADER, *lines], where="r.csv", channels=CHANNELS, form=Form(), now_ms=NOON_MS + 10**9)
    assert store(engine, told, now_ms=5) == 900
    assert store(engine, told, now_ms=6) == 0
    with engine.connect() as connection:
        again = compared(connection, told)
        stored = connection.execute(select(Reading.t_ms, Reading.value).order_by(Reading.t_ms)).all()
    assert (again.lines, again.bad, again.known) == ((), (), 900)
    assert [tuple(row) for row in stored] == [(line.t_ms, line.value) for line in told.lines]


def test_the_days_that_were_touched_are_marked(engine: Engine) -> None:
    store(engine, read(f"{NOON_MS},{GAP},1,mm", f"{NOON_MS - 86_400_000},{AIR},2,Cel"), now_ms=5)
    with engine.connect() as connection:
        rows = connection.execute(select(DirtyDay.channel_id, DirtyDay.day, DirtyDay.touched)).all()
    assert {tuple(row) for row in rows} == {(7, NOON_MS // 86_400_000, 5), (8, NOON_MS // 86_400_000 - 1, 5)}


def test_a_value_that_differs_from_a_stored_one_is_refused_with_both(engine: Engine) -> None:
    store(engine, read(f"{NOON_MS},{GAP},1,mm"), now_ms=5)
    with engine.connect() as connection:
        told = compared(connection, read(f"{NOON_MS},{GAP},2,mm", f"{NOON_MS},{AIR},2,Cel"))
    assert [bad.reason for bad in told.bad] == ["0.002 came, 0.001 is stored for that moment"]
    assert [line.channel for line in told.lines] == [AIR]
