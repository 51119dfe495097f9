"""Where the watch over one series stands after a night, and that packed for keeping: JSON and arrays."""

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.timber.slab import Cell
from server.trend.answer import Kept, Posterior
from server.trend.columns import Means
from server.trend.likelihood import Noise
from server.trend.watch import Held, Watched

Arrays = dict[str, NDArray[np.float64]]
PLAIN = ("place", "online", "rebased", "let_go", "is_latched", "quiet_nights")


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The watch after a night; days count from the day of hanging."""

    watched: Watched
    day: int
    alarm_day: int | None = None
    """On which the alarm that stands was raised; None where none stands."""


def packed(standing: Standing) -> bytes:
    """A standing as bytes."""
    watched = standing.watched
    told: dict[str, object] = {name: getattr(watched, name) for name in PLAIN}
    told |= {"day": standing.day, "alarm_day": standing.alarm_day}
    told |= {"kept": _plain(watched.kept), "noise": _plain(watched.noise)}
    told["held"] = [[held.place, held.sign] for held in watched.held]
    arrays: Arrays = {}
    posteriors = [watched.posterior, *(held.expected for held in watched.held)]
    told["columns"] = [posterior.columns for posterior in posteriors]
    for place, posterior in enumerate(posteriors):
        arrays |= {f"mean{place}": posterior.mean, f"covariance{place}": posterior.covariance}
    held_in = io.BytesIO()
    np.savez(held_in, told=np.frombuffer(json.dumps(told).encode(), dtype=np.uint8), **arrays)  # type: ignore[arg-type]  # a stub that takes the names for options
    return held_in.getvalue()


def _plain(value: Kept | Noise | Means | Cell) -> dict[str, object]:
    """A value by its names; `asdict` would copy each number of it."""
    told = {field.name: getattr(value, field.name) for field in fields(value)}
    return {name: _plain(one) if is_dataclass(one) else one for name, one in told.items()}  # type: ignore[arg-type]  # what a fit keeps holds such values alone


def unpacked(held_in: bytes) -> Standing:
    """The standing that was packed."""
    with np.load(io.BytesIO(held_in), allow_pickle=False) as arrays:
        told = json.loads(bytes(arrays["told"]))
        posteriors = [
            Posterior(
                mean=arrays[f"mean{place}"], covariance=arrays[f"covariance{place}"], columns=tuple(names)
            )
            for place, names in enumerate(told["columns"])
        ]
    return Standing(watched=_watched(told, posteriors), day=told["day"], alarm_day=told["alarm_day"])


def _watched(told: Mapping[str, Any], posteriors: Sequence[Posterior]) -> Watched:
    held = zip(told["held"], posteriors[1:], strict=True)
    return Watched(
        kept=kept_of(told["kept"]),
        posterior=posteriors[0],
        noise=Noise(**told["noise"]),
        place=told["place"],
        online=tuple(told["online"]),
        rebased=tuple(told["rebased"]),
        let_go=tuple(told["let_go"]),
        held=tuple(Held(place=place, sign=sign, expected=expected) for (place, sign), expected in held),
        is_latched=told["is_latched"],
        quiet_nights=told["quiet_nights"],
    )


def kept_of(told: Mapping[str, Any]) -> Kept:
    """What a fit left for the nights after it, from what `asdict` made of it."""
    return Kept(
        means=Means(**told["means"]),
        cell=Cell(**told["cell"]),
        noise=Noise(**told["noise"]),
        steps=tuple(told["steps"]),
        origin=told["origin"],
        scale=told["scale"],
        through=told["through"],
        unseen=tuple(told["unseen"]),
    )
