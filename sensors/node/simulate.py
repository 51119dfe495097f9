"""The simulated node: an invented door's years at once, then live, sent as any node sends."""

import hashlib
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain, islice, takewhile
from pathlib import Path
from typing import Any

from sensors.config import Channel, NodeError, NodeFile
from sensors.message.pack import SIMULATED_BYTES, SIMULATED_RECORDS
from sensors.node.live import BULK, after, keep_live, layout_of, open_node, real_times, sample_s, sampled
from sensors.publisher.choose import Pace
from sensors.publisher.publisher import Publisher
from sensors.sources.simulated.door import SimInstant, SimulatedDoor
from sensors.sources.simulated.doors import OpeningChoice
from sensors.sources.simulated.errors import SimulationError
from sensors.sources.simulated.faults import Fault, parse_fault

HOUR_MS, YEAR_MS = 3_600_000, 31_557_600_000
Say = Callable[..., None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulateOptions:
    """What the command was asked; its fields are the options of `hangtrue-node simulate`."""

    door: str
    seed: int = 1
    years: float = 3.0
    start: str | None = None
    ref: str | None = None
    describe: Path | None = None
    truth: Path | None = None
    packs_per_s: float = 40.0
    speed: float = 1.0
    opening: str | None = None
    swap: bool = False
    vary: bool = False
    kit: str = "usual"
    faults: tuple[str, ...] = ()
    pair_mm: float | None = None
    use: bool = False
    ideal: bool = False
    states: Path | None = None
    csv: Path | None = None
    fresh: bool = False


def describe(options: SimulateOptions, *, say: Say) -> None:
    """Write `channels.toml` (tables for a node file) and `calibration.json` of a simulated door."""
    door = _door(options, _start_ms(options))
    site, _, node = (options.ref or f"saltmarsh-yard/{options.door}").partition("/")
    tables, records = door.describe(site, node)
    folder = options.describe or Path()
    folder.mkdir(parents=True, exist_ok=True)
    lines = [
        "[[channel]]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())
        for table in tables
    ]
    (folder / "channels.toml").write_text("\n".join(lines), "utf-8")
    (folder / "calibration.json").write_text(json.dumps(records, indent=1), "utf-8")
    say(f"{len(tables)} channels, {len(records)} calibrations in {folder}")


def simulate_node(node: NodeFile, options: SimulateOptions, *, say: Say) -> None:
    """Journal the years, publish them newest first, then go on live until told to stop. Raises NodeError."""
    if options.fresh:
        _throw_away(node.state_dir)
    start_ms = _agreed_start(node.state_dir, options)
    door, times = _door(options, start_ms), real_times()
    pace = Pace(
        gap_s=1.0 / options.packs_per_s,
        first_retry_s=0.5,
        most_retry_s=15.0,
        resend_s=30.0,
        pack_bytes=SIMULATED_BYTES,
        pack_records=SIMULATED_RECORDS,
    )
    if options.truth is not None:
        door.write_truth(options.truth, node.node)
    journal = _journal(options, start_ms)
    with open_node(node, times, pace=pace, say=say, journal=journal) as publisher:
        publisher.spool.set_layout(layout_of(tuple(_channel(*each) for each in _described(door))))
        instants = door.instants(live_step_s=sample_s(publisher))
        live = _journal_history(publisher, door, after(instants, publisher.spool.last_ms()), say)
        keep_live(publisher, live, times, speed=options.speed)


def _door(options: SimulateOptions, start_ms: int) -> SimulatedDoor:
    try:
        return SimulatedDoor(
            door=options.door,
            seed=options.seed,
            start_ms=start_ms,
            years=options.years,
            opening=_opening(options),
            swap=options.swap,
            vary=options.vary,
            kit=options.kit,
            pair_mm=options.pair_mm,
            use=options.use,
            faults=_faults(options),
            ideal=options.ideal,
            states=options.states,
            csv=options.csv,
        )
    except SimulationError as error:
        raise NodeError(f"simulate {options.door}", error.needed, error.came) from None


def _opening(options: SimulateOptions) -> OpeningChoice:
    if options.opening in {None, "none"}:
        return None if options.opening is None else "none"
    parts = str(options.opening).split(":")
    needed = "none, or DOOR:JOINT:DAY:SIZE such as north:lock-hinge:560:0.10"
    try:
        door, joint, day, size = parts
        chosen = (joint, float(day), float(size))
    except ValueError:
        raise NodeError("--opening", needed, repr(options.opening)[:40]) from None
    return chosen if door == options.door else "none"


def _faults(options: SimulateOptions) -> tuple[Fault, ...]:
    try:
        return tuple(parse_fault(text) for text in options.faults)
    except SimulationError as error:
        raise NodeError("--fault", error.needed, error.came) from None


def _described(door: SimulatedDoor) -> list[tuple[str, str, int]]:
    return [(each.name, each.unit, each.decimals) for each in door.channels]


def _channel(name: str, unit: str, decimals: int) -> Channel:
    return Channel(name=name, unit=unit, decimals=decimals)


def _start_ms(options: SimulateOptions) -> int:
    if options.start is None:
        now_ms = time.time_ns() // 1_000_000
        return (now_ms - int(options.years * YEAR_MS)) // HOUR_MS * HOUR_MS
    try:
        start = datetime.fromisoformat(options.start)
    except ValueError:
        start = None
    if start is None or start.tzinfo is None:
        raise NodeError(
            "--start", "a time with its offset, such as 2023-05-01T08:00:00Z", repr(options.start)[:40]
        )
    return round(start.astimezone(UTC).timestamp() * 1000) // HOUR_MS * HOUR_MS


def _agreed_start(state_dir: Path, options: SimulateOptions) -> int:
    """The start kept at the first run of this folder; what is asked now must agree with it."""
    path = state_dir / "simulated.json"
    asked = {"door": options.door, "seed": options.seed, "years": options.years}
    if path.exists():
        kept = _kept(path)
        start_ms = int(kept.pop("start_ms"))
        if options.start is not None:
            asked["start_ms"], kept["start_ms"] = _start_ms(options), start_ms
        if kept != asked:
            raise NodeError(
                f"go on in {state_dir}", f"what it was begun with, {kept}, or --fresh", str(asked)
            )
        return start_ms
    start_ms = _start_ms(options)
    _keep(path, {**asked, "start_ms": start_ms})
    return start_ms


def _kept(path: Path) -> dict[str, Any]:
    try:
        kept: dict[str, Any] = json.loads(path.read_text("utf-8"))
        kept["start_ms"]
    except (OSError, ValueError, LookupError, TypeError):
        raise NodeError(
            f"go on in {path.parent}", "what it was begun with, or --fresh", f"a damaged {path.name}"
        ) from None
    return kept


def _keep(path: Path, kept: dict[str, Any]) -> None:
    """Written beside and moved, so that a run that is killed leaves none or a whole one."""
    beside = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        beside.write_text(json.dumps(kept), "utf-8")
        beside.replace(path)
    except OSError as error:
        came = error.strerror or "an error"
        raise NodeError(f"begin in {path.parent}", "a disk that takes it", came, status=3) from None


def _throw_away(state_dir: Path) -> None:
    for name in ("simulated.json", "simulated.new", "spool.db", "spool.db-wal", "spool.db-shm"):
        (state_dir / name).unlink(missing_ok=True)


def _journal(options: SimulateOptions, start_ms: int) -> str:
    """Drawn from seed, door and start: the same run, the same bytes on the wire."""
    return hashlib.sha256(f"{options.seed}/{options.door}/{start_ms}".encode()).hexdigest()[:8]


def _journal_history(
    publisher: Publisher, door: SimulatedDoor, upcoming: Iterator[SimInstant], say: Say
) -> Iterator[SimInstant]:
    """Put the years that are not yet kept into the spool, before anything of them is sent; give the rest."""
    spool, shut_at = publisher.spool, [each.name for each in door.channels].index("shut")
    end_ms, shut, first_live = door.history_end_ms, 0, list[SimInstant]()
    while not first_live and (some := list(islice(upcoming, BULK))):
        history = list(takewhile(lambda each: each.ms < end_ms, some))
        first_live = some[len(history) :]
        spool.append(sampled(each, boot=spool.boot) for each in history)
        shut += sum(each.values[shut_at] != 0 for each in history)
        say(f"\r{spool.head} of {door.count} instants kept", nl=False)
    say(f"\r{spool.head} instants; {shut} of the new with the leaf shut; {len(door.faults)} faults injected")
    return chain(first_live, upcoming)
