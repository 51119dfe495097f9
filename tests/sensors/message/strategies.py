"""Packs drawn by hypothesis: such as a node writes, and such as nearly are."""

import json
from typing import Any

from hypothesis import strategies as st

from sensors.message.units import LIMITS
from tests.sensors.message.worlds import ARRIVAL_MS, SETUP

Instants = list[tuple[int, list[tuple[str, str, int, int]]]]

BASE = "saltmarsh-yard/north/"
CHANNELS = {name.removeprefix(BASE): unit for name, (_, unit) in SETUP["nodes"][BASE[:-1]].items()}


@st.composite
def rows(draw: st.DrawFn) -> list[tuple[str, str, int, int]]:
    names = draw(st.lists(st.sampled_from(sorted(CHANNELS)), min_size=1, unique=True))
    made = []
    for name in names:
        decimals = draw(st.integers(0, 9))
        low, high = LIMITS[CHANNELS[name]]
        whole = st.integers(int(low * 10**decimals), int(high * 10**decimals))
        made.append((name, CHANNELS[name], draw(whole), decimals))
    return made


def instants(*, absolute: bool, most: int = 12) -> st.SearchStrategy[Instants]:
    """One to `most` instants at different ms."""
    low, high = (1577836800000, ARRIVAL_MS + 300000) if absolute else (-86400000 * 300, 0)
    moments = st.lists(st.integers(low, high), min_size=1, max_size=most, unique=True)
    return moments.flatmap(
        lambda found: st.tuples(*(st.tuples(st.just(ms), rows()) for ms in found)).map(list)
    )


NUMBERS: list[Any] = [
    0,
    1,
    -1,
    41,
    1.5,
    1e400,
    float("nan"),
    10**25,
    2**53,
    1767268200,
    1767268200.25,
    1e308,
    -5,
    600,
    0.0004,
]
WORDS = ["", "/", "utc", "none", "m", "air-rh", "%RH", "7c1e90ab", "a:b"]
ODD: st.SearchStrategy[Any] = st.sampled_from([None, True, False, [], {}, {"v": 1}, *NUMBERS, *WORDS])
LABELS = st.sampled_from(
    [
        "bn",
        "bt",
        "bu",
        "bv",
        "bver",
        "bjrn",
        "bseq",
        "bcnt",
        "bclk",
        "n",
        "u",
        "v",
        "t",
        "vs",
        "s",
        "q9",
        "q_",
    ]
)


@st.composite
def near_packs(draw: st.DrawFn) -> bytes:
    """A pack of one to four records with up to three things changed, and up to one label written twice."""
    clock = draw(st.sampled_from(["utc", "drift", "none"]))
    count = draw(st.integers(1, 4))
    records: list[Any] = [draw(near_records()) for _ in range(count)]
    head: dict[str, Any] = {"bn": BASE, "bjrn": "7c1e90ab", "bseq": 41, "bcnt": count, "bclk": clock}
    records[0] = head | ({} if clock == "none" else {"bt": 1767268200}) | records[0]
    for _ in range(draw(st.integers(0, 3))):
        record = records[draw(st.integers(0, count - 1))]
        label = draw(LABELS)
        if draw(st.booleans()):
            record[label] = draw(ODD)
        else:
            record.pop(label, None)
    text = json.dumps(records, separators=(",", ":"))
    if draw(st.integers(0, 9)) == 0:
        text = text.replace('"v":', '"v":0,"v":', 1)
    return text.encode()


@st.composite
def near_records(draw: st.DrawFn) -> dict[str, Any]:
    name = draw(st.sampled_from(["gap-lock-top", "air-rh", "pin-ohm"]))
    record: dict[str, Any] = {
        "n": name,
        "u": CHANNELS[name],
        "v": draw(st.sampled_from([0, 1, 0.412305, -0.0])),
    }
    return record | draw(st.sampled_from([{}, {"t": 0}, {"t": -600}, {"t": 0.25}, {"t": -600.0}, {"t": -1}]))
