"""The published cases of the wire and a world for them, whose store is a dictionary."""

import base64
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sensors.message.check import Channel, ChannelId, Pack, check

MESSAGES = Path(__file__).parents[2] / "messages"
SETUP: dict[str, Any] = json.loads((MESSAGES / "packs-world.json").read_text("utf-8"))
ARRIVAL_MS: int = SETUP["arrival_ms"]

Case = dict[str, Any]


@dataclass(slots=True, kw_only=True)
class DictWorld:
    """Enrolment of the published set-up over two dictionaries."""

    values: dict[tuple[ChannelId, int], float] = field(default_factory=dict)
    stamps: dict[tuple[str, str, str, int], tuple[int, str]] = field(default_factory=dict)

    def channels(self, site: str, node: str) -> Mapping[str, Channel] | None:
        known = SETUP["nodes"].get(f"{site}/{node}")
        if known is None:
            return None
        return {name: Channel(id=channel, unit=unit) for name, (channel, unit) in known.items()}

    def stored_value(self, channel_id: ChannelId, ms: int) -> float | None:
        return self.values.get((channel_id, ms))

    def instant(self, site: str, node: str, journal: str, seq: int) -> tuple[int, str] | None:
        return self.stamps.get((site, node, journal, seq))

    def store(self, topic: str, payload: bytes, arrival_ms: int) -> list[dict[str, Any]]:
        """Checks and stores a pack; gives the rows that are new."""
        pack = check(topic, payload, arrival_ms, self)
        new: list[dict[str, Any]] = []
        for index, (channel, ms, value) in enumerate(pack.readings):
            if (channel, ms) not in self.values:
                self.values[channel, ms] = value
                clock = clock_of(pack, index)
                new.append(
                    {"channel": channel, "ms": ms, "v": value, "seq": seq_of(pack, index), "clk": clock}
                )
        for seq, ms in pack.instants:
            self.stamps.setdefault((pack.site, pack.node, str(pack.journal), seq), (ms, pack.clock))
        return new


def seq_of(pack: Pack, index: int) -> int | None:
    """The sequence number of a reading; None if untracked."""
    started = [seq for (seq, _), first in zip(pack.instants, pack.firsts, strict=True) if first <= index]
    return started[-1] if started else None


def clock_of(pack: Pack, index: int) -> str:
    """The clock of a reading as the cases name it."""
    if pack.journal is not None:
        return pack.clock
    return "arrival" if index in pack.stamped else "utc"


def lines(name: str) -> list[Case]:
    """The cases of one file."""
    return [json.loads(line) for line in (MESSAGES / name).read_text("utf-8").splitlines()]


def payload_of(case: Case) -> bytes:
    """The bytes of a case."""
    if case.get("encoding") == "base64":
        return base64.b64decode(case["payload"])
    payload: bytes = case["payload"].encode()
    return payload.ljust(case["pad_to"], b" ") if case.get("encoding") == "padded" else payload


def packs(expect: str) -> Iterator[Case]:
    """The pack cases with this outcome."""
    return (case for case in lines("packs.jsonl") if case["expect"] == expect)


def world_before(case: Case) -> DictWorld:
    """The world of a case, with the packs stored that came before it."""
    world = DictWorld()
    before_ms = case.get("before_arrival_ms", arrival_of(case))
    for payload in case.get("before", []):
        world.store(case["topic"], payload.encode(), before_ms)
    return world


def arrival_of(case: Case) -> int:
    """The arrival of a case, ms."""
    return int(case.get("arrival_ms", ARRIVAL_MS))
