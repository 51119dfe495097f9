"""A simulated door with its node, put up by the commands that a maker would type."""

import json
import subprocess
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sensors.spool import Spool
from server.clock import utc_now
from tests.journeys.yard import SCRIPTS, SITE, Yard, call, start

YEAR_DAYS = 365.25
PASSWORD = "password  "  # noqa: S105  (the word before it, not one)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hung:
    """A door, hung `years` ago at noon: where its node keeps its things, and what it is simulated with."""

    folder: Path
    door: str
    years: float
    seed: int
    hung: datetime

    @property
    def config(self) -> Path:
        """The node's file."""
        return self.folder / "node.toml"

    @property
    def simulated(self) -> list[str]:
        """The arguments of `hangtrue-node simulate` that say which door it is."""
        begun = self.hung.strftime("%Y-%m-%dT%H:%M:%SZ")
        return ["--door", self.door, "--years", str(self.years), "--seed", str(self.seed), "--start", begun]

    @property
    def is_begun(self) -> bool:
        """Whether there is a spool."""
        return (self.folder / "state" / "spool.db").exists()

    def spool(self) -> Spool:
        """What the node keeps; enter it. Only while the node does not run."""
        return Spool(self.folder / "state" / "spool.db")

    def start(self, *options: str) -> subprocess.Popen[str]:
        """Start the node."""
        arguments = ["--config", str(self.config), "simulate", *self.simulated, *options]
        return start(SCRIPTS / "hangtrue-node", *arguments, log=self.folder / "node.log")

    def counts(self) -> dict[str, int]:
        """What `hangtrue-node spool` says."""
        told = call("hangtrue-node", "--config", self.config, "spool", "--json")
        assert told.returncode == 0, told.stderr
        counts: dict[str, int] = json.loads(told.stdout)
        return counts


def hang(yard: Yard, *, door: str, years: float, seed: int) -> Hung:
    """Enrol a door's node, add the door with its calibrations, and write the node's secret."""
    folder = yard.folder / door
    (folder / "state").mkdir(parents=True, mode=0o700)
    noon = (utc_now() - timedelta(days=years * YEAR_DAYS + 1)).astimezone(UTC)  # all of it lies behind us
    hung = noon.replace(hour=12, minute=0, second=0, microsecond=0)
    made = Hung(folder=folder, door=door, years=years, seed=seed, hung=hung)
    ref = f"{SITE}/{door}"
    _well(call("hangtrue-node", "simulate", *made.simulated, "--node", ref, "--describe", folder))
    told = _well(
        call(
            "hangtrue",
            "door",
            "example",
            door,
            "--hung",
            f"{hung:%Y-%m-%d}",
            "--calibration",
            "calibration.json",
        )
    )
    (folder / "door.toml").write_text(told, "utf-8")
    enrolled = _well(yard.command("node", "enrol", ref)).splitlines()
    secret = next(line.removeprefix(PASSWORD) for line in enrolled if line.startswith(PASSWORD))
    (folder / "state" / "secret").write_text(secret, "utf-8")
    _well(yard.command("door", "add", folder / "door.toml"))
    return made


def write_node_file(made: Hung, port: int, *, protocol: str = "5", user: str | None = None) -> None:
    """Write the node's file, for a service on `port`."""
    lines = [
        f'site = "{SITE}"',
        f'node = "{made.door}"',
        f'state_dir = "{made.folder / "state"}"',
        "[broker]",
        f"port = {port}",
        f'user = "{user or f"{SITE}.{made.door}.1"}"',
        f'protocol = "{protocol}"',
        "[spool]",
        "keep_days = 3650",
        "min_free_mib = 1",
        "[simulated]",
        f'door = "{made.door}"',
        f"seed = {made.seed}",
        f"start_ms = {round(made.hung.timestamp() * 1000)}",
        (made.folder / "channels.toml").read_text("utf-8"),
    ]
    made.config.write_text("\n".join(lines), "utf-8")


def _well(told: subprocess.CompletedProcess[str]) -> str:
    assert told.returncode == 0, (told.args, told.stderr)
    return told.stdout
