"""Faults that may be asked for: what each kind is about, read from a scenario file or a command's text."""

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sensors.sources.simulated.doors import JOINTS
from sensors.sources.simulated.errors import SimulationError, shown
from sensors.sources.simulated.gauges import SimChannel


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault, from a day after the start on; `channel` is a channel, a joint, or "" for the whole node.

    `days` and `size` are as the kind needs them (`KINDS`); a slam has three sizes: mm at the top hinge, mrad
    of rack, mrad of joint turn.
    """

    kind: str
    from_day: float
    channel: str = ""
    days: float = 0.0
    size: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Kind:
    about: Literal["channel", "measured", "joint", "any joint", "node"]
    lasts: bool
    sizes: int = 0


KINDS: dict[str, _Kind] = {
    "dropout": _Kind("channel", lasts=True),
    "drift": _Kind("measured", lasts=True, sizes=1),
    "stuck": _Kind("channel", lasts=True),
    "spike": _Kind("measured", lasts=True, sizes=1),
    "step": _Kind("measured", lasts=False, sizes=1),
    "thousand": _Kind("channel", lasts=True),
    "wet": _Kind("node", lasts=True),
    "clock-lost": _Kind("node", lasts=True),
    "clock-drift": _Kind("node", lasts=True, sizes=1),
    "reboot": _Kind("node", lasts=False),
    "offline": _Kind("node", lasts=True),
    "opening": _Kind("joint", lasts=False, sizes=1),
    "slam": _Kind("any joint", lasts=False, sizes=3),
    "rehang": _Kind("node", lasts=False, sizes=1),
    "battery": _Kind("node", lasts=True),
}
_UNMEASURED = ("shut", "ref", "battery", "openings", "slam")
_NODE_WORDS = ("", "node", "-")


def parse_fault(text: str) -> Fault:
    """A fault from `kind:channel:from:days:size`; later parts may be left out, sizes are parted by commas.

    Raises SimulationError for a text that is not of that form.
    """
    parts = text.split(":")
    if not 3 <= len(parts) <= 5:
        raise SimulationError("fault", "kind:channel:from:days:size", shown(text))
    kind, channel, start, days, size = (*parts, "", "")[:5]
    try:
        sizes = tuple(float(part) for part in size.split(",")) if size else ()
        return Fault(
            kind=kind,
            channel="" if channel in _NODE_WORDS else channel,
            from_day=float(start),
            days=float(days) if days else 0.0,
            size=sizes,
        )
    except ValueError as error:
        raise SimulationError("fault", "days and sizes that are numbers", shown(text)) from error


def read_faults(path: Path | str) -> tuple[Fault, ...]:
    """The faults of a scenario file: TOML, one `[[fault]]` a fault with the members of `Fault`.

    Raises SimulationError for a file that does not open, is not TOML, or holds another member.
    """
    try:
        with Path(path).open("rb") as file:
            content = tomllib.load(file)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SimulationError("scenario file", "a TOML file that opens", shown(str(error))) from error
    tables = content.get("fault", [])
    if set(content) - {"fault"} or not isinstance(tables, list):
        raise SimulationError("scenario file", "tables [[fault]] alone", shown(sorted(content)))
    return tuple(_from_table(table, number) for number, table in enumerate(tables, start=1))


def check_faults(faults: Sequence[Fault], channels: Sequence[SimChannel]) -> None:
    """Raises SimulationError for the first fault that this door cannot have, saying which and why."""
    names = tuple(channel.name for channel in channels)
    for fault in faults:
        if fault.kind not in KINDS:
            raise SimulationError("fault: kind", " ".join(KINDS), shown(fault.kind))
        kind = KINDS[fault.kind]
        allowed = _allowed(kind, names)
        if fault.channel not in allowed:
            raise SimulationError(f"fault {fault.kind}: channel", _listed(allowed), shown(fault.channel))
        if not 0.0 <= fault.from_day < 1e5:
            raise SimulationError(f"fault {fault.kind}: from_day", "0 or later", f"{fault.from_day:g}")
        if not (0.0 < fault.days < 1e5 if kind.lasts else fault.days == 0.0):
            needed = "more than 0" if kind.lasts else "none: it stays from then on"
            raise SimulationError(f"fault {fault.kind}: days", needed, f"{fault.days:g}")
        if len(fault.size) != kind.sizes or not all(map(math.isfinite, fault.size)):
            raise SimulationError(f"fault {fault.kind}: size", f"{kind.sizes} numbers", shown(fault.size))


def _allowed(kind: _Kind, names: tuple[str, ...]) -> tuple[str, ...]:
    return {
        "channel": names,
        "measured": tuple(name for name in names if name not in _UNMEASURED),
        "joint": JOINTS,
        "any joint": (*JOINTS, ""),
        "node": ("",),
    }[kind.about]


def _listed(allowed: tuple[str, ...]) -> str:
    return "none: it is the whole node's" if allowed == ("",) else "one of " + " ".join(filter(None, allowed))


def _from_table(table: object, number: int) -> Fault:
    asked = f"scenario file: fault {number}"
    if not isinstance(table, dict):
        raise SimulationError(asked, "a table", shown(table))
    known = {"kind", "channel", "node", "from_day", "days", "size"}
    if set(table) - known or not {"kind", "from_day"} <= set(table):
        raise SimulationError(asked, "kind, from_day and channel, days, size", shown(sorted(table)))
    size = table.get("size", [])
    sizes = size if isinstance(size, list) else [size]
    numbers = [table["from_day"], table.get("days", 0.0), *sizes]
    if not all(isinstance(value, int | float) and not isinstance(value, bool) for value in numbers):
        raise SimulationError(asked, "days and sizes that are numbers", shown(numbers))
    return Fault(
        kind=str(table["kind"]),
        channel=str(table.get("channel", "")),
        from_day=float(numbers[0]),
        days=float(numbers[1]),
        size=tuple(float(value) for value in numbers[2:]),
    )
