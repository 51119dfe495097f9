"""Broken pieces, kept and told: against the published cases (tests/published/pieces.json)."""

from collections.abc import Sequence
from dataclasses import replace

import pytest
from sqlalchemy.orm import Session

from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.piece_file import EXAMPLE, Batch, PieceSeen, read_pieces
from server.doors.pieces import (
    BatchKept,
    add_pieces,
    compare_batches,
    find_batch,
    fits_door,
    list_batches,
    strike,
)
from server.doors.refusals import BatchChangedError, UnknownBatchError, UnknownPieceError
from server.errors import AlreadyThereError, SettingsError
from server.joinery.refusals import TooFewPiecesError
from tests.fakes.clock import HandClock
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("pieces")
WELCH = CASES["welch-invented"]
BATCH = read_pieces(EXAMPLE, where="p.toml")[0]


def seen(order: int, load_n: float, failed: str = "wood") -> PieceSeen:
    return PieceSeen(order=order, broken="2026-05-20", arm_mm=300, load_n=load_n, failed=failed)


def add(session: Session, name: str, loads: Sequence[float], **changes: object) -> BatchKept:
    batch: Batch = replace(BATCH, name=name, **changes)  # type: ignore[arg-type]  # fields of Batch, by use
    return add_pieces(session, batch, [seen(k, load) for k, load in enumerate(loads, 1)], now=HandClock()())


def test_a_batch_is_kept_and_scatters_as_published(session: Session) -> None:
    kept = add(session, "pot-a", WELCH["input"]["load_a_n"])
    session.commit()
    assert find_batch(session, "pot-a") == kept == list_batches(session)[0]
    assert kept.batch == replace(BATCH, name="pot-a")
    out = WELCH["output"]
    assert kept.spread is not None
    assert (kept.spread.mean_n_m, kept.spread.sd_n_m) == pytest.approx((out["mean_a"], out["sd_a"]))
    assert kept.spread.limit_n_m == pytest.approx(out["limit_a"])


def test_two_kinds_differ_as_published(session: Session) -> None:
    add(session, "pot-a", WELCH["input"]["load_a_n"])
    add(session, "pot-b", WELCH["input"]["load_b_n"])
    kinds, out = compare_batches(session, ["pot-a"], ["pot-b"]), WELCH["output"]
    assert (kinds.difference.value, kinds.difference.low) == pytest.approx((out["difference"], out["low"]))
    assert (kinds.ratio.value, kinds.ratio.high) == pytest.approx((out["ratio"], out["ratio_high"]))
    assert kinds.says == "speaks of these two glue-ups"


def test_a_kind_may_be_several_batches_of_one_joint_alone(session: Session) -> None:
    loads = WELCH["input"]["load_a_n"]
    for name in ("a-1", "a-2", "b-1", "b-2"):
        add(session, name, loads)
    both = compare_batches(session, ["a-1", "a-2"], ["b-1", "b-2"])
    assert both.batches is not None
    assert both.says == ""
    add(session, "other", loads, joint=replace(BATCH.joint, width_mm=120))
    with refuses(SettingsError, asked="compare two kinds", needed="one kind of joint", came="a-1 and other"):
        compare_batches(session, ["a-1", "other"], ["b-1"])
    with refuses(SettingsError, asked="compare", needed="one side alone", came="a-1 on both"):
        compare_batches(session, ["a-1"], ["a-1"])


def test_too_few_and_unknown_batches_are_refused(session: Session) -> None:
    with refuses(UnknownBatchError, asked="batch", needed="none is kept yet", came="'pot-a'"):
        find_batch(session, "pot-a")
    add(session, "pot-a", [2000, 2100])
    add(session, "pot-b", [2000, 2100])
    with refuses(TooFewPiecesError, asked="two kinds", needed="5 broken of each", came="2 and 2"):
        compare_batches(session, ["pot-a"], ["pot-b"])


def test_the_stiffness_of_a_piece_is_the_published_one(session: Session) -> None:
    case = CASES["stiffness-slope"]
    points = tuple(zip(case["input"]["load_n"], case["input"]["deflection_mm"], strict=True))
    one = replace(seen(1, case["input"]["load_at_failure_n"]), points=points)
    (kept,) = add_pieces(session, BATCH, [one], now=HandClock()()).pieces
    assert kept.stiffness is not None
    assert kept.stiffness.stiffness_n_m_per_rad == pytest.approx(case["output"]["k"], rel=1e-6)
    # the joint's shear layer: 40 GN/m3 on the published polar moment of that tenon
    factors = add_pieces(session, BATCH, [replace(one, order=k) for k in (2, 3)], now=HandClock()()).factor
    assert factors is not None
    assert factors.f_k == pytest.approx(case["output"]["k"] / (4.0e10 * 8.088e-5), rel=1e-6)


def test_the_turn_of_the_clamps_is_taken_off(session: Session) -> None:
    case = CASES["stiffness-slope"]
    points = tuple(zip(case["input"]["load_n"], case["input"]["deflection_mm"], strict=True))
    one = replace(seen(1, case["input"]["load_at_failure_n"]), points=points)
    held = replace(BATCH, clamps_urad_per_n_m=0.2)
    (kept,) = add_pieces(session, held, [one], now=HandClock()()).pieces
    assert kept.stiffness is not None
    softer = 1 / case["output"]["k"] - 0.2e-6
    assert kept.stiffness.stiffness_n_m_per_rad == pytest.approx(1 / softer, rel=1e-6)


def test_pieces_without_points_say_what_stiffness_takes(session: Session) -> None:
    kept = add(session, "pot-a", [2000])
    assert kept.pieces[0].stiffness is None
    assert "5 points" in kept.pieces[0].why_no_stiffness
    assert "3 pieces" in kept.why_no_factor
    assert (kept.spread, "2 broken or more" in kept.why_no_spread) == (None, True)


def test_a_struck_piece_is_shown_and_not_counted_and_may_be_entered_again(session: Session) -> None:
    kept = add(session, "pot-a", [2000, 2100, 9000])
    strike(session, kept.pieces[2].id, "a load read in lb", now=HandClock()())
    left = find_batch(session, "pot-a")
    assert [one.struck for one in left.pieces] == [None, None, "a load read in lb"]
    assert left.spread is not None
    assert left.spread.pieces == 2
    assert left.spread.mean_n_m == pytest.approx(615)
    add_pieces(session, left.batch, [seen(3, 2050)], now=HandClock()())
    assert len(find_batch(session, "pot-a").standing) == 3
    with refuses(UnknownPieceError, asked="strike", needed="one that stands", came="struck out already"):
        strike(session, kept.pieces[2].id, "again", now=HandClock()())
    with refuses(UnknownPieceError, asked="strike", needed="one that stands", came="99"):
        strike(session, 99, "none", now=HandClock()())
    with refuses(SettingsError, asked="strike piece", needed="a reason of", came="' '"):
        strike(session, kept.pieces[0].id, " ", now=HandClock()())


def test_a_piece_stands_once_and_a_batch_is_made_once(session: Session) -> None:
    add(session, "pot-a", [2000])
    with refuses(
        AlreadyThereError, asked="add pieces of pot-a", needed="struck out", came="piece 1 a second"
    ):
        add(session, "pot-a", [2000])
    with refuses(BatchChangedError, asked="add pieces of pot-a", needed="the same", came="another species"):
        add(session, "pot-a", [2000], species="oak")


def test_pieces_of_a_door_s_sizes_are_known(session: Session) -> None:
    kept = add(session, "pot-a", [2000])
    assert fits_door(kept, read_door(example_text("north"), where="x.toml").built) == (
        "lock-hinge",
        "lock-latch",
    )
    assert fits_door(kept, read_door(example_text("south"), where="x.toml").built) == ()
