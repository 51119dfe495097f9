"""The command `hangtrue-node`: arguments in, sentences out."""

import json
import sys
import time
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path

import click

from sensors.config import NodeError, NodeFile, read_node_file

DEFAULT_FILE = Path("/etc/hangtrue-node/node.toml")


@click.group()
@click.version_option(version("hangtrue"), prog_name="hangtrue-node")
@click.option(
    "--config",
    "path",
    type=click.Path(path_type=Path),
    default=DEFAULT_FILE,
    show_default=True,
    help="The node's file.",
)
@click.pass_context
def cli(context: click.Context, path: Path) -> None:
    """Read the gauges of a door, keep what they say, and send it until it is stored."""
    context.obj = path


@cli.command()
@click.pass_obj
def run(path: Path) -> None:
    """Sample, keep and send, until told to stop."""
    from sensors.node.live import run_node

    run_node(_read(path), say=click.echo)


@cli.command()
@click.option("--json", "as_json", is_flag=True, help="As one object.")
@click.pass_obj
def spool(path: Path, *, as_json: bool) -> None:
    """Say how much is kept and how much waits to be stored."""
    from sensors.node.counts import counts_of

    counts = counts_of(_read(path))
    if as_json:
        click.echo(json.dumps(asdict(counts)))
        return
    click.echo(
        f"journal {counts.journal}  head {counts.head}  tail {counts.tail}  stored {counts.stored}  "
        f"held {counts.held}  waiting {counts.waiting}  lost {counts.lost}  {counts.kib} KiB  "
        f"integrity {'ok' if counts.is_sound else 'damaged'}"
    )
    if not counts.is_sound:
        sys.exit(1)


@cli.command()
@click.pass_obj
def enrol(path: Path) -> None:
    """Take the one-line code of `hangtrue node enrol` from standard input, try it and keep it."""
    from sensors.node.enrol import EnrolError, enrol_node

    try:
        click.echo(enrol_node(_read(path), sys.stdin.readline(), now_ms=time.time_ns() // 1_000_000))
    except EnrolError as refusal:
        click.echo(str(refusal), err=True)
        sys.exit(refusal.status)


@cli.command()
@click.option("--door", type=click.Choice(["north", "south"]), required=True, help="Which invented door.")
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True)
@click.option("--years", type=click.FloatRange(0.01, 12.0), default=3.0, show_default=True)
@click.option("--start", help="Day and hour of hanging, ISO 8601 with offset; else now less the years.")
@click.option("--node", "ref", help="site/node that the described channels are of.")
@click.option(
    "--describe", type=click.Path(path_type=Path), help="Write channels and calibrations here, and end."
)
@click.option(
    "--truth", type=click.Path(path_type=Path), help="Write what the door truly did here. For tests."
)
@click.option("--packs-per-s", type=click.FloatRange(0.1, 1000.0), default=40.0, show_default=True)
@click.option(
    "--speed",
    type=click.FloatRange(1.0, 1e6),
    default=1.0,
    show_default=True,
    help="Live time, so many times as fast.",
)
@click.option("--opening", help="none, or DOOR:JOINT:DAY:SIZE, such as north:lock-hinge:560:0.10.")
@click.option("--swap", is_flag=True, help="Give the opening to the other door.")
@click.option("--vary", is_flag=True, help="Draw each rate about its value.")
@click.option(
    "--kit", default="usual", show_default=True, help="usual, every, A to G, or gauges parted by commas."
)
@click.option("--pair-mm", type=float, help="How far apart the gauges of each shoulder pair are.")
@click.option("--use", is_flag=True, help="With a counter of openings and a meter of slams.")
@click.option("--ideal", is_flag=True, help="Gauges without error, and nine decimals.")
@click.option(
    "--states", type=click.Path(path_type=Path), help="A file of movements, instead of the door's own."
)
@click.option("--fault", "faults", multiple=True, help="KIND:CHANNEL:FROM_DAY:DAYS:SIZE; may be given again.")
@click.option("--csv", type=click.Path(path_type=Path), help="Hourly air: time,t_c,rh_pct.")
@click.option("--fresh", is_flag=True, help="Throw away what an earlier run of this folder kept.")
@click.pass_obj
def simulate(path: Path, /, **options: object) -> None:
    """Be an invented door: its years at once, then live. All its figures are invented."""
    from sensors.node.simulate import SimulateOptions, describe, simulate_node

    asked = SimulateOptions(**options)  # type: ignore[arg-type]  # click checked them
    if asked.describe is not None:
        describe(asked, say=click.echo)
    else:
        simulate_node(_read(path), asked, say=click.echo)


def _read(path: Path) -> NodeFile:
    return read_node_file(path)


def main(argv: list[str] | None = None) -> int:
    """Run one command; 0 well, 1 something is wrong, 2 wrong use or file, 3 broker or disk."""
    try:
        cli.main(args=argv, prog_name="hangtrue-node", standalone_mode=False)
    except NodeError as refusal:
        click.echo(f"hangtrue-node: {refusal}", err=True)
        return refusal.status
    except click.ClickException as wrong:
        wrong.show()
        return 2
    except click.Abort:
        return 130
    return 0
