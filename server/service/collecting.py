"""One more collector beside a service: readings in, no looks and no pages."""

from collections.abc import Callable
from contextlib import ExitStack

from server import schema
from server.clock import Clock
from server.config import Settings
from server.database import check_reachable, open_engine
from server.errors import SettingsError
from server.service.intakes import Intake
from server.service.lock import only_service
from server.service.stops import only_asks, stop_asked


def collect(settings: Settings, *, clock: Clock, say: Callable[[str], None]) -> None:
    """Take readings beside a service, without looks or pages, until SIGTERM or SIGINT.

    Raises SettingsError, and StaleSchemaError for a database that the service must upgrade first.
    """
    if settings.intake_kind != "broker" or settings.broker.collector < 2:
        needed = 'intake.kind "broker" and intake.broker.collector from 2 on; 1 is the service itself'
        came = f"{settings.intake_kind} and {settings.broker.collector}"
        raise SettingsError("take readings beside a service", needed, came)
    stop = stop_asked()
    with ExitStack() as opened:
        opened.enter_context(only_service(settings.state_dir))
        engine = open_engine(settings.database)
        opened.callback(engine.dispose)
        check_reachable(engine)
        schema.check(engine)
        way_in = Intake(settings, clock=clock)
        opened.enter_context(way_in.opened(engine, None))
        only_asks(stop)
        say(f"collector {settings.broker.collector}: {way_in.address.host}:{way_in.address.port}")
        stop.wait()
