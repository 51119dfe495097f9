"""The real service as a process of its own, its commands, and how a journey asks it and waits for it."""

import json
import logging
import os
import re
import select
import signal
import subprocess
import sys
import sysconfig
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from io import StringIO
from pathlib import Path
from typing import Any
from unittest import mock
from urllib.parse import urlencode

from sqlalchemy import Engine, text

import sensors.node.main
import server.cli.main
from server.database import open_engine

SCRIPTS = Path(sysconfig.get_path("scripts"))
MAINS: Mapping[str, Callable[[list[str]], int]] = {
    "hangtrue": server.cli.main.main,
    "hangtrue-node": sensors.node.main.main,
}
SITE = "saltmarsh-yard"
START_S, STOP_S, SOON_S = 30.0, 20.0, 30.0
ADDRESSES = re.compile(r"readings: 127\.0\.0\.1:(\d+)   pages: http://127\.0\.0\.1:(\d+)/")


@dataclass(frozen=True, slots=True, kw_only=True)
class Yard:
    """A service's folder and its settings file."""

    folder: Path
    database: str

    @property
    def config(self) -> Path:
        """The settings file."""
        return self.folder / "hangtrue.toml"

    @property
    def log(self) -> Path:
        """What the service wrote to its standard error, of all its runs."""
        return self.folder / "service.log"

    @contextmanager
    def opened(self) -> Iterator[Engine]:
        """The database, for a reader."""
        engine = open_engine(self.database, reader=True)
        try:
            yield engine
        finally:
            engine.dispose()

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        """Rows of a query."""
        with self.opened() as engine, engine.connect() as connection:
            return [tuple(row) for row in connection.execute(text(sql))]

    def command(self, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        """Call `hangtrue` with these settings, in this process."""
        return call("hangtrue", "--config", self.config, *arguments)

    def process(self, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        """Run `hangtrue` with these settings to its end, as a process of its own."""
        return run("hangtrue", "--config", self.config, *arguments)


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A service that runs: its process and its two ports."""

    child: subprocess.Popen[str]
    intake: int
    pages: int

    def get(self, path: str, **query: object) -> tuple[int, str]:
        """Status and body of a page; status 0 while nobody answers."""
        connection = HTTPConnection("127.0.0.1", self.pages, timeout=10)
        try:
            connection.request("GET", f"{path}?{urlencode(query)}" if query else path)
            answer = connection.getresponse()
            return answer.status, answer.read().decode()
        except (OSError, HTTPException):
            return 0, ""
        finally:
            connection.close()

    def facts(self, path: str, **query: object) -> Any:
        """What the API answers, which must be 200."""
        status, body = self.get(path, **query)
        assert status == 200, (path, status, body)
        return json.loads(body)


def clean_environment() -> Mapping[str, str]:
    """The environment without settings of ours, so that a journey takes what it is given."""
    return {key: value for key, value in os.environ.items() if not key.startswith("HANGTRUE_")}


def call(name: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Call one of our commands in this process, which has imported already what a new one would have to.

    It is entered where its script enters it, and says what it would say as a process, its warnings too. What
    it does not catch itself, a traceback of a process, comes out here and fails the test.
    """
    out, errors, words = StringIO(), StringIO(), [str(each) for each in arguments]
    warner = logging.StreamHandler(errors)
    warner.setLevel(logging.WARNING)  # as logging does where no handler is set
    logging.getLogger().addHandler(warner)
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        with (
            mock.patch.dict(os.environ, clean_environment(), clear=True),
            mock.patch.object(sys, "stdin", StringIO()),
            redirect_stdout(out),
            redirect_stderr(errors),
        ):
            status = MAINS[name](words)
    except SystemExit as left:
        status = left.code if isinstance(left.code, int) else int(left.code is not None)
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
        logging.getLogger().removeHandler(warner)
    return subprocess.CompletedProcess([name, *words], status, out.getvalue(), errors.getvalue())


def run(name: str, *arguments: str | Path, within_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    """Run one of our commands to its end."""
    return subprocess.run(
        [SCRIPTS / name, *arguments],
        check=False,
        env=clean_environment(),
        capture_output=True,
        text=True,
        timeout=within_s,
        stdin=subprocess.DEVNULL,
    )


def start(*arguments: str | Path, log: Path) -> subprocess.Popen[str]:
    """Start a command in a group of its own; what it prints is read by the caller, its log goes to `log`."""
    with log.open("a", encoding="utf-8") as errors:
        return subprocess.Popen(
            arguments,
            env=clean_environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            start_new_session=True,
        )


def make_yard(folder: Path, database: str | None = None) -> Yard:
    """A yard in a folder of its own, on SQLite unless another database is named; nothing runs yet."""
    folder.mkdir(parents=True, exist_ok=True)
    yard = Yard(folder=folder, database=database or f"sqlite:///{folder / 'yard.db'}")
    yard.config.write_text(
        f'state_dir = "{folder / "state"}"\ndatabase = "{yard.database}"\nzone = "Europe/London"\n'
        '[intake]\nbind = "127.0.0.1:0"\nrate_per_minute = 0\n[pages]\nbind = "127.0.0.1:0"\n',
        "utf-8",
    )
    return yard


def start_service(yard: Yard, *program: str | Path) -> Served:
    """Start `hangtrue serve`, or another program that says its addresses as that does."""
    child = start(*(program or (SCRIPTS / "hangtrue", "--config", yard.config, "serve")), log=yard.log)
    line = first_line(child)
    found = ADDRESSES.match(line)
    if found is None:
        end(child)
        raise AssertionError(f"the service said {line!r}; its log: {yard.log.read_text('utf-8')[-2000:]}")
    return Served(child=child, intake=int(found[1]), pages=int(found[2]))


@contextmanager
def serving(yard: Yard) -> Iterator[Served]:
    """The service, running while the block does; it must then end in order when it is asked to."""
    served = start_service(yard)
    try:
        yield served
    finally:
        status = end(served.child)
    assert status == 0, yard.log.read_text("utf-8")[-2000:]


def first_line(child: subprocess.Popen[str], *, within_s: float = START_S) -> str:
    """The first line that a child prints; empty when it prints none in time."""
    assert child.stdout is not None
    ready, _, _ = select.select([child.stdout], [], [], within_s)
    return child.stdout.readline() if ready else ""


def end(child: subprocess.Popen[str], number: int = signal.SIGTERM) -> int:
    """End one child: asked first, made to after a while; its exit code."""
    if child.poll() is None:
        child.send_signal(number)
    try:
        return child.wait(STOP_S)
    except subprocess.TimeoutExpired:
        child.kill()
        return child.wait(STOP_S)
    finally:
        if child.stdout is not None:
            child.stdout.close()


def until(
    reached: Callable[[], object], what: str, *, within_s: float = SOON_S, every_s: float = 0.02
) -> None:
    """Wait for a state; fail when it is not reached in time."""
    deadline, pause = time.monotonic() + within_s, threading.Event()
    while not reached():
        assert time.monotonic() < deadline, f"waited {within_s:g} s in vain for {what}"
        pause.wait(every_s)


def metric(served: Served, name: str, **labels: str) -> float:
    """The value of one metric; 0 while there is none of it."""
    inside = ",".join(f'{key}="{value}"' for key, value in labels.items())
    wanted = f"{name}{{{inside}}}" if labels else name
    for line in served.get("/metrics")[1].splitlines():
        if line.startswith(f"{wanted} "):
            return float(line.removeprefix(wanted))
    return 0.0


def enrol_plain(yard: Yard, node: str, **channels: str) -> tuple[str, str]:
    """Enrol a plain device by command; user and password. `channels`: short name = unit."""
    pairs = [f"{SITE}/{node}/{name.replace('_', '-')}={unit}" for name, unit in channels.items()]
    options = [part for pair in pairs for part in ("--channel", pair)]
    told = yard.command("node", "enrol", f"{SITE}/{node}", "--plain", *options)
    assert told.returncode == 0, told.stderr
    said = dict(line.split(maxsplit=1) for line in told.stdout.splitlines())
    return said["user"], said["password"]
