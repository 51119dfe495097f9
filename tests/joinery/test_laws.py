"""Laws of the leaf's inversion: the order of its gauges, and of units, change nothing; it is linear."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.joinery import leaf
from server.joinery.leaf import Movement, Station
from tests.joinery import yard

KITS = yard.cases("joinery")["kit-table"]["input"]["kits"]
D = [yard.STATIONS[name] for name in KITS["D"]]
GROWTH = leaf.growth_prior([1.0])
# Changes of so little that the exact map and its rows differ by less than the tests ask.
changes = st.lists(st.floats(-0.05, 0.05), min_size=len(D), max_size=len(D))


def moved(stations: list[Station], change_mm: list[float], *, damp: float = 0.0) -> Movement:
    growth = replace(GROWTH, mean=GROWTH.mean * damp)
    return leaf.moved(yard.SHAPE, stations, np.array([change_mm]), opening="leans", growth=growth)


@given(change=changes, order=st.permutations(range(len(D))))
def test_the_order_of_the_gauges_changes_nothing(change: list[float], order: list[int]) -> None:
    plain = moved(D, change, damp=1.0)
    other = moved([D[one] for one in order], [change[one] for one in order], damp=1.0)
    assert other.derived_mm == pytest.approx(plain.derived_mm, abs=1e-12)
    assert other.derived_sd_mm == pytest.approx(plain.derived_sd_mm, rel=1e-9)
    assert (other.observed == plain.observed).all()


@given(first=changes, second=changes, times=st.floats(-2, 2))
def test_it_is_linear_in_what_is_read(first: list[float], second: list[float], times: float) -> None:
    both = [one + times * other for one, other in zip(first, second, strict=True)]
    alone = moved(D, first).derived_mm + times * moved(D, second).derived_mm
    assert moved(D, both).derived_mm == pytest.approx(alone, abs=2e-4)


@given(change=changes)
def test_in_other_units_it_is_the_same_leaf(change: list[float]) -> None:
    """Everything in tenths of a millimetre: lengths are ten times as many, turns are as they were."""
    shape = leaf.Shape(**{name: 10 * getattr(yard.SHAPE, name) for name in leaf.Shape.__slots__})
    tenths = [replace(one, at_mm=tuple(10 * at for at in one.at_mm), sd_mm=10 * one.sd_mm) for one in D]
    # What is expected of lengths beforehand is in mm: it is asked of gauges beside which that is nothing.
    sharp, sharp_tenths = ([replace(one, sd_mm=one.sd_mm / 1e4) for one in some] for some in (D, tenths))
    plain = moved(sharp, change)
    other = leaf.moved(
        shape,
        sharp_tenths,
        10 * np.array([change]),
        opening="leans",
        growth=replace(GROWTH, mean=0 * GROWTH.mean),
    )
    sag_and_rack = [leaf.DERIVED.index(name) for name in ("sag", "rack")]
    assert other.derived_mm[:, sag_and_rack] / 10 == pytest.approx(
        plain.derived_mm[:, sag_and_rack], abs=1e-4
    )
