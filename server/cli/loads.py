"""Commands about load tests: whether a door may be loaded, what its test tells, and those that were made."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from server.doors.load_file import LoadFile
    from server.doors.load_tests import LoadTest
    from server.doors.margins import Margin
    from server.doors.register import DoorHung

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group()
def load() -> None:
    """Load tests: 10 kg at the latch corner, and how stiff that shows the joints to be."""


@load.command("test")
@click.argument("door")
@click.argument("file", type=FILE, required=False)
@click.option("--bench", is_flag=True, help="Without FILE: the leaf lies on the bench, not hung.")
@AS_JSON
@click.pass_obj
def load_test(settings: Settings, door: str, file: Path | None, *, bench: bool, as_json: bool) -> None:
    """Say whether DOOR may be loaded, and how; with FILE, fit the readings and keep the test.

    `hangtrue load example` prints the file.
    """
    from server.clock import utc_now
    from server.database import session_of
    from server.doors import load_tests
    from server.doors.register import find_door
    from server.inspection.room import room_of

    read = None if file is None else _read(file)
    is_hung = not bench if read is None else read.place == "hung"
    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, door)
        margin = room_of(session, hung, now=utc_now()) if is_hung else None
        if is_hung:
            standing = _standing(session, hung)
            consent = read is not None and read.consent is not None
            load_tests.check_allowed(hung.built, standing=standing, margin=margin, consent=consent)
        kept = None if read is None else _kept(session, hung, read)
    _caution()
    if kept is not None:
        click.echo(_as_json(kept) if as_json else "\n".join(_test_lines(hung.ref, kept)))
    elif as_json:
        facts = {"door": hung.ref, "may_be_loaded": True, "margin_mm": margin and round(margin.least_mm, 3)}
        click.echo(json.dumps(facts, ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(_ready_lines(hung.ref, margin, is_hung=is_hung)))


@load.command("list")
@click.argument("door")
@AS_JSON
@click.pass_obj
def load_list(settings: Settings, door: str, *, as_json: bool) -> None:
    """The load tests of DOOR, and whether its joints have softened."""
    from server.database import session_of
    from server.doors import load_tests
    from server.doors.register import find_door

    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, door)
        tests = load_tests.load_tests_of(session, hung.id)
        pieces = _of_pieces(session, hung, tests)
    fell = load_tests.fallen(tests)
    if as_json:
        facts = {"door": hung.ref, "tests": [asdict(one) for one in tests], "pieces": pieces}
        click.echo(json.dumps(facts | {"fell": fell is not None}, ensure_ascii=False, indent=2))
    elif not tests:
        click.echo(f"No load test of {hung.ref} is kept yet: hangtrue load test {hung.name}")
    else:
        click.echo("\n".join(_list_lines(tests)))
        if fell:
            click.echo(_fell_line(fell))
    if pieces and not as_json:
        click.echo("\n".join(_piece_line(one) for one in pieces))


@load.command("example")
def load_example() -> None:
    """Print the file of a load test."""
    from server.doors.load_file import EXAMPLE

    click.echo(EXAMPLE, nl=False)


def _read(file: Path) -> "LoadFile":
    from server.doors.load_file import read_load_file
    from server.errors import FileError

    try:
        return read_load_file(file.read_text("utf-8"), where=str(file))
    except UnicodeDecodeError:
        raise FileError(f"read {file}", "UTF-8 text", ["other bytes came"]) from None


def _standing(session: "Session", hung: "DoorHung") -> list[str]:
    from server.alerts import ledger

    return [f"{one.title}" for one in ledger.standing(session) if one.door_id == hung.id]


def _kept(session: "Session", hung: "DoorHung", read: "LoadFile") -> "LoadTest":
    from server.clock import utc_now
    from server.doors import load_tests

    return load_tests.keep(session, hung.id, read, load_tests.fitted(hung.built, read), now=utc_now())


def _caution() -> None:
    from server.doors.load_tests import CAUTIONS

    for caution in CAUTIONS:
        click.echo(f"caution: {caution}", err=True)


def _ready_lines(ref: str, margin: "Margin | None", *, is_hung: bool) -> list[str]:
    from server.doors.load_tests import BENCH_STEPS, STEPS

    if not is_hung:
        return [f"{ref} on the bench:", *(f"  {step}" for step in BENCH_STEPS)]
    room = "how much room it has is not known: look all round it with a feeler, 0.5 mm is needed"
    if margin is not None:
        room = f"{margin.least_mm:.2f} mm of room, least {margin.where}"
    return [f"{ref} may be loaded: no alert stands; {room}.", *(f"  {step}" for step in STEPS)]


def _test_lines(ref: str, test: "LoadTest") -> list[str]:
    from server.doors.load_tests import beyond_words

    lines = [
        f"{ref}, {test.day}, {test.place}, {test.state}: {test.mass_kg:g} kg racked it "
        f"{test.rack_mm:.4f} mm (sd {test.sd_mm:.4f}) over {test.cycles} cycles",
        f"stiffness factor {test.f_k:.3f}, between {test.low:.3f} and {test.high:.3f} (one sd either way)",
    ]
    return [*lines, *([f"It is {beyond_words(test)}."] if test.beyond else [])]


def _as_json(test: "LoadTest") -> str:
    return json.dumps(asdict(test), ensure_ascii=False, indent=2)


def _list_lines(tests: "tuple[LoadTest, ...]") -> list[str]:
    rows = [
        [
            test.day,
            test.place,
            test.state,
            f"{test.mass_kg:g}",
            f"{test.rack_mm:.3f}",
            f"{test.f_k:.3f}",
            f"{test.low:.3f} to {test.high:.3f}",
            f"{test.beyond} than the model covers" if test.beyond else "",
        ]
        for test in tests
    ]
    return [said_table(["day", "where", "joints", "kg", "rack mm", "factor", "range", ""], rows)]


def _fell_line(fell: "tuple[LoadTest, LoadTest]") -> str:
    first, last = fell
    return (
        f"The factor fell from {first.f_k:.3f} on {first.day} to {last.f_k:.3f} on {last.day}, by more than "
        "2 sd: look at the joints."
    )


def _of_pieces(
    session: "Session", hung: "DoorHung", tests: "tuple[LoadTest, ...]"
) -> list[dict[str, object]]:
    from server.doors.load_tests import hung_and_glued
    from server.doors.pieces import fits_door, list_batches
    from server.joinery.bench import Factor, with_load_test

    found: list[dict[str, object]] = []
    last = hung_and_glued(tests)[-1:]
    for kept in list_batches(session):
        if hung.name not in kept.batch.doors or kept.factor is None or not kept.batch.glued:
            continue
        one: dict[str, object] = {
            "batch": kept.batch.name,
            "f_k": kept.factor.f_k,
            "sd_ln": kept.factor.sd_ln,
        }
        one["same_sizes_as"] = list(fits_door(kept, hung.built))
        for test in last:
            both = with_load_test(kept.factor, Factor(f_k=test.f_k, sd_ln=test.sd_ln))
            one |= {
                "together": both.together.f_k,
                "together_sd_ln": both.together.sd_ln,
                "differ": both.differ,
            }
        found.append(one)
    return found


def _piece_line(one: dict[str, object]) -> str:
    said = f"Pieces of {one['batch']}: factor {one['f_k']:.3f} (sd of its ln {one['sd_ln']:.2f})"
    if "together" not in one:
        return f"{said}."
    together = f"; with the load test {one['together']:.3f} ({one['together_sd_ln']:.2f})"
    return f"{said}{together}{'; they differ by more than 2 sd' if one['differ'] else ''}."
