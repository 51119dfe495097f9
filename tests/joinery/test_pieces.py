"""Broken pieces: figures against tests/published/pieces.json, and every refusal."""

from collections.abc import Sequence

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.joinery.pieces import WORDS, Piece, compare_kinds, moment_n_m, spread
from server.joinery.refusals import TooFewPiecesError, UnlikePiecesError
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("pieces")
INVENTED = CASES["welch-invented"]


def pieces(
    loads: Sequence[float],
    *,
    batch: str = "one",
    where: str = "wood",
    arm: float = 0.3,
    moisture: float | None = None,
) -> list[Piece]:
    return [
        Piece(batch=batch, order=order, arm_m=arm, load_n=load, where=where, moisture_pct=moisture)
        for order, load in enumerate(loads)
    ]


A, B = pieces(INVENTED["input"]["load_a_n"]), pieces(INVENTED["input"]["load_b_n"])


def test_moment_is_load_times_arm() -> None:
    assert moment_n_m(A[0]) == pytest.approx(2310 * 0.3)


def test_spread_of_six() -> None:
    out, found = INVENTED["output"], spread(A)
    assert found.pieces == 6
    assert found.mean_n_m == pytest.approx(out["mean_a"], rel=1e-12)
    assert found.sd_n_m == pytest.approx(out["sd_a"], rel=1e-9)
    assert found.limit_n_m == pytest.approx(out["limit_a"], rel=1e-7)
    assert spread(B).limit_n_m == pytest.approx(out["limit_b"], rel=1e-7)
    assert found.says == (WORDS,)
    assert (found.run, found.run_chance) == (0, 1.0)


@pytest.mark.parametrize("loads", [[2300, 2400, 2500, 2600], [200, 2400, 4000, 900, 3100]])
def test_no_limit_of_few_or_scattered_pieces(loads: list[float]) -> None:
    found = spread(pieces(loads))
    assert found.limit_n_m is None
    assert found.why_no_limit == "too few or too scattered to name one"


def test_two_kinds() -> None:
    """Invented loads; scipy and statsmodels agree."""
    out, found = INVENTED["output"], compare_kinds(A, B)
    assert [found.difference.value, found.difference.low, found.difference.high] == pytest.approx(
        [out["difference"], out["low"], out["high"]], rel=1e-9
    )
    assert [found.ratio.value, found.ratio.low, found.ratio.high] == pytest.approx(
        [out["ratio"], out["ratio_low"], out["ratio_high"]], rel=1e-9
    )
    assert (found.difference.df, found.ratio.df) == pytest.approx((out["df"], out["ratio_df"]), rel=1e-9)
    assert found.batches is None
    assert found.says == "speaks of these two glue-ups"


def test_turned_about_the_difference_turns_its_sign() -> None:
    one, other = compare_kinds(A, B), compare_kinds(B, A)
    assert (other.difference.low, other.difference.high) == pytest.approx(
        (-one.difference.high, -one.difference.low)
    )
    assert other.ratio.value == pytest.approx(1 / one.ratio.value)


def test_batches_are_pieces_of_a_kind() -> None:
    """Two batches a side: the means of the batches decide, by hand."""
    first = pieces([2300, 2400, 2500]) + pieces([2100, 2200, 2300], batch="two")
    second = pieces([1800, 1900, 2000]) + pieces([1700, 1800, 1900], batch="two")
    found = compare_kinds(first, second)
    assert found.says == ""
    assert found.batches is not None
    assert found.batches.value == pytest.approx(0.3 * ((1900 + 1800) / 2 - (2400 + 2200) / 2))
    assert found.batches.df == pytest.approx(1 / (0.8**2 + 0.2**2))


def test_half_width_of_few_pieces() -> None:
    """Five a side at 17 % scatter tell a quarter, not a tenth: half of ln ratio 0.245 on average."""
    rng, halves, caught = np.random.default_rng(11), [], 0
    for _ in range(400):
        sides = [pieces((1000 * np.exp(rng.normal(0, 0.17, 5))).tolist()) for _ in range(2)]
        ratio = compare_kinds(*sides).ratio
        halves.append(np.log(ratio.high / ratio.low) / 2)
        caught += ratio.low < 1 < ratio.high
    assert np.mean(halves) == pytest.approx(0.245, abs=0.01)
    assert 0.93 <= caught / 400 <= 0.985


def test_glue_failures_in_a_row_are_said_before_any_moment() -> None:
    marks = "wwgggwwwgw"
    some = [
        Piece(batch="one", order=n, arm_m=0.3, load_n=2000 + n, where={"g": "glue", "w": "wood"}[m])
        for n, m in enumerate(marks)
    ]
    found = spread(list(reversed(some)))
    assert (found.run, found.glue.value) == (3, 0.4)
    assert found.run_chance == pytest.approx(CASES["run-10-4-3"]["output"]["chance"])
    assert found.says == (WORDS,)
    four = [
        Piece(batch="one", order=n, arm_m=0.3, load_n=2000.0, where="glue" if n < 4 else "wood")
        for n in range(10)
    ]
    assert spread(four).says[0].startswith("4 glue failures in a row: look at that pot")


def test_a_majority_in_the_glue_is_said() -> None:
    assert spread(pieces([2000, 2100, 2200], where="glue")).says[0].startswith("3 of 3 failed in the glue")


def test_refuses_too_few() -> None:
    with refuses(TooFewPiecesError, asked="two kinds", needed="5 broken of each", came="6 and 3"):
        compare_kinds(A, B[:3])
    with refuses(TooFewPiecesError, asked="scatter", needed="2 broken", came="1"):
        spread(A[:1])


def test_refuses_unlike_pieces() -> None:
    with refuses(UnlikePiecesError, asked="two kinds", needed="arms within a quarter", came="0.3 and 0.38 m"):
        compare_kinds(A, pieces([2000.0] * 5, arm=0.38))
    damp = pieces([2000, 2100, 2200, 2300, 2400], moisture=13.4)
    dry = pieces([2000, 2100, 2200, 2300, 2400], moisture=9.1)
    with refuses(UnlikePiecesError, asked="two kinds", needed="within 2 points", came="9.1 and 13.4 %"):
        compare_kinds(dry, damp)
    assert compare_kinds(damp, A).difference.df is not None


def test_two_points_and_a_quarter_apart_are_near_enough() -> None:
    one, other = (pieces([2000.0, 2100, 2200, 2300, 2400], moisture=pct) for pct in (11.0, 13.0))
    assert compare_kinds(one, other).difference.value == pytest.approx(0.0, abs=1e-9)
    longer = pieces([2000.0, 2100, 2200, 2300, 2400], arm=0.375)
    assert compare_kinds(one, longer).ratio.value == pytest.approx(1.25)


@pytest.mark.parametrize(
    ("piece", "asked", "needed", "came"),
    [
        (pieces([0.0])[0], "moment", "above 0", "0.3 m, 0 N"),
        (pieces([900.0], arm=0.0)[0], "moment", "above 0", "0 m, 900 N"),
        (pieces([900.0], where="luck")[0], "place of failure", "glue, wood, shoulder", "'luck'"),
    ],
)
def test_refuses_a_piece_that_cannot_be(piece: Piece, asked: str, needed: str, came: str) -> None:
    with refuses(OutOfRangeError, asked=asked, needed=needed, came=came):
        moment_n_m(piece)
