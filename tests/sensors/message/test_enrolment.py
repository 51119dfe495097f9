"""The line of an enrolment, as the collector's own half writes it."""

import zlib
from dataclasses import replace

import pytest

from sensors.message.enrolment import Code, CodeError, read_code
from server.auth.certificates import carried, make_authority
from server.auth.enrolment import Enrolment, enrolment_line
from tests.fakes.certificates import today

GIVEN = Enrolment(
    host="collector.lan",
    port=8883,
    site="saltmarsh-yard",
    node="north",
    generation=1,
    password="4C7Q9MZK2T0VXA8B",  # noqa: S106 - invented
)


@pytest.fixture(scope="module")
def carried_ca() -> str:
    """The certificate of a site's authority, as the line carries it."""
    return carried(make_authority(["collector.lan"], now=today()).cert)


def with_check(body: str) -> str:
    return f"{body};x={zlib.crc32(body.encode()):08x}"


def test_what_is_written_is_read(carried_ca: str) -> None:
    code = read_code(enrolment_line(replace(GIVEN, ca=carried_ca)))
    assert code.ca is not None
    assert code.ca[:2] == b"\x30\x82"
    assert replace(code, ca=None) == Code(
        host="collector.lan",
        port=8883,
        site="saltmarsh-yard",
        node="north",
        generation=1,
        password=GIVEN.password,
    )
    assert read_code(enrolment_line(GIVEN)).ca is None


def test_a_line_that_a_terminal_broke_is_read() -> None:
    line = enrolment_line(GIVEN)
    assert read_code(f" {line[:40]}\r\n{line[40:]}\n") == read_code(line)


def test_a_cut_line_says_how_much_is_missing(carried_ca: str) -> None:
    line = enrolment_line(replace(GIVEN, ca=carried_ca))
    with pytest.raises(CodeError) as told:
        read_code(line[:-19])
    assert str(told.value) == (
        f"checksum: the line is cut or mistyped ({len(line)} characters expected, {len(line) - 19} came)"
    )


@pytest.mark.parametrize("place", range(11, 92, 5))
def test_a_mistyped_character_is_found(place: int) -> None:
    line = enrolment_line(GIVEN)
    wrong = line[:place] + ("0" if line[place] != "0" else "1") + line[place + 1 :]
    with pytest.raises(CodeError, match="cut or mistyped"):
        read_code(wrong)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("", "begins with hangtrue:1"),
        ("https://collector.lan/enrol", "begins with hangtrue:1"),
        ("hangtrue:2;h=a;x=00000000", "begins with hangtrue:1"),
        ("hangtrue:1;" + "a" * 5000, "begins with hangtrue:1"),
        (with_check("hangtrue:1;h=a;p=1;s=yard;n=north;g=1"), "not one of ours"),
        (with_check("hangtrue:1;h=a;p=0;s=yard;n=north;g=1;k=4C7Q9MZK2T0VXA8B"), "not one of ours"),
        (with_check("hangtrue:1;h=a;p=x;s=yard;n=north;g=1;k=4C7Q9MZK2T0VXA8B"), "not one of ours"),
        (with_check("hangtrue:1;h=a;p=1;s=../x;n=north;g=1;k=4C7Q9MZK2T0VXA8B"), "not one of ours"),
        (with_check("hangtrue:1;h=a;p=1;s=yard;n=north;g=1;k=password"), "not one of ours"),
        (with_check("hangtrue:1;h=a;p=1;s=yard;n=north;g=1;k=4C7Q9MZK2T0VXA8B;c=*"), "not one of ours"),
    ],
)
def test_another_line_is_refused(line: str, said: str) -> None:
    with pytest.raises(CodeError, match=said):
        read_code(line)
