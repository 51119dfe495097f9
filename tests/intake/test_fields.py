"""Fields: the variable byte integer and text, at their edges."""

import pytest

from server.intake.fields import PacketError, Reader, write_text, write_varint

# Source: MQTT 5.0 (OASIS 2019-03-07), table 1-1: the least and greatest number of each size.
SIZES = [(0, "00"), (127, "7F"), (128, "8001"), (16383, "FF7F"), (16384, "808001"), (2097151, "FFFF7F")]
SIZES += [(2097152, "80808001"), (268435455, "FFFFFF7F")]


@pytest.mark.parametrize(("value", "text"), SIZES)
def test_variable_byte_integer(value: int, text: str) -> None:
    data = bytes.fromhex(text)
    assert write_varint(value) == data
    assert Reader(data, 0, len(data)).varint() == value


def test_text_of_the_standard() -> None:
    data = bytes.fromhex("0005 41 F0AA9B94")  # 3.1.1 figure 1.2: A and U+2A6D4
    assert Reader(data, 0, 7).text() == "A\U0002a6d4"
    assert write_text("A\U0002a6d4") == data


@pytest.mark.parametrize("text", ["00", "0002 41", "0001 00", "0002 C328", "0003 EDA080"])
def test_text_that_is_none(text: str) -> None:
    data = bytes.fromhex(text)
    with pytest.raises(PacketError):
        Reader(data, 0, len(data)).text()


def test_nothing_is_read_beyond_the_end_of_the_packet() -> None:
    reader = Reader(b"\x00\x01a and the next packet", 0, 3)
    assert reader.text() == "a"
    with pytest.raises(PacketError) as caught:
        reader.byte()
    assert str(caught.value) == "read an MQTT packet: needs 1 bytes more, got 0"
