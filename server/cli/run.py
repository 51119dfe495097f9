"""Commands that run long: the demo, the service, and the pages' own process."""

import logging
import sys
from pathlib import Path

import click

from server.config import Settings, example


@click.command()
@click.option(
    "--folder", type=click.Path(path_type=Path), help="Keep the demo's files here. Else they go when it ends."
)
@click.option(
    "--years", default=3.0, show_default=True, type=click.FloatRange(0.1, 6.0), help="Years behind the doors."
)
@click.option("--seed", default=1, show_default=True, help="Another seed, another pair of doors.")
@click.option("--fresh", is_flag=True, help="Throw away what --folder holds of an earlier demo.")
@click.option("--check", is_flag=True, help="Run until the years are in, check that all is whole, and end.")
@click.option("--port", default=0, help="Port of the pages; 0: any that is free.")
def demo(**options: object) -> None:
    """Open Saltmarsh Yard: two invented doors that publish their years while you watch."""
    from server.clock import utc_now
    from server.demo import DemoOptions, run_demo

    _log()
    sys.exit(run_demo(DemoOptions(**options), clock=utc_now, say=click.echo))  # type: ignore[arg-type]  # click checked them


@click.command()
@click.pass_obj
def serve(settings: Settings) -> None:
    """Run the service: take readings, look at each door nightly, serve the pages."""
    from server.clock import utc_now
    from server.service.run import serve as run

    _log()
    run(settings, clock=utc_now, say=click.echo)


@click.command()
@click.pass_obj
def collect(settings: Settings) -> None:
    """Take readings beside a service: one more collector on its broker and its PostgreSQL.

    It has a number of its own, intake.broker.collector, and a state_dir of its own.
    """
    from server.clock import utc_now
    from server.service.collecting import collect as run

    _log()
    run(settings, clock=utc_now, say=click.echo)


@click.command(hidden=True)
@click.option("--listen", "listen_fd", type=int, required=True)
@click.option("--pair", "pair_fd", type=int, required=True)
@click.option("--invented", is_flag=True)
@click.pass_obj
def web(settings: Settings, listen_fd: int, pair_fd: int, *, invented: bool) -> None:
    """Serve the pages on sockets that the service hands over. Started by the service alone."""
    import signal

    from server.clock import utc_now
    from server.service.pages import serve_pages

    # ^C comes to every process of the terminal; this one ends with the service, and answers until then
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _log()
    serve_pages(settings, listen_fd=listen_fd, pair_fd=pair_fd, invented=invented, clock=utc_now)


@click.group()
def config() -> None:
    """Settings of the service."""


@config.command("example")
def config_example() -> None:
    """Print a settings file with every setting and what it is when left out."""
    click.echo(example(), nl=False)


def _log() -> None:
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    # what it would warn of the pages say themselves, and they leave out the word in a feed's address
    logging.getLogger("tornado.access").setLevel(logging.CRITICAL)
    for quiet in ("apscheduler", "alembic"):
        logging.getLogger(quiet).setLevel(logging.WARNING)
