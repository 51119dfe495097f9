"""Live figures as JSON: traces by role, painted in the browser. Values carry four decimals."""

import html
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboards.figures.geometry import FloatArray, nice_step
from dashboards.figures.stills import Depth, PairLine, Words, round_words
from dashboards.figures.weeks import Round, Weeks

EPOCH = date(1970, 1, 1)


def trend(weeks: Weeks, depth: Depth, words: Words) -> dict[str, Any]:
    """The movement since hanging, with the ranges of its spans."""
    x = dates(weeks.day)
    first, last = _date(float(weeks.day[0])), _date(float(weeks.day[-1]))
    year = max(first, last - timedelta(days=365))
    seen = {"role": "seen", "name": "measured", "x": x, "y": numbers(weeks.seen)}
    traces: list[dict[str, Any]] = [seen]
    if weeks.is_parted:
        between = [_two(a, b) for a, b in zip(weeks.low, weeks.high, strict=True)]
        stays = {"role": "stays", "name": "stays", "x": x, "y": numbers(weeks.stays), "customdata": between}
        back = [_one(value) for value in weeks.back]
        fitted = {
            "role": "season",
            "name": "comes back",
            "x": x,
            "y": numbers(weeks.fitted),
            "customdata": back,
        }
        traces = [stays, fitted, seen]
    else:
        seen["role"] = "alone"
    beyond = timedelta(days=max(7, int((last - first).days * 0.02)))
    return {
        "kind": "time",
        "unit": words.unit,
        "traces": traces,
        "limit": words.limit_mm if depth.shows_limit else None,
        "limitWord": words.limit,
        "lineWord": words.line,
        "y": [round(depth.bottom, 4), round(depth.top, 4)],
        "dtick": depth.step,
        "ticks": [{"x": _date(day).isoformat(), "text": text} for day, text in words.ticks],
        "spans": {
            "hung": [first.isoformat(), (last + beyond).isoformat()],
            "year": [year.isoformat(), (last + timedelta(days=7)).isoformat()],
        },
    } | _onward(weeks, depth, words)


def _onward(weeks: Weeks, depth: Depth, words: Words) -> dict[str, Any]:
    """From what stays today straight to the limit on the earliest and on the latest day; {} without a date.

    Its traces are shown under their own span alone, to a depth that holds the limit.
    """
    told = np.flatnonzero(np.isfinite(weeks.stays))
    if words.onward is None or words.limit_mm is None or not told.size:
        return {}
    day, value = float(weeks.day[told[-1]]), float(weeks.stays[told[-1]])
    earliest, latest = words.onward.earliest, words.onward.latest
    first, last = _date(float(weeks.day[0])), max(earliest, latest or 0.0, day + 1)
    over = max(30, int((last - float(weeks.day[0])) * 0.04))
    bottom = max(depth.bottom, words.limit_mm * 1.1)
    ends = [earliest] if latest is None else [latest, earliest]
    return {
        "onward": [
            {
                "role": "ahead" if len(ends) == 1 or k == 0 else "aheadband",
                "name": "if it goes on so",
                "x": [_date(day).isoformat(), _date(end).isoformat()],
                "y": [round(value, 4), round(words.limit_mm, 4)],
            }
            for k, end in enumerate(ends)
        ],
        "onwardFrom": _date(day).isoformat(),
        "onwardY": [round(bottom, 4), round(depth.top, 4)],
        "onwardStep": nice_step(bottom - depth.top, 5),
        "onwardSpan": [first.isoformat(), (_date(last) + timedelta(days=over)).isoformat()],
    }


def season_round(told: Sequence[Round], name_day: Callable[[int], str]) -> dict[str, Any]:
    """What comes back against moisture content, one trace a year; `name_day` writes a day number."""
    moist = np.concatenate([one.moisture for one in told])
    reach = max(float(np.abs(np.concatenate([one.back for one in told])).max()) * 1.25, 0.02)
    traces = [
        {
            "role": f"year{k + 5 - len(told)}",
            "name": f"year from {name_day(int(one.day[0]))}",
            "x": numbers(one.moisture),
            "y": numbers(one.back),
            "text": [name_day(int(day)) for day in one.day],
        }
        for k, one in enumerate(told)
    ]
    across = [float(moist.min()) - 0.4, float(moist.max()) + 0.8]
    return {
        "kind": "loop",
        "traces": traces,
        "x": [round(v, 4) for v in across],
        "y": [round(reach, 4), round(-reach, 4)],
        "dtick": nice_step(2 * reach, 5),
        "words": [
            {"text": text, "x": round(moisture, 4), "y": round(back, 4)}
            for text, moisture, back in round_words(told[-1], reach)
        ],
        "xdtick": nice_step(across[1] - across[0], 4),
    }


def pair(lines: Sequence[PairLine], *, least: float = 0.2, unit: str = "mm") -> dict[str, Any]:
    """What stays of two doors by years since hung, in `unit`; `least` deep at least."""
    traces: list[dict[str, Any]] = []
    for one in lines:
        dash = "7px,4px" if one.is_dashed else "solid"
        x = numbers(one.years)
        traces.append({"role": "bandlo", "dash": dash, "x": x, "y": numbers(one.low)})
        traces.append({"role": "band", "dash": dash, "x": x, "y": numbers(one.high)})
    for one in lines:
        dash = "7px,4px" if one.is_dashed else "solid"
        name = html.escape(one.name)  # the plotting library reads some markup in words
        traces.append(
            {"role": "pair", "dash": dash, "name": name, "x": numbers(one.years), "y": numbers(one.stays)}
        )
    low = min(float(np.nanmin(one.low)) for one in lines)
    high = max(float(np.nanmax(one.high)) for one in lines)
    bottom, top = max(high * 1.08, least), min(low * 1.08, -least / 10)
    end = max(float(one.years[-1]) for one in lines) * 1.14
    return {
        "kind": "pair",
        "unit": unit,
        "traces": traces,
        "x": [0, round(end, 4)],
        "y": [round(bottom, 4), round(top, 4)],
        "dtick": nice_step(bottom - top, 5),
    }


def numbers(values: FloatArray) -> list[float | None]:
    """Values to four decimals; what is not finite is null, so that the pen lifts."""
    return [round(float(v), 4) + 0.0 if np.isfinite(v) else None for v in values]


def dates(days: FloatArray | NDArray[np.int64]) -> list[str]:
    """Day numbers as ISO dates."""
    return [_date(float(day)).isoformat() for day in days]


def _date(day: float) -> date:
    return EPOCH + timedelta(days=int(day))


def _one(value: float) -> list[float] | None:
    return [round(float(value), 2) + 0.0] if np.isfinite(value) else None


def _two(low: float, high: float) -> list[float] | None:
    fine = np.isfinite(low) and np.isfinite(high)
    return [round(float(low), 2) + 0.0, round(float(high), 2) + 0.0] if fine else None
