"""The service: opened in order, kept running, and ended in order."""

import json
import logging
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from sqlalchemy import Engine
from sqlalchemy.exc import OperationalError

from server.clock import Clock
from server.config import Address, Settings
from server.database import Session, check_reachable, open_engine, session_of
from server.doors.register import site_of
from server.inspection.values import Finding
from server.intake.excess import flooding_nodes
from server.readings.sessions import end_old_sessions
from server.schema import upgrade
from server.service import children, configs, hours, messages
from server.service.backups import BackUps, before_upgrade
from server.service.house import facts_of, house_findings
from server.service.intakes import Intake
from server.service.lock import only_on, only_service
from server.service.ports import bind
from server.service.stops import only_asks, stop_asked

log = logging.getLogger("hangtrue.service")
TELL_S, LOOK_FOR_NEW_S, LOOK_FOR_REVOKED_S = 1.0, 30.0, 1.0
FIRST_LOOK_S = 20.0
# The algebra of a look is small: threads only wait for one another, and for the other core's work.
ONE_CORE = {"OPENBLAS_NUM_THREADS": "1"}
KEPT_FROM_CHILDREN = "HANGTRUE_DELIVERY_"
# A box that goes on sending too much is marked once an hour.
FLOODING_MS = 2 * 3_600_000
RESTART_S = (0, 1, 2, 4, 8, 16, 30)


class Service:
    """A running service. `intake` and `pages` are the addresses it listens on."""

    def __init__(self, settings: Settings, *, clock: Clock, invented: bool = False) -> None:
        self.settings, self.clock, self.invented = settings, clock, invented
        self.stopping = threading.Event()
        self.way_in = Intake(settings, clock=clock)
        self.back_ups = BackUps(settings, clock=clock)
        self.pages = Address(host="127.0.0.1", port=0)
        self.engine: Engine | None = None
        self._looks: list[subprocess.Popen[bytes]] = []
        self._rng = np.random.default_rng()
        self._stored_at = clock()

    @property
    def intake(self) -> Address:
        """Where nodes connect to; with a broker, where we do."""
        return self.way_in.address

    @property
    def base_url(self) -> str:
        """The address of the pages, as messages give it."""
        return self.settings.base_url or f"http://{self.pages.host}:{self.pages.port}"

    @property
    def saying(self) -> messages.Saying:
        """How messages are made here."""
        return messages.Saying(
            clock=self.clock, rng=self._rng, base_url=self.base_url, zone=self.settings.zone
        )

    def environment(self) -> dict[str, str]:
        """What our children are told; what opens a channel is not theirs to know."""
        told = {**children.environment_of(self.settings), "HANGTRUE_PAGES_BASE_URL": self.base_url}
        return {name: value for name, value in told.items() if not name.startswith(KEPT_FROM_CHILDREN)}

    def look_at_house(self, engine: Engine) -> None:
        """Each hour's look at the house; who is told is settled anew, for doors may have been hung."""
        messages.settle_posts(engine, messages.channels_of(self.settings), at=self.clock())
        hours.look_at_hour(engine, self.saying, also=self._house)

    def _house(self, session: Session, now: datetime) -> tuple[Finding, ...]:
        site, is_failing = site_of(session), bool(self.way_in.counters().get("store_failing"))
        if site is None:
            return ()
        flooding = flooding_nodes(session, since_ms=_ms(now) - FLOODING_MS)
        facts = replace(
            facts_of(self.settings, site.name),
            paused=frozenset(ref.partition("/")[2] for ref in flooding),
            is_failing=is_failing,
            failing_since_ms=_ms(self._stored_at) if is_failing else None,
        )
        return house_findings(session, facts, at_ms=_ms(now))

    def counters(self) -> dict[str, object]:
        """What has come, what was refused, what waits: the line that pages tell."""
        counted = self.way_in.counters()
        if not counted.get("store_failing"):
            self._stored_at = self.clock()
        return {"t_ms": _ms(self.clock()), **counted}

    def refresh(self) -> None:
        """Know before the next pack what was enrolled since; else a stranger is looked up once a second."""
        self.way_in.refresh()

    def look(self, *arguments: str) -> subprocess.Popen[bytes]:
        """Start a look at the doors as a process of its own; `arguments` as for `hangtrue inspect`."""
        self._looks = [child for child in self._looks if child.poll() is None]
        child = children.start(
            ["hangtrue", "inspect", *(arguments or ("--due",))],
            environment={**self.environment(), **ONE_CORE},
            quiet=True,
        )
        self._looks.append(child)
        return child

    def is_looking(self) -> bool:
        """Whether a look at the doors still runs."""
        return any(child.poll() is None for child in self._looks)

    def end_looks(self) -> None:
        """End the looks that still run; what they had not committed is looked at anew."""
        for child in self._looks:
            children.end(child)

    def tell_new(self, engine: Engine) -> None:
        """Look for what other commands added, and tell the nodes."""
        with session_of(engine) as session:
            end_old_sessions(session, now=self.clock())
        self.way_in.send(configs.refresh_configs(engine, clock=self.clock))


@contextmanager
def running(settings: Settings, *, clock: Clock, invented: bool = False) -> Iterator[Service]:
    """A service that runs while the block does.

    Raises SettingsError or StaleSchemaError, before anything listens, when it can't start.
    """
    told_by = messages.channels_of(settings)
    service = Service(settings, clock=clock, invented=invented)
    with ExitStack() as opened:
        opened.enter_context(only_service(settings.state_dir))
        engine = open_engine(settings.database)
        opened.callback(engine.dispose)
        check_reachable(engine)
        opened.enter_context(only_on(engine))
        before_upgrade(engine, settings, clock=clock)
        upgrade(settings.database)
        channels = messages.open_all(told_by, clock=clock)
        messages.settle_posts(engine, told_by, at=clock())
        pages = opened.enter_context(bind(settings.pages_bind, what="serve the pages"))
        service.pages = Address(host=settings.pages_bind.host, port=pages.getsockname()[1])
        intake = None
        if settings.intake_kind == "listener":
            intake = opened.enter_context(bind(settings.intake_bind, what="take readings"))
        opened.enter_context(service.way_in.opened(engine, intake))
        opened.callback(service.end_looks)
        opened.callback(service.back_ups.end)
        opened.enter_context(messages.delivering(engine, channels, service.saying))
        opened.enter_context(_threads(service, pages, engine))
        service.engine = engine
        yield service
        service.stopping.set()


def serve(settings: Settings, *, clock: Clock, say: Callable[[str], None]) -> None:
    """Run until SIGTERM or SIGINT."""
    stop = stop_asked()
    with running(settings, clock=clock) as service, _nightly(service):
        only_asks(stop)
        signal.signal(signal.SIGHUP, lambda *_: service.way_in.renew_certificate())
        say(
            f"readings: {service.intake.host}:{service.intake.port}   pages: http://{service.pages.host}:{service.pages.port}/"
        )
        if not stop.is_set():
            service.back_ups.make_if_due()
        # Boxes that went on without us send first what waits; then they and their doors are judged.
        if not stop.wait(FIRST_LOOK_S):
            service.look("--due")
        stop.wait()


@contextmanager
def _nightly(service: Service) -> Iterator[None]:
    hour, minute = service.settings.look_at.split(":")
    zone = ZoneInfo(service.settings.zone) if service.settings.zone else None
    scheduler = BackgroundScheduler(timezone=zone) if zone else BackgroundScheduler()
    trigger = (
        CronTrigger(hour=hour, minute=minute, timezone=zone)
        if zone
        else CronTrigger(hour=hour, minute=minute)
    )
    scheduler.add_job(service.look, trigger, args=["--due"], misfire_grace_time=3600, coalesce=True)
    scheduler.add_job(
        service.look, CronTrigger(minute=30), args=["--due"], misfire_grace_time=600, coalesce=True
    )
    scheduler.add_job(service.back_ups.make_if_due, CronTrigger(minute=10), coalesce=True)
    if service.engine is not None:
        scheduler.add_job(service.look_at_house, CronTrigger(minute=5), args=[service.engine], coalesce=True)
    scheduler.start()
    try:
        yield
    finally:
        scheduler.shutdown(wait=False)


@contextmanager
def _threads(service: Service, pages: socket.socket, engine: Engine) -> Iterator[None]:
    keeper = threading.Thread(target=_keep_pages, args=(service, pages), name="pages")
    teller = threading.Thread(target=_keep_telling, args=(service, engine), name="telling")
    keeper.start()
    teller.start()
    try:
        yield
    finally:
        service.stopping.set()
        keeper.join()
        teller.join()


def _keep_telling(service: Service, engine: Engine) -> None:
    told_s = float("-inf")
    while not service.stopping.is_set():
        try:
            service.way_in.drop_revoked()
            if time.monotonic() - told_s >= LOOK_FOR_NEW_S:
                told_s = time.monotonic()
                service.tell_new(engine)
        except OperationalError as error:  # the collector's to report; this loop must live on
            log.warning("the database did not answer (%s); new nodes are looked for later", error.orig)
        except Exception:
            log.exception("could not look for new nodes")
        service.stopping.wait(LOOK_FOR_REVOKED_S)


def _keep_pages(service: Service, pages: socket.socket) -> None:
    """Keep the pages' process running, and tell it once a second how things stand."""
    deaths = 0
    while not service.stopping.is_set():
        started = time.monotonic()
        _run_pages(service, pages)
        if service.stopping.is_set():
            return
        deaths = 0 if time.monotonic() - started > 60 else deaths + 1
        wait_s = RESTART_S[min(deaths, len(RESTART_S) - 1)]
        log.warning("the pages' process ended; it is started again in %s s", wait_s)
        service.stopping.wait(wait_s)


def _run_pages(service: Service, pages: socket.socket) -> None:
    ours, theirs = socket.socketpair()
    with ours:
        with theirs:
            marks = ["--invented"] if service.invented else []
            child = children.start(
                ["hangtrue", "web", "--listen", str(pages.fileno()), "--pair", str(theirs.fileno()), *marks],
                environment=service.environment(),
                pass_fds=[pages.fileno(), theirs.fileno()],
            )
        while child.poll() is None and not service.stopping.wait(TELL_S):
            _tell(ours, service.counters())
    children.end(child)


def _tell(pair: socket.socket, line: Mapping[str, object]) -> None:
    try:
        pair.sendall(json.dumps(line).encode() + b"\n")
    except OSError:  # the child is gone; the loop above sees it
        log.debug("the pages' process does not listen")


def _ms(moment: datetime) -> int:
    return round(moment.astimezone(UTC).timestamp() * 1000)
