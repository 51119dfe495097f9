"""Learned forms: their patterns take a pack of that form alone, and give its numbers as they stand."""

import json
import re

import pytest

from sensors.message.pack import pack_bytes
from sensors.message.plain import (
    LEARN_AFTER,
    MOST_FORMS,
    MOST_LEARNED,
    Form,
    Learned,
    Numbers,
    Plain,
    numbers_of,
    patterns_of,
)

BASE = "saltmarsh-yard/north/"
OWN, UNITS = ("gap-lock-top", "air-rh", "tilt.x"), ("/", "%RH", "m/s2")
BT = 1767268200


def plain(*, is_timed: bool = False, journal: str = "7c1e90ab") -> Plain:
    """The form of a pack of three channels, learned."""
    form = Form(BASE, journal, "utc", OWN, UNITS, is_timed)
    return Plain(form, *patterns_of(form), (1, 2, 3), (0.0,) * 3, (1.0,) * 3)


def pack(*ms: int) -> bytes:
    """A pack with an instant at each of these moments, counted from the base time; as a node writes it."""
    instants = [
        (
            1000 * BT + one,
            [(name, unit, 412305 + k, 6) for k, (name, unit) in enumerate(zip(OWN, UNITS, strict=True))],
        )
        for one in ms
    ]
    return pack_bytes(base_name=BASE, journal="7c1e90ab", first_seq=41, clock="utc", instants=instants)


VALUES = [b"0.412305", b"0.412306", b"0.412307"]


def test_numbers_are_given_as_they_stand() -> None:
    one, three = numbers_of(plain(), pack(0)), numbers_of(plain(), pack(0, 600_000, 1_200_250))
    assert one == Numbers(b"%d" % BT, b"41", b"3", [None], VALUES)
    assert three == Numbers(b"%d" % BT, b"41", b"9", [None, b"600", b"1200.25"], VALUES * 3)


def test_a_form_whose_first_instant_is_timed_is_another() -> None:
    timed = pack(250, 600_250)
    assert numbers_of(plain(), timed) is None
    assert numbers_of(plain(is_timed=True), timed) == Numbers(
        b"%d" % BT, b"41", b"6", [b"0.25", b"600.25"], VALUES * 2
    )
    assert numbers_of(plain(is_timed=True), pack(0)) is None


NO_NUMBERS = [
    b"00",
    b"01",
    b"1.",
    b".5",
    b"+1",
    b"1e5",
    b"-",
    b"",
    b"1 ",
    b" 1",
    b"NaN",
    b"1_0",
    b'"1"',
    b"0x1",
]


@pytest.mark.parametrize("odd", NO_NUMBERS)
@pytest.mark.parametrize("label", [b"bt", b"bseq", b"bcnt", b"v", b"t"])
def test_a_number_is_of_json_and_without_an_exponent(label: bytes, odd: bytes) -> None:
    """Source: RFC 8259 section 6."""
    changed, times = re.subn(b'("%s":)[0-9.]+' % label, lambda found: found[1] + odd, pack(0, 600_000))
    assert times
    assert numbers_of(plain(), changed) is None


def test_a_pattern_takes_nothing_before_or_behind_and_no_other_text() -> None:
    payload = pack(0, 600_000)
    for odd in (
        b" " + payload,
        payload + b" ",
        payload[:-1],
        payload + b"]",
        payload.replace(b"},{", b"}, {"),
    ):
        assert numbers_of(plain(), odd) is None
    for old in (b"7c1e90ab", b"tilt.x", b"m/s2", b"%RH", b"utc", b"north"):
        assert numbers_of(plain(), payload.replace(old, b"x" * len(old))) is None
    assert numbers_of(plain(), payload.replace(b"tilt.x", b"tiltyx")) is None, "a point is a point"


def test_records_of_an_instant_have_one_time_in_one_spelling() -> None:
    payload = pack(0, 600_000)
    assert json.loads(payload)[5]["t"] == 600
    last = payload.rindex(b"600")
    for other in (b"601", b"600.0", b"6000"):
        assert numbers_of(plain(), payload[:last] + other + payload[last + 3 :]) is None


def test_a_form_is_due_once_when_it_has_come_often_enough() -> None:
    learned, form = Learned(), plain().form
    assert [learned.is_due(form) for _ in range(3 * LEARN_AFTER)].index(True) == LEARN_AFTER - 1
    assert not any(learned.is_due(form) for _ in range(3 * LEARN_AFTER))


def test_forms_that_never_come_again_are_forgotten() -> None:
    learned, form = Learned(), plain().form
    for number in range(10 * MOST_FORMS):
        assert not learned.is_due(form._replace(journal=f"{number:08x}"))
    assert len(learned._seen) <= MOST_FORMS


def test_few_are_known_at_a_time() -> None:
    learned = Learned()
    for number in range(2 * MOST_LEARNED):
        learned.learn(plain(journal=f"{number:08x}"))
    known = [one.form.journal for one in learned.plains]
    assert known == [f"{number:08x}" for number in range(MOST_LEARNED, 2 * MOST_LEARNED)]
