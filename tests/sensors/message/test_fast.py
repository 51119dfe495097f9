"""The fast check: never another answer than the full check, and an answer for every ordinary pack."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors.message.check import Channel, Pack, check_pack
from sensors.message.fast import fast, fast_table
from sensors.message.names import split_topic
from sensors.message.pack import pack_bytes
from sensors.message.plain import LEARN_AFTER, numbers_of
from tests.sensors.message.strategies import BASE, Instants, instants, near_packs
from tests.sensors.message.worlds import ARRIVAL_MS, Case, DictWorld, arrival_of, packs, payload_of

WORLD = DictWorld()
NORTH = "hangtrue/v1/saltmarsh-yard/north/readings"
LAW = settings(derandomize=True, database=None, deadline=None, max_examples=500)
ORDINARY = (
    b'[{"bn":"saltmarsh-yard/north/","bt":1767268200,"bjrn":"7c1e90ab","bseq":41,"bcnt":2,"bclk":"utc",'
)
ROWS = b'"n":"gap-lock-top","u":"/","v":1},{"n":"air-rh","u":"%RH","v":50,"t":600}]'


def by_fast(topic: str, payload: bytes, arrival_ms: int) -> Pack | None:
    site, node, _ = split_topic(topic) or ("", "", "")
    return fast(site, node, payload, arrival_ms, fast_table(WORLD.channels(site, node) or {}))


@pytest.mark.parametrize("case", [*packs("stored"), *packs("refused")], ids=lambda case: case["name"])
def test_law_on_the_published_cases(case: Case) -> None:
    topic = case["topic"] if split_topic(case["topic"]) else NORTH  # the topic is not this check's
    found = by_fast(topic, payload_of(case), arrival_of(case))
    assert found is None or found == check_pack(topic, payload_of(case), arrival_of(case), WORLD)


def test_most_stored_packs_are_taken() -> None:
    taken = [case["name"] for case in packs("stored") if by_fast(case["topic"], payload_of(case), ARRIVAL_MS)]
    assert {"tracked-one-instant", "tracked-three-instants", "clock-none", "clock-drift"} <= set(taken)


@LAW
@given(near_packs())
def test_law_on_packs_that_nearly_are(payload: bytes) -> None:
    found = by_fast(NORTH, payload, ARRIVAL_MS)
    assert found is None or found == check_pack(NORTH, payload, ARRIVAL_MS, WORLD)


@settings(LAW, max_examples=100)
@given(instants(absolute=True), st.sampled_from(["utc", "drift"]))
def test_takes_what_a_node_writes(drawn: Instants, clock: str) -> None:
    payload = pack_bytes(
        base_name=BASE, journal="7c1e90ab", first_seq=41, clock=clock, instants=drawn, limit_bytes=16384
    )
    found = by_fast(NORTH, payload, ARRIVAL_MS)
    assert found is not None
    assert found == check_pack(NORTH, payload, ARRIVAL_MS, WORLD)


def packs_of_one_form(most: int) -> st.SearchStrategy[Instants]:
    """Instants of the same channels in the same order, with other values and moments."""
    return instants(absolute=True, most=most).map(
        lambda drawn: [
            (ms, [(name, unit, whole + at, k) for name, unit, whole, k in drawn[0][1]])
            for at, (ms, _) in enumerate(drawn)
        ]
    )


@settings(LAW, max_examples=150)
@given(packs_of_one_form(5), st.sampled_from(["utc", "drift"]), near_packs(), st.data())
def test_law_holds_for_forms_that_were_learned(
    drawn: Instants, clock: str, other: bytes, data: st.DataObject
) -> None:
    """The same form with other numbers, and with a byte changed, read by its patterns or not."""
    table = fast_table(WORLD.channels("saltmarsh-yard", "north") or {})

    def by_table(payload: bytes) -> Pack | None:
        return fast("saltmarsh-yard", "north", payload, ARRIVAL_MS, table)

    def pack(seq: int, some: Instants) -> bytes:
        return pack_bytes(base_name=BASE, journal="7c1e90ab", first_seq=seq, clock=clock, instants=some)

    for seq in range(1, 1 + LEARN_AFTER):
        by_table(pack(seq, drawn[:1]))
    (plain,) = table.learned.plains
    payload = pack(77, drawn)
    moments = [ms for ms, _ in drawn]
    # a moment that goes back is left to the full check; all others are read by the pattern
    assert numbers_of(plain, payload) is not None or moments != sorted(moments)
    found = by_table(payload)
    assert found is None or found == check_pack(NORTH, payload, ARRIVAL_MS, WORLD)
    at = data.draw(st.integers(0, len(payload) - 1))
    sign = data.draw(st.sampled_from(list(b'0123456789-+.eE:,"{}_ \\')))
    for odd in (payload[:at] + bytes((sign,)) + payload[at + 1 :], payload[:at] + payload[at + 1 :], other):
        found = by_table(odd)
        assert found is None or found == check_pack(NORTH, odd, ARRIVAL_MS, WORLD)


@settings(LAW, max_examples=100)
@given(instants(absolute=False))
def test_takes_what_a_node_without_a_clock_writes(drawn: Instants) -> None:
    payload = pack_bytes(
        base_name=BASE, journal="7c1e90ab", first_seq=41, clock="none", instants=drawn, limit_bytes=16384
    )
    found = by_fast(NORTH, payload, ARRIVAL_MS + 777)  # not a whole second
    assert found is not None
    assert found == check_pack(NORTH, payload, ARRIVAL_MS + 777, WORLD)


def test_values_are_floats() -> None:
    found = by_fast(NORTH, ORDINARY + ROWS, ARRIVAL_MS)
    assert found is not None
    assert [type(value) for _, _, value in found.readings] == [float, float]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'"v":50', b'"v":49,"v":50'),  # a label twice
        (b'"v":50', b'"v":50,"vs":"x"'),
        (b'"v":50', b'"v":true'),
        (b'"v":50', b'"v":NaN'),
        (b'"v":50', b'"v":"50"'),
        (b'"v":50', b'"v":' + b"9" * 5000),
        (b'"v":50', b'"v":120'),
        (b'"%RH"', b'"%"'),
        (b'"air-rh"', b'"air-rx"'),
        (b'"t":600', b'"t":NaN'),
        (b'"t":600', b'"t":null'),
        (b'"v":1', b'"v":1,"t":null'),
        (b'"v":1', b'"v":1,"t":true'),
        (b'"bcnt":2', b'"bcnt":true'),
        (b'"bseq":41', b'"bseq":true'),
        (b'"t":600', b'"t":9e9'),
        (b'"t":600', b'"x_":600'),
        (
            b'"n":"air-rh","u":"%RH","v":50,"t":600',
            b'"n":"gap-lock-top","u":"/","v":1',
        ),  # twice in an instant
        (b'"bcnt":2', b'"bcnt":3'),
        (b'"bseq":41', b'"bseq":0'),
        (b'"bseq":41', b'"bseq":9007199254740991'),
        (b'"7c1e90ab"', b'"7C1E90AB"'),
        (b'"utc"', b'"gps"'),
        (b'"utc"', b'"none"'),
        (b'"bt":1767268200,', b""),
        (b'"bt":1767268200', b'"bt":1767268800001'),
        (b'"bt":1767268200', b'"bt":1767268501'),  # the second instant is 301 s ahead of arrival
        (b"]", b"]]"),
        (b"[", b"\xef\xbb\xbf["),
        (b"air-rh", b"air-\xe9"),
    ],
)
def test_leaves_the_unusual_to_the_full_check(old: bytes, new: bytes) -> None:
    assert by_fast(NORTH, ORDINARY + ROWS, ARRIVAL_MS) is not None
    assert (ORDINARY + ROWS).count(old) == 1
    assert by_fast(NORTH, (ORDINARY + ROWS).replace(old, new), ARRIVAL_MS) is None


def test_leaves_a_time_that_comes_back_to_the_full_check() -> None:
    """Instants 41 and 43 at one millisecond: the reading key may stand twice."""
    third = b'},{"n":"gap-lock-top","u":"/","v":0.5}]'
    assert by_fast(NORTH, ORDINARY.replace(b":2", b":3") + ROWS.replace(b"}]", third), ARRIVAL_MS) is None


def test_leaves_a_false_count_of_one_to_the_full_check() -> None:
    """`true` equals 1 to Python."""
    one = ORDINARY.replace(b'"bcnt":2', b'"bcnt":1') + b'"n":"air-rh","u":"%RH","v":50}]'
    assert by_fast(NORTH, one, ARRIVAL_MS) is not None
    assert by_fast(NORTH, one.replace(b'"bcnt":1', b'"bcnt":true'), ARRIVAL_MS) is None


def test_takes_instants_that_differ_in_their_channels() -> None:
    rows = ROWS.replace(b"}]", b'},{"n":"gap-lock-top","u":"/","v":0.5,"t":600}]')
    payload = ORDINARY.replace(b'"bcnt":2', b'"bcnt":3') + rows
    found = by_fast(NORTH, payload, ARRIVAL_MS)
    assert found is not None
    assert found == check_pack(NORTH, payload, ARRIVAL_MS, WORLD)


def test_leaves_a_pack_that_is_too_large_to_the_full_check() -> None:
    assert by_fast(NORTH, (ORDINARY + ROWS).ljust(16384), ARRIVAL_MS) is not None
    assert by_fast(NORTH, (ORDINARY + ROWS).ljust(16385), ARRIVAL_MS) is None


def test_leaves_sums_beyond_a_double_to_the_full_check() -> None:
    """Whole numbers add up to a good time, doubles to another one."""
    far = ORDINARY.replace(b"1767268200", b"-99999998232731801").replace(b":2", b":1")
    payload = far + b'"n":"air-rh","u":"%RH","v":50,"t":100000000000000001}]'
    assert by_fast(NORTH, payload, ARRIVAL_MS) is None


def test_knows_only_names_and_units_of_the_wire() -> None:
    channels = {
        "a b/rh": Channel(id=1, unit="%RH"),
        "a/rh": Channel(id=2, unit="%"),
        "a/x": Channel(id=3, unit="m"),
    }
    assert fast_table(channels).known == {"a/": {"x": (3, "m", -10.0, 10.0, 1)}}
