"""Broken sample joints: kept as they were seen, struck out where wrong, and what their batches say."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.bench_tables import BatchRow, PieceRow
from server.doors.built import BuiltDoor, Joint, LooseTenon, joints_of
from server.doors.carpentry import joint_of
from server.doors.names import note_fault
from server.doors.piece_file import Batch, PieceSeen
from server.doors.refusals import BatchChangedError, UnknownBatchError, UnknownPieceError
from server.errors import AlreadyThereError, HangtrueError, SettingsError
from server.joinery import bench
from server.joinery.joints import Joint as GlueJoint
from server.joinery.pieces import Kinds, Piece, Spread, compare_kinds, moment_n_m, spread

CAUTIONS = (
    "Eye protection. A piece lets go at once, with splinters and a falling weight: stand clear to the side.",
    "Load it from a distance or with a stop beneath; clamp so that nothing can fly; nobody under the arm.",
    "Rated doors (fire, escape, security): licensed testing of the whole set; nothing here replaces it.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceKept:
    """A broken piece as it is kept, with its moment and its joint's stiffness.

    `stiffness` None: `why_no_stiffness` says what it takes. `struck`: why it was struck out, or None.
    """

    id: int
    seen: PieceSeen
    moment_n_m: float
    stiffness: bench.PieceStiffness | None
    why_no_stiffness: str
    struck: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchKept:
    """A glue-up with its pieces, struck ones too; `spread` and `factor` are of those that stand.

    `factor`: what they say of a door's stiffness factor. None: `why_no_spread`, `why_no_factor`.
    """

    batch: Batch
    pieces: tuple[PieceKept, ...]
    spread: Spread | None
    why_no_spread: str
    factor: bench.Factor | None
    why_no_factor: str

    @property
    def standing(self) -> tuple[Piece, ...]:
        """The pieces that are not struck out, as they are reckoned with."""
        return tuple(_piece(self.batch, one.seen) for one in self.pieces if one.struck is None)


def add_pieces(session: Session, batch: Batch, pieces: Sequence[PieceSeen], *, now: datetime) -> BatchKept:
    """Keep broken pieces; a batch of that name that is kept already gets them too.

    Raises BatchChangedError for a batch that was made otherwise, AlreadyThereError for a piece that stands,
    OutOfRangeError for one without a moment.
    """
    row = session.scalar(select(BatchRow).where(BatchRow.name == batch.name))
    if row is None:
        row = _batch_row(batch, now)
        session.add(row)
        session.flush()
    elif _batch(row) != batch:
        needed = "the same glue-up in every figure, or another name"
        raise BatchChangedError(f"add pieces of {batch.name}", needed, _unlike(_batch(row), batch))
    there = set(
        session.scalars(select(PieceRow.seq).where(PieceRow.batch_id == row.id, PieceRow.struck.is_(None)))
    )
    for seen in pieces:
        moment_n_m(_piece(batch, seen))
        if seen.order in there:
            needed = "another order, or the one that stands struck out (hangtrue piece strike)"
            raise AlreadyThereError(
                f"add pieces of {batch.name}", needed, f"piece {seen.order} a second time"
            )
        session.add(_piece_row(row.id, seen, now))
    session.flush()
    return find_batch(session, batch.name)


def strike(session: Session, piece_id: int, why: str, *, now: datetime) -> None:
    """Strike a piece out; it stays to be seen. Raises UnknownPieceError, SettingsError for a reason."""
    row = session.get(PieceRow, piece_id)
    if row is None or row.struck is not None:
        came = f"{piece_id}" if row is None else f"{piece_id}, which is struck out already"
        raise UnknownPieceError("strike a piece", "the number of one that stands (hangtrue piece list)", came)
    if fault := note_fault(why):
        raise SettingsError(f"strike piece {piece_id}", f"a reason of {fault}", f"{why!r:.40}")
    row.struck, row.why = now, why
    session.flush()


def list_batches(session: Session) -> list[BatchKept]:
    """Every glue-up, the oldest first."""
    rows = session.scalars(select(BatchRow).order_by(BatchRow.made, BatchRow.id)).all()
    return [_kept(session, row) for row in rows]


def find_batch(session: Session, name: str) -> BatchKept:
    """The glue-up of that name. Raises UnknownBatchError naming those there are."""
    row = session.scalar(select(BatchRow).where(BatchRow.name == name))
    if row is None:
        known = ", ".join(session.scalars(select(BatchRow.name).order_by(BatchRow.name)))
        needed = f"the name of one ({known or 'none is kept yet: hangtrue piece add FILE'})"
        raise UnknownBatchError("find a batch of pieces", needed, f"{name!r:.40}")
    return _kept(session, row)


def compare_batches(session: Session, a: Sequence[str], b: Sequence[str]) -> Kinds:
    """Two kinds of piece, each of one batch or several; b against a.

    Raises UnknownBatchError, SettingsError for a batch on both sides or kinds mixed on one,
    TooFewPiecesError, UnlikePiecesError.
    """
    if set(a) & set(b):
        both = sorted(set(a) & set(b))[0]
        raise SettingsError("compare two kinds of piece", "each batch on one side alone", f"{both} on both")
    sides = [[find_batch(session, name) for name in names] for names in (a, b)]
    for side in sides:
        unlike = [one for one in side if not bench.same_sizes(_joint(one), _joint(side[0]))]
        if unlike:
            came = f"{side[0].batch.name} and {unlike[0].batch.name}"
            raise SettingsError("compare two kinds of piece", "one kind of joint on each side", came)
    first, second = ([piece for one in side for piece in one.standing] for side in sides)
    return compare_kinds(first, second)


def fits_door(kept: BatchKept, built: BuiltDoor) -> tuple[str, ...]:
    """The joints of a door whose sizes these pieces have within 5 %."""
    mine = _joint(kept)
    return tuple(
        name
        for name, joint in joints_of(built).items()
        if joint.kind == kept.batch.joint.kind and bench.same_sizes(mine, joint_of(joint))
    )


def _joint(kept: BatchKept) -> GlueJoint:
    return joint_of(kept.batch.joint)


def _kept(session: Session, row: BatchRow) -> BatchKept:
    batch = _batch(row)
    rows = session.scalars(
        select(PieceRow).where(PieceRow.batch_id == row.id).order_by(PieceRow.seq, PieceRow.id)
    ).all()
    pieces = tuple(_piece_kept(batch, one) for one in rows)
    standing = [one for one in pieces if one.struck is None]
    found, why_no_spread = _spread(batch, standing)
    factor, why_no_factor = _factor(batch, standing)
    return BatchKept(
        batch=batch,
        pieces=pieces,
        spread=found,
        why_no_spread=why_no_spread,
        factor=factor,
        why_no_factor=why_no_factor,
    )


def _spread(batch: Batch, standing: Sequence[PieceKept]) -> tuple[Spread | None, str]:
    try:
        return spread([_piece(batch, one.seen) for one in standing]), ""
    except HangtrueError as refusal:
        return None, str(refusal)


def _factor(batch: Batch, standing: Sequence[PieceKept]) -> tuple[bench.Factor | None, str]:
    known = [one.stiffness.stiffness_n_m_per_rad for one in standing if one.stiffness is not None]
    try:
        return bench.prior_f_k(known, joint_of(batch.joint)), ""
    except HangtrueError as refusal:
        return None, str(refusal)


def _piece_kept(batch: Batch, row: PieceRow) -> PieceKept:
    seen = _seen(row)
    stiffness, why = _stiffness(batch, seen)
    return PieceKept(
        id=row.id,
        seen=seen,
        moment_n_m=moment_n_m(_piece(batch, seen)),
        stiffness=stiffness,
        why_no_stiffness=why,
        struck=row.why if row.struck is not None else None,
    )


def _stiffness(batch: Batch, seen: PieceSeen) -> tuple[bench.PieceStiffness | None, str]:
    rail = bench.Section(
        modulus_pa=batch.modulus_gpa * 1e9,
        depth_m=batch.rail_depth_mm / 1000,
        thickness_m=batch.thickness_mm / 1000,
    )
    try:
        found = bench.stiffness(
            [load for load, _ in seen.points],
            [deflection / 1000 for _, deflection in seen.points],
            arm_m=seen.arm_mm / 1000,
            load_at_failure_n=seen.load_n,
            rail=rail,
            rig_rad_per_n_m=batch.clamps_urad_per_n_m * 1e-6,
        )
    except HangtrueError as refusal:
        return None, str(refusal)
    return found, ""


def _piece(batch: Batch, seen: PieceSeen) -> Piece:
    return Piece(
        batch=batch.name,
        order=seen.order,
        arm_m=seen.arm_mm / 1000,
        load_n=seen.load_n,
        where=seen.failed,
        moisture_pct=seen.moisture_pct,
    )


def _unlike(kept: Batch, came: Batch) -> str:
    names = [name for name in Batch.__slots__ if getattr(kept, name) != getattr(came, name)]
    return f"another {' and '.join(names)}"


def _batch_row(batch: Batch, now: datetime) -> BatchRow:
    plain = {name: getattr(batch, name) for name in Batch.__slots__ if name not in ("joint", "doors")}
    joint, doors = json.dumps(asdict(batch.joint), ensure_ascii=False), json.dumps(batch.doors)
    return BatchRow(**plain | {"glued": int(batch.glued), "joint": joint, "doors": doors, "added": now})


def _batch(row: BatchRow) -> Batch:
    tree = json.loads(row.joint)
    joint = Joint(**tree | {"loose": tuple(LooseTenon(**one) for one in tree["loose"])})
    plain = {name: getattr(row, name) for name in Batch.__slots__ if name not in ("joint", "doors", "glued")}
    return Batch(**plain, glued=bool(row.glued), joint=joint, doors=tuple(json.loads(row.doors)))


def _piece_row(batch_id: int, seen: PieceSeen, now: datetime) -> PieceRow:
    return PieceRow(
        batch_id=batch_id,
        seq=seen.order,
        broken=seen.broken,
        moisture_pct=seen.moisture_pct,
        arm_mm=seen.arm_mm,
        load_n=seen.load_n,
        failed=seen.failed,
        points=json.dumps(seen.points),
        photo=seen.photo,
        note=seen.note,
        added=now,
    )


def _seen(row: PieceRow) -> PieceSeen:
    return PieceSeen(
        order=row.seq,
        broken=row.broken,
        arm_mm=row.arm_mm,
        load_n=row.load_n,
        failed=row.failed,
        moisture_pct=row.moisture_pct,
        points=tuple((load, deflection) for load, deflection in json.loads(row.points)),
        photo=row.photo,
        note=row.note,
    )
