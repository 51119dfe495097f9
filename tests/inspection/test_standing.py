"""A watch packed and unpacked is the same watch, held days and all."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.inspection.look import watched_look
from server.inspection.standing import Standing, packed, unpacked
from server.trend.watch import Held
from tests.inspection.doors import Truth, made_inputs, one_joint


@cache
def quiet() -> Standing:
    return watched_look(made_inputs(Truth(years=1.05), one_joint()), {}).watches["turn:lock-hinge"].now


def with_days_held() -> Standing:
    held = Held(place=380, sign=-1, expected=quiet().watched.posterior)
    watched = replace(quiet().watched, held=(held, held), online=(371,), is_latched=True)
    return replace(quiet(), alarm_day=370, watched=watched)


@pytest.mark.parametrize("made", [quiet, with_days_held])
def test_it_comes_back_to_the_bit(made: Callable[[], Standing]) -> None:
    standing = made()
    back = unpacked(packed(standing))
    pairs = [(back.watched.posterior, standing.watched.posterior)]
    pairs += [
        (one.expected, other.expected)
        for one, other in zip(back.watched.held, standing.watched.held, strict=True)
    ]
    for one, other in pairs:
        np.testing.assert_array_equal(one.mean, other.mean)
        np.testing.assert_array_equal(one.covariance, other.covariance)
        assert one.columns == other.columns
    assert without_arrays(back) == without_arrays(standing)


def without_arrays(standing: Standing) -> Standing:
    watched = standing.watched
    held = tuple((one.place, one.sign) for one in watched.held)
    return replace(standing, watched=replace(watched, posterior=None, held=held))  # type: ignore[arg-type]  # compared alone


def test_no_program_is_in_it() -> None:
    with np.load(__import__("io").BytesIO(packed(quiet())), allow_pickle=False) as arrays:
        assert {arrays[name].dtype.kind for name in arrays} == {"u", "f"}
