"""Resolving against the examples of RFC 8428 section 5.1."""

import pytest

from sensors.message.errors import MessageError
from sensors.message.resolve import resolve
from tests.sensors.message.worlds import ARRIVAL_MS, Case, arrival_of, packs, payload_of


@pytest.mark.parametrize("case", list(packs("resolved")), ids=lambda case: case["name"])
def test_examples_of_rfc_8428(case: Case) -> None:
    """5.1.2, 5.1.3 (which gives 5.1.4 to the last digit), 5.1.6 and 5.1.7."""
    assert resolve(payload_of(case), arrival_ms=arrival_of(case)) == case["resolved"]


def test_text_and_sum_and_order_of_time() -> None:
    payload = b'[{"bn":"shed/","bt":1e9,"n":"b","vs":"","t":9},'
    payload += b'{"n":"a","u":"J","s":2,"bs":1,"t":1},{"n":"c","vb":false}]'
    assert resolve(payload, arrival_ms=ARRIVAL_MS) == [
        {"n": "shed/c", "t": 1e9, "vb": False},
        {"n": "shed/a", "u": "J", "t": 1e9 + 1, "s": 3.0},
        {"n": "shed/b", "t": 1e9 + 9, "vs": ""},
    ]


def test_refuses_a_label_that_must_be_understood() -> None:
    with pytest.raises(MessageError, match="must-understand"):
        resolve(b'[{"n":"shed/a","v":1,"x_":1}]', arrival_ms=ARRIVAL_MS)
