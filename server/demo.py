"""Saltmarsh Yard: two invented doors, their gauges as processes of their own, and the real service."""

import json
import math
import os
import shutil
import subprocess
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from http import HTTPStatus
from http.client import HTTPConnection
from pathlib import Path

from sqlalchemy import Engine

from server.auth.credentials import issue
from server.clock import Clock
from server.config import Address, Settings
from server.database import Session, open_engine, session_of
from server.doors.carried import load_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import add_door, enrol_node, find_node, list_doors
from server.errors import SettingsError, UnknownNodeError
from server.inspection.findings import waiting
from server.readings.calibration import add, read_records
from server.readings.kept import instants_stored, readings_stored
from server.readings.rollup import dirty_days
from server.service import children
from server.service.run import Service, running
from server.service.stops import only_asks, stop_asked
from server.service.trials import look_at_trials
from server.trials.example import EXAMPLE
from server.trials.store import declare, list_trials, seal_trial, seals

SITE = "saltmarsh-yard"
GAUGE = '\n[[gauge]]\nchannel = "{name}"\nkind = "{name}"\nunit = "{unit}"\n'
USE = GAUGE.format(name="openings", unit="count") + GAUGE.format(name="slam", unit="m/s2")
DOORS = ("north", "south")
CHANNELS = 20
STEP_S = 5400
DAY_S = 86400
YEAR_DAYS = 365.25
PACKS_PER_S = 40
EPOCH = date(1970, 1, 1)
TRIAL_AGE, NIGHTS_APART = timedelta(days=800), 12
TRIAL_JOINT, SET_BACK = "lock-hinge", "demo, clock set back"
PATIENCE_S = 600.0
PATHS = (
    "/",
    "/doors/saltmarsh-yard/north",
    "/doors/saltmarsh-yard/south",
    "/compare",
    "/trials",
    "/alerts",
    "/api/v1/doors",
    "/api/v1/compare",
    "/healthz",
)
Say = Callable[..., None]
Child = subprocess.Popen[bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoOptions:
    """What the command was asked."""

    folder: Path | None = None
    years: float = 3.0
    seed: int = 1
    fresh: bool = False
    check: bool = False
    port: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Yard:
    """Where the demo keeps its things, and when its doors were hung."""

    folder: Path
    hung: datetime
    years: float
    seed: int

    @property
    def instants(self) -> int:
        """Instants that each door has behind it: those before the end of its years, the first at 0."""
        return math.ceil(round(self.years * YEAR_DAYS * DAY_S * 1000, 3) / (STEP_S * 1000))


def run_demo(options: DemoOptions, *, clock: Clock, say: Say) -> int:
    """Run the demo until ^C, or with `check` until it has checked itself; give the exit code.

    Raises SettingsError when its folder or port can't be used.
    """
    stop = stop_asked()
    code = _run(options, clock, stop, say)
    kept = "gone" if options.folder is None else f"kept in {options.folder.absolute()}"
    say(f"Ended; its files are {kept}.")
    return code


def _run(options: DemoOptions, clock: Clock, stop: threading.Event, say: Say) -> int:
    with ExitStack() as opened:
        folder = opened.enter_context(_folder(options))
        yard = _yard(options, folder, clock)
        settings = _settings(folder, options.port)
        service = opened.enter_context(running(settings, clock=clock, invented=True))
        only_asks(stop)
        say(f"Saltmarsh Yard, two invented doors. Open {service.base_url}/")
        (folder / "hangtrue.toml").write_text(
            f'state_dir = "{settings.state_dir}"\n[pages]\nbase_url = "{service.base_url}"\n', "utf-8"
        )
        say(f"Commands for it: hangtrue --config {folder / 'hangtrue.toml'} door list")
        nodes = [opened.enter_context(_node(yard, settings, service, door, clock)) for door in DOORS]
        if not _fill(yard, service, nodes, stop, say):
            return 0 if stop.is_set() else 1
        _trial(yard, settings, clock)
        if options.check:
            return _check(yard, settings, service, say)
        say("The years are in, and the doors go on. ^C ends the demo.")
        stop.wait()
    return 0


@contextmanager
def _folder(options: DemoOptions) -> Iterator[Path]:
    if options.folder is None:
        with tempfile.TemporaryDirectory(prefix="hangtrue-demo-") as name:
            yield Path(name)
        return
    folder = options.folder.absolute()
    if options.fresh and (folder / "demo.json").exists():
        shutil.rmtree(folder)
    if folder.exists() and any(folder.iterdir()) and not (folder / "demo.json").exists():
        raise SettingsError("run the demo", "a folder that is empty or an earlier demo's", str(folder))
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    yield folder


def _yard(options: DemoOptions, folder: Path, clock: Clock) -> Yard:
    """The yard of an earlier run of this folder, else a new one that ends now."""
    path = folder / "demo.json"
    if path.exists():
        kept = json.loads(path.read_text("utf-8"))
        if not kept.get("use"):
            raise SettingsError(f"go on in {folder}", "--fresh to begin anew", "an older demo's, without use")
        if (kept["seed"], kept["years"]) != (options.seed, options.years):
            came = f"--seed {options.seed} --years {options.years:g}"
            needed = (
                f"the same --seed {kept['seed']} --years {kept['years']:g} as its first run had, "
                "or --fresh to begin anew"
            )
            raise SettingsError(f"go on in {folder}", needed, came)
        return Yard(
            folder=folder, hung=datetime.fromisoformat(kept["hung"]), years=kept["years"], seed=kept["seed"]
        )
    span = timedelta(days=options.years * YEAR_DAYS)
    hung = (clock() - span).replace(minute=0, second=0, microsecond=0)
    kept = {"seed": options.seed, "years": options.years, "hung": hung.isoformat(), "use": True}
    path.write_text(json.dumps(kept), "utf-8")
    return Yard(folder=folder, hung=hung, years=options.years, seed=options.seed)


def _settings(folder: Path, port: int) -> Settings:
    service = folder / "service"
    return Settings(
        state_dir=service,
        database=f"sqlite:///{service / 'hangtrue.db'}",
        zone="Europe/London",
        intake_bind=Address(host="127.0.0.1", port=0),
        intake_rate_per_minute=0,
        pages_bind=Address(host="127.0.0.1", port=port),
    )


@contextmanager
def _node(yard: Yard, settings: Settings, service: Service, door: str, clock: Clock) -> Iterator[Child]:
    """The gauges of one door, as a process of their own."""
    folder = yard.folder / door
    folder.mkdir(exist_ok=True, mode=0o700)
    _describe(yard, door, folder)
    _enrol(yard, settings, door, folder, clock)
    service.refresh()
    _write_node_file(yard, service, door, folder)
    arguments = ["hangtrue-node", "--config", str(folder / "node.toml"), "simulate", *_asked(yard, door)]
    child = children.start(
        [*arguments, "--packs-per-s", str(PACKS_PER_S)], environment=dict(_environment()), quiet=True
    )
    try:
        yield child
    finally:
        children.end(child, wait_s=5.0)


def _environment() -> dict[str, str]:
    return {key: value for key, value in os.environ.items() if not key.startswith("HANGTRUE_")}


def _asked(yard: Yard, door: str) -> list[str]:
    start = yard.hung.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return ["--door", door, "--years", f"{yard.years:g}", "--seed", str(yard.seed), "--start", start, "--use"]


def _describe(yard: Yard, door: str, folder: Path) -> None:
    if (folder / "calibration.json").exists():
        return
    arguments = ["hangtrue-node", "simulate", *_asked(yard, door), "--node", f"{SITE}/{door}"]
    arguments += ["--describe", str(folder)]
    code = children.start(arguments, environment=_environment(), quiet=True).wait(60)
    if code != 0:
        raise SettingsError(
            f"describe the gauges of {door}", "hangtrue-node to answer", f"its exit code {code}"
        )


def _enrol(yard: Yard, settings: Settings, door: str, folder: Path, clock: Clock) -> None:
    """Enrol node and door, once; the password stays in the node's own folder."""
    engine = open_engine(settings.database)
    try:
        with session_of(engine) as session:
            if _is_enrolled(session, door):
                return
            node = enrol_node(session, SITE, door, kind="tracked", zone="Europe/London", now=clock())
            password = issue(
                session, node_id=node.id, user=f"{SITE}.{door}.1", role="node", generation=1, now=clock()
            )
            built = read_door(example_text(door, hung=yard.hung) + USE, where=f"{door}.toml").built
            add_door(session, built, now=clock())
            hung = next(each for each in list_doors(session) if each.name == door)
            records = read_records(
                (folder / "calibration.json").read_text("utf-8"), where=f"{door}/calibration.json"
            )
            for record in records:
                channel = hung.channels.get(record.channel.rpartition("/")[2])
                if channel is not None:
                    add(session, channel.id, record, now=clock)
            _write_secret(folder / "secret", password)
    finally:
        engine.dispose()


def _is_enrolled(session: Session, door: str) -> bool:
    try:
        find_node(session, f"{SITE}/{door}")
    except UnknownNodeError:
        return False
    return True


def _write_secret(path: Path, password: str) -> None:
    path.touch(mode=0o600)
    path.write_text(password, "utf-8")


def _write_node_file(yard: Yard, service: Service, door: str, folder: Path) -> None:
    start_ms = round(yard.hung.timestamp() * 1000)
    lines = [
        f'site = "{SITE}"',
        f'node = "{door}"',
        f"state_dir = {json.dumps(str(folder))}",
        "[broker]",
        f'host = "{service.intake.host}"',
        f"port = {service.intake.port}",
        f'user = "{SITE}.{door}.1"',
        "[spool]",
        "keep_days = 3650",
        "[simulated]",
        f'door = "{door}"',
        f"seed = {yard.seed}",
        f"start_ms = {start_ms}",
        (folder / "channels.toml").read_text("utf-8"),
    ]
    (folder / "node.toml").write_text("\n".join(lines), "utf-8")


def _fill(yard: Yard, service: Service, nodes: Sequence[Child], stop: threading.Event, say: Say) -> bool:
    """Wait until the years are in, looking at the doors at each half-year; False when stopped or stuck."""
    expected, half_years, stored = yard.instants * len(DOORS), 0, -1
    engine, progress = open_engine(service.settings.database, reader=True), time.monotonic()
    try:
        while not stop.wait(0.25):
            now = _stored(engine)
            if now > stored:
                _say_progress(yard, stored, now, say)
                stored, progress = now, time.monotonic()
            if stored >= expected and not service.is_looking() and _nothing_waits(engine):
                return service.look("--now").wait() == 0
            reached = int(stored / expected * yard.years * 2)
            if half_years < reached and stored < expected and not service.is_looking():
                half_years = reached
                service.look("--now")
            if any(node.poll() is not None for node in nodes) or time.monotonic() - progress > PATIENCE_S:
                say("A door's gauges stopped sending; see the lines above.")
                return False
    finally:
        engine.dispose()
    return False


def _trial(yard: Yard, settings: Settings, clock: Clock) -> None:
    """Seal one trial by a clock that stands more than two years back, and look at some of its nights since.

    No command can do this: a trial of anybody else is sealed before its data.
    """
    start = (clock() - TRIAL_AGE).date()
    if yard.years * YEAR_DAYS <= TRIAL_AGE.days:
        return
    engine = open_engine(settings.database)
    try:
        with session_of(engine) as session:
            if not seals(session):
                then = datetime(start.year, start.month, start.day, 9, tzinfo=UTC)
                number = declare(session, _declaration(session, start), by=SET_BACK, clock=lambda: then)
                seal_trial(session, number, clock=lambda: then, seen_until=start)
            began = list_trials(session)[0].declared.starts_on
        for night in _nights((began - EPOCH).days, (clock().date() - EPOCH).days):
            look_at_trials(engine, night)
    finally:
        engine.dispose()


def _nights(began: int, last: int) -> list[int]:
    """A night after a year and a half, those of the third year some days apart, and the last."""
    third = range(began + 2 * 365 + 1, last, NIGHTS_APART)
    return [began + 548, *third, last]


def _declaration(session: Session, start: date) -> dict[str, object]:
    """The example's, from `start` on, with what the joints carry as reckoned."""
    given: dict[str, object] = tomllib.loads(EXAMPLE)
    pair = {}
    for key, name in zip("ab", DOORS, strict=True):
        door = next(each for each in list_doors(session) if each.name == name)
        moment = load_of(door.built).joints[TRIAL_JOINT].moment_n_m
        pair[key] = {"door": name, "version": 1, "joints": [TRIAL_JOINT], "moment_n_m": f"{moment:.2f}"}
    return given | {"starts_on": start, "pairs": [pair]}


def _stored(engine: Engine) -> int:
    with Session(engine) as session:
        return sum(instants_stored(session).values())


def _nothing_waits(engine: Engine) -> bool:
    """Whether both boxes said that all they have is stored, and every day is rolled up."""
    with Session(engine) as session:
        return all(waiting(door) == 0 for door in list_doors(session)) and dirty_days(engine) == 0


def _say_progress(yard: Yard, before: int, now: int, say: Say) -> None:
    """One line at each further quarter of a year."""
    a_year = yard.instants * len(DOORS) / yard.years
    if int(4 * now / a_year) > int(4 * before / a_year):
        say(f"{now / a_year:.2f} of {yard.years:g} years in, {now * CHANNELS:,} readings stored")


def _check(yard: Yard, settings: Settings, service: Service, say: Say) -> int:
    """Whether every reading is there and the pages answer; each fact said."""
    engine = open_engine(settings.database, reader=True)
    try:
        with Session(engine) as session:
            end_ms = round((yard.hung + timedelta(days=yard.years * YEAR_DAYS)).timestamp() * 1000)
            counts = {
                door.name: readings_stored(
                    session, [each.id for each in door.channels.values()], before_ms=end_ms
                )
                for door in list_doors(session)
            }
    finally:
        engine.dispose()
    whole = counts == dict.fromkeys(DOORS, yard.instants * CHANNELS)
    for door, count in sorted(counts.items()):
        say(f"{door}: {count:,} readings of {yard.instants * CHANNELS:,}")
    answers = {path: _answer(service.pages, path) for path in PATHS}
    for path, code in answers.items():
        say(f"{path}: {code}")
    well = whole and set(answers.values()) == {HTTPStatus.OK}
    say("All is whole." if well else "Something is missing: see above.")
    return 0 if well else 1


def _answer(pages: Address, path: str) -> int:
    connection = HTTPConnection(pages.host, pages.port, timeout=30)
    try:
        connection.request("GET", path)
        return connection.getresponse().status
    finally:
        connection.close()
