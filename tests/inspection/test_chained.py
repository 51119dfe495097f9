"""Pieces of a series joined: what had stayed is carried, never zeroed."""

import numpy as np
import pytest

from server.inspection.chained import Piece, joined

NAN = float("nan")
DAYS = 60


def piece(first: int, stop: int, level: float, *, shift: float | None = None) -> Piece:
    value = np.full(DAYS, NAN)
    value[first:stop] = level
    return Piece(value=value, shift=shift)


def test_one_piece_is_itself() -> None:
    whole = joined([piece(0, 60, 0.3)])
    assert (whole.value == 0.3).all()
    assert whole.carried == 0.0


def test_set_anew_it_begins_with_the_last_agreed_value() -> None:
    early = piece(0, 30, 0.5)
    early.value[16:30] = 0.7
    early.value[20] = 9.0
    whole = joined([early, piece(31, 60, 0.1)])
    assert whole.carried == pytest.approx(0.7)
    assert whole.value[40] == pytest.approx(0.8)
    assert np.isnan(whole.value[30])


def test_read_on_it_moves_by_the_zeros_alone() -> None:
    """The gauge itself went on: the series is as if its first zero had been kept."""
    reading, zeros = np.linspace(0, 1, DAYS), (0.1, 0.6)
    first, second = np.full(DAYS, NAN), np.full(DAYS, NAN)
    first[:30], second[31:] = reading[:30] - zeros[0], reading[31:] - zeros[1]
    whole = joined([Piece(value=first), Piece(value=second, shift=zeros[1] - zeros[0])])
    kept = np.isfinite(whole.value)
    assert whole.value[kept] == pytest.approx((reading - zeros[0])[kept])


def test_a_piece_without_days_carries_nothing_away() -> None:
    none = Piece(value=np.full(DAYS, NAN))
    whole = joined([piece(0, 20, 0.4), none, piece(41, 60, 0.0)])
    assert whole.value[50] == pytest.approx(0.4)
    assert joined([none, piece(10, 20, 0.2)]).carried == 0.0
    assert np.isnan(joined([none]).value).all()
