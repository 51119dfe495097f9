"""The command `hangtrue`: finds a command when it is called, so that asking for help costs nothing."""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import click

from server.errors import HangtrueError

STOPPED = 130
SERVER_PARTS = {
    "alembic",
    "apscheduler",
    "cryptography",
    "flask",
    "flask_wtf",
    "jinja2",
    "numpy",
    "paho",
    "plotly",
    "prometheus_client",
    "pydantic",
    "scipy",
    "sqlalchemy",
    "tornado",
    "tzlocal",
    "werkzeug",
}
EXTRAS = dict.fromkeys(SERVER_PARTS, "server") | {"psycopg": "postgres"}


@dataclass(frozen=True, slots=True)
class Command:
    """Where a command is written, and its line in the help. One without a line is not listed."""

    module: str
    attribute: str
    help: str = ""


COMMANDS = {
    "demo": Command("server.cli.run", "demo", "Open two invented doors, with years behind them."),
    "serve": Command("server.cli.run", "serve", "Run the service: readings in, doors looked at, pages out."),
    "collect": Command("server.cli.run", "collect", "One more collector beside a service, on its broker."),
    "web": Command("server.cli.run", "web"),
    "config": Command("server.cli.run", "config", "Settings of the service."),
    "db": Command("server.cli.store", "db", "The database: upgrade, check, back-up, restore, move, thin."),
    "door": Command("server.cli.doors", "door", "Doors as built and hung: add, list, show, check."),
    "kit": Command("server.cli.carpentry", "kit", "What a door's gauges can tell, and what would tell more."),
    "joint": Command("server.cli.carpentry", "joint", "Two joints side by side, before they are built."),
    "load": Command("server.cli.loads", "load", "Load tests: how stiff a door's joints are."),
    "piece": Command("server.cli.pieces", "piece", "Sample joints broken on the bench: add, list, compare."),
    "mark": Command("server.cli.marks", "mark", "What was done at a door, or seen there, on a day."),
    "feeler": Command("server.cli.feelers", "feeler", "What a feeler says beside a gauge."),
    "compare": Command(
        "server.cli.comparing", "compare", "Two doors side by side, each joint by what it carries."
    ),
    "trial": Command("server.cli.trials", "trial", "Trials declared before their data: plan, seal, show."),
    "node": Command(
        "server.cli.nodes", "node", "The small computers at the doors: enrol, list, rotate, retire."
    ),
    "broker": Command(
        "server.cli.broker", "broker", "Encryption for boxes on the network; files of an outside broker."
    ),
    "import": Command("server.cli.imports", "import_readings", "Take readings from a CSV file."),
    "held": Command("server.cli.held", "held", "Packs that were refused: list, replay."),
    "inspect": Command("server.cli.look", "inspect", "Look at the doors now."),
    "notice": Command("server.cli.notices", "notice", "Messages: who is told, by which channel; try one."),
    "alert": Command("server.cli.alerts", "alert", "Alerts: list, show, seen, leave, close, rebuild."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names that the help shows."""
        return [name for name, command in COMMANDS.items() if command.help]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name; None when there is none."""
        if cmd_name not in COMMANDS:
            return None
        place = COMMANDS[cmd_name]
        try:
            module = import_module(place.module)
        except ModuleNotFoundError as missing:
            if missing.name == place.module:
                return None
            raise
        found: click.Command = getattr(module, place.attribute)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The commands and their lines, without importing one."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name].help) for name in self.list_commands(ctx)])


def _say_version(ctx: click.Context, _option: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"hangtrue {version('hangtrue')}")
        ctx.exit()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--config", type=click.Path(path_type=Path), help="File of settings (hangtrue config example).")
@click.option("--database", metavar="URL", help="Database, over the settings: sqlite:///FILE or PostgreSQL.")
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_say_version, help="Version."
)
@click.pass_context
def hangtrue(ctx: click.Context, config: Path | None, database: str | None) -> None:
    """Watch heavy timber doors over years, and tell early whether a joint is holding.

    It is a monitor, not a safety device.
    """
    from server.config import read_settings

    ctx.obj = read_settings(config, database=database)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command: 0 done, 1 asked rightly and refused, 2 what was given cannot be used."""
    try:
        result = hangtrue.main(
            args=None if argv is None else list(argv), prog_name="hangtrue", standalone_mode=False
        )
    except HangtrueError as refusal:
        return _say(str(refusal), refusal.status)
    except click.ClickException as misuse:
        misuse.show()
        return misuse.exit_code
    except click.Abort:
        return _say("stopped", STOPPED)
    except ModuleNotFoundError as missing:
        return _say(_missing_part(missing), 2)
    return result if isinstance(result, int) else 0


def _missing_part(missing: ModuleNotFoundError) -> str:
    part = (missing.name or "").partition(".")[0]
    if part not in EXTRAS:
        raise missing
    extra = EXTRAS[part]
    return f"this command: needs the {extra}'s parts (pip install 'hangtrue[{extra}]'), got no {part}"


def _say(sentence: str, status: int) -> int:
    click.echo(f"hangtrue: {sentence}", file=sys.stderr)
    return status
