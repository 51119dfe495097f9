"""The line that is carried to a node."""

from dataclasses import replace

from server.auth.enrolment import Enrolment, enrolment_line

ON_LOOPBACK = Enrolment(
    host="127.0.0.1",
    port=1883,
    site="saltmarsh-yard",
    node="north",
    generation=1,
    password="4C7Q9MZK2T0VXA8B",  # noqa: S106  (the example of the wire's own page)
)


def crc_32(data: bytes) -> int:
    """CRC-32 of ISO 3309, bit by bit: a second way to the same number."""
    rest = 0xFFFFFFFF
    for byte in data:
        rest ^= byte
        for _ in range(8):
            rest = (rest >> 1) ^ (0xEDB88320 if rest & 1 else 0)
    return rest ^ 0xFFFFFFFF


def test_on_the_loopback_no_certificate_is_carried() -> None:
    before = "hangtrue:1;h=127.0.0.1;p=1883;s=saltmarsh-yard;n=north;g=1;k=4C7Q9MZK2T0VXA8B"
    assert crc_32(b"123456789") == 0xCBF43926
    assert enrolment_line(ON_LOOPBACK) == f"{before};x={crc_32(before.encode()):08x}"


def test_a_certificate_stands_before_the_checksum() -> None:
    line = enrolment_line(replace(ON_LOOPBACK, ca="MIIB"))
    before, _, checksum = line.rpartition(";x=")
    assert before.endswith(";k=4C7Q9MZK2T0VXA8B;c=MIIB")
    assert int(checksum, 16) == crc_32(before.encode())
