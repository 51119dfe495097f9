"""Commands about sample joints: keep what was broken, say how it scatters, set two kinds side by side."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from server.doors.pieces import BatchKept, PieceKept
    from server.joinery.pieces import Kinds
    from server.joinery.scatter import Interval

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group()
def piece() -> None:
    """Sample joints, broken once on the bench; never what a door holds."""


@piece.command("add")
@click.argument("file", type=FILE)
@AS_JSON
@click.pass_obj
def piece_add(settings: Settings, file: Path, *, as_json: bool) -> None:
    """Keep the broken pieces of FILE. Their load, arm and place of failure stay as they were seen."""
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.piece_file import read_pieces
    from server.doors.pieces import CAUTIONS, add_pieces
    from server.errors import FileError

    for caution in CAUTIONS:
        click.echo(f"caution: {caution}", err=True)
    try:
        text = file.read_text("utf-8")
    except UnicodeDecodeError:
        raise FileError(f"read {file}", "UTF-8 text", ["other bytes came"]) from None
    batch, pieces = read_pieces(text, where=str(file))
    with opened(settings) as engine, session_of(engine) as session:
        kept = add_pieces(session, batch, pieces, now=utc_now())
    if as_json:
        click.echo(json.dumps(_facts(kept), ensure_ascii=False, indent=2))
    else:
        click.echo(f"{len(pieces)} pieces of {batch.name} added: {len(kept.standing)} of it stand")


@piece.command("list")
@click.argument("name", metavar="[BATCH]", required=False)
@AS_JSON
@click.pass_obj
def piece_list(settings: Settings, name: str | None, *, as_json: bool) -> None:
    """Every batch, or one: what each piece held, where it failed, how they scatter, how stiff they were."""
    from server.database import session_of
    from server.doors.pieces import find_batch, list_batches

    with opened(settings) as engine, session_of(engine) as session:
        batches = list_batches(session) if name is None else [find_batch(session, name)]
    if as_json:
        click.echo(json.dumps([_facts(one) for one in batches], ensure_ascii=False, indent=2))
    elif not batches:
        click.echo("No piece is kept yet: hangtrue piece add FILE")
    else:
        click.echo("\n\n".join("\n".join(_lines(one)) for one in batches))


@piece.command("compare")
@click.argument("a", metavar="A[,A2...]")
@click.argument("b", metavar="B[,B2...]")
@AS_JSON
@click.pass_obj
def piece_compare(settings: Settings, a: str, b: str, *, as_json: bool) -> None:
    """Two kinds of piece side by side, B against A; each a batch, or several with commas between."""
    from server.database import session_of
    from server.doors.pieces import compare_batches

    with opened(settings) as engine, session_of(engine) as session:
        kinds = compare_batches(session, _names(a), _names(b))
    if as_json:
        click.echo(json.dumps(asdict(kinds), ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(_compared(kinds, a, b)))


@piece.command("strike")
@click.argument("piece_id", metavar="PIECE", type=int)
@click.argument("why", nargs=-1, required=True)
@click.pass_obj
def piece_strike(settings: Settings, piece_id: int, why: tuple[str, ...]) -> None:
    """Strike a wrong piece out, saying why; it stays to be seen, and may be entered again."""
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.pieces import strike

    with opened(settings) as engine, session_of(engine) as session:
        strike(session, piece_id, " ".join(why), now=utc_now())
    click.echo(f"Piece {piece_id} is struck out.")


@piece.command("example")
def piece_example() -> None:
    """Print the file of broken pieces."""
    from server.doors.piece_file import EXAMPLE

    click.echo(EXAMPLE, nl=False)


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _facts(kept: "BatchKept") -> dict[str, object]:
    return asdict(kept)


def _lines(kept: "BatchKept") -> list[str]:
    batch = kept.batch
    glue = (f", {batch.glue}" if batch.glue else "") if batch.glued else ", dry-fitted"
    lines = [f"{batch.name}  {batch.made}{glue}, {batch.species}"]
    # Where more than half failed in the glue, that is said before any moment.
    if kept.spread is not None:
        lines += [f"  {said}" for said in kept.spread.says[:-1]]
    rows = [_row(one) for one in kept.pieces]
    head = ["piece", "order", "broken", "N m", "failed in", "kN m/rad", ""]
    lines.append(said_table(head, rows))
    return [*lines, *_scatter(kept)]


def _row(one: "PieceKept") -> list[str]:
    stiff = "" if one.stiffness is None else f"{one.stiffness.stiffness_n_m_per_rad / 1000:.0f}"
    seen = one.seen
    struck = "" if one.struck is None else f"struck out: {one.struck}"
    return [str(one.id), str(seen.order), seen.broken, f"{one.moment_n_m:.0f}", seen.failed, stiff, struck]


def _scatter(kept: "BatchKept") -> list[str]:
    from server.joinery.pieces import WORDS

    if kept.spread is None:
        return [f"{kept.why_no_spread}.", WORDS]
    spread = kept.spread
    limit = f"no limit is named: {spread.why_no_limit}"
    if spread.limit_n_m is not None:
        limit = (
            f"of pieces made and broken like these, 19 in 20 hold at least {spread.limit_n_m:.0f} N m, "
            "and we would say so wrongly once in 20"
        )
    glue = spread.glue
    lines = [
        f"{spread.pieces} pieces: mean {spread.mean_n_m:.0f} N m, sd {spread.sd_n_m:.0f}; {limit}.",
        f"In the glue: {glue.value:.0%} (between {glue.low:.0%} and {glue.high:.0%}).",
    ]
    if kept.factor is not None:
        lines.append(f"Stiffness factor {kept.factor.f_k:.3f} (sd of its ln {kept.factor.sd_ln:.2f}).")
    return [*lines, WORDS]


def _compared(kinds: "Kinds", a: str, b: str) -> list[str]:
    from server.joinery.pieces import WORDS

    lines = [
        f"{b} against {a}:",
        f"  difference of means {_between(kinds.difference, 0)} N m",
        f"  ratio of typical pieces {_between(kinds.ratio, 2)}",
    ]
    if kinds.batches is not None:
        lines.append(f"  with each batch as one piece, difference {_between(kinds.batches, 0)} N m")
    if kinds.says:
        lines.append(f"  It {kinds.says}.")
    return [*lines, WORDS]


def _between(interval: "Interval", places: int) -> str:
    figures = (interval.value, interval.low, interval.high)
    value, low, high = (f"{figure:.{places}f}" for figure in figures)
    return f"{value}, between {low} and {high}"
