"""Geometry of a drawing: paths in a stretched box, words and hairlines in per cent of it."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
WIDE = 1000.0  # units across a stretched box


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One path with the class that paints it."""

    kind: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A hairline, its ends in per cent."""

    kind: str
    x1: str
    x2: str
    y1: str
    y2: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Words at a place in per cent, pushed by whole pixels."""

    text: str
    x: str
    y: str
    kind: str = ""
    dx: int = 0
    dy: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A dot at a place in per cent."""

    x: str
    y: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """A figure drawn once: `strokes` in a box of 1000 by `height`, the rest beside it in per cent."""

    height: float
    strokes: tuple[Stroke, ...]
    under: tuple[Rule, ...] = ()
    over: tuple[Rule, ...] = ()
    labels: tuple[Label, ...] = ()
    dots: tuple[Dot, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """A range of values laid over a length of the drawing."""

    low: float
    high: float
    length: float

    def at(self, values: FloatArray) -> FloatArray:
        """Values in units of the drawing."""
        return (values - self.low) * (self.length / (self.high - self.low))

    def one(self, value: float) -> float:
        """One value in units of the drawing."""
        return (value - self.low) * self.length / (self.high - self.low)

    def pct(self, value: float) -> str:
        """One value in per cent of the drawing."""
        return f"{(value - self.low) / (self.high - self.low) * 100:.2f}%"


def short(value: float) -> str:
    """A coordinate to one decimal, no more than it needs."""
    text = f"{value:.1f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def line(x: Iterable[float], y: Iterable[float]) -> str:
    """Path text; what is not finite lifts the pen."""
    out: list[str] = []
    is_down = False
    for across, down in zip(x, y, strict=True):
        if math.isfinite(across) and math.isfinite(down):
            out.append(f"{'L' if is_down else 'M'}{short(across)} {short(down)}")
            is_down = True
        else:
            is_down = False
    return "".join(out)


def area(x: FloatArray, top: FloatArray, bottom: FloatArray) -> str:
    """Path text of the area between two lines, one closed piece for each run without a gap."""
    fine = np.isfinite(top) & np.isfinite(bottom)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], fine.astype(np.int64), [0]])))
    pieces = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        run = slice(int(start), int(stop))
        back = line(x[run][::-1], bottom[run][::-1])
        pieces.append(f"{line(x[run], top[run])}L{back[1:]}Z")
    return "".join(pieces)


def nice_step(span: float, wanted: int) -> float:
    """A step of 1, 2 or 5 times a power of ten that cuts `span` into about `wanted` pieces."""
    raw = span / wanted
    power = 10.0 ** math.floor(math.log10(raw))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= raw * 0.8)


def ticks(low: float, high: float, step: float) -> list[float]:
    """Multiples of `step` from `low` to `high`, both included."""
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]


def tick_label(value: float, step: float) -> str:
    """A tick's number with as many decimals as its step needs."""
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    text = f"{abs(value):.{places}f}"
    return f"\u2212{text}" if value < 0 and float(text) != 0 else text
