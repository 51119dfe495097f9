"""Two invented doors, results by a formula: north is taking a set, south moves with the season only."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from dashboards.pages.facts import DoorFacts, Heard, door_facts
from server.alerts.ledger import AlertView, DoorState
from server.doors.built import BuiltDoor
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import ChannelRef, DoorHung
from server.inspection.results import Parts, SeriesResult

NOW = datetime(2026, 11, 24, 7, 40, tzinfo=UTC)
TODAY = (NOW.date() - datetime(1970, 1, 1, tzinfo=UTC).date()).days
ZONE = "Europe/London"
YEARS = 5
JOINTS = ("lock-hinge", "lock-latch", "top-hinge")


def built(name: str, *, years: float = YEARS) -> BuiltDoor:
    """A door of the examples, hung so many years ago."""
    made = read_door(example_text(name), where=f"{name}.toml").built
    return replace(made, hung=NOW - timedelta(days=int(years * 365.25)))


def hung(name: str, *, years: float = YEARS, door_id: int = 1, heard: datetime | None = NOW) -> DoorHung:
    """A door as the register gives it."""
    made = built(name, years=years)
    prefix = f"{made.site}/{made.node}/"
    channels = {
        gauge.channel: ChannelRef(id=k, name=prefix + gauge.channel, unit=gauge.unit, kind=gauge.kind)
        for k, gauge in enumerate(made.gauges)
    }
    return DoorHung(
        id=door_id,
        site=made.site,
        zone=ZONE,
        ref=f"{made.site}/{made.name}",
        name=made.name,
        shown=made.shown,
        hung=made.hung,
        built=made,
        channels=channels,
        node_id=door_id,
        node_last_heard_ms=None if heard is None else int(heard.timestamp() * 1000) - 540_000,
        node_status=None,
        upload_s=3600,
    )


def result(
    key: str,
    *,
    rate: float = 0.06,
    half: float = 0.03,
    swing: float = 0.5,
    start: float = 0.6,
    years: float = YEARS,
    status: str = "served",
    facts: dict[str, object] | None = None,
) -> SeriesResult:
    """A served series that grows by `rate` a year from `start`, with a season of `swing` in it."""
    rng = np.random.default_rng(20261124)
    day = np.arange(TODAY - int(years * 365.25), TODAY + 1)
    age = (day - day[0]) / 365.25
    stays = start * (1 - np.exp(-age / 0.5)) + rate * age
    wave = np.cos(2 * np.pi * (day - TODAY - 70) / 365.25)
    lag = np.cos(2 * np.pi * (day - TODAY - 45) / 365.25)
    back = swing / 2 * wave
    seen = stays + back + rng.normal(0, 0.03, day.size)
    seen[day.size // 2 : day.size // 2 + 20] = np.nan
    told = status != "refused"
    spread = half * np.maximum(age, 0.2)
    said: dict[str, object] = {
        "unit": "mrad" if key.startswith("turn:") else "mm",
        "first_day": int(day[0]),
        "last_day": int(day[-1]),
        "days_seen": int(np.isfinite(seen).sum()),
        "line": "hung",
        "line_from": int(day[0]) + 14,
        "line_to": int(day[0]) + 28,
        "since_heard": False,
        "now": float(stays[-1] + back[-1]),
        "stays": float(stays[-1]) if told else None,
        "stays_low": float(stays[-1] - spread[-1]) if told else None,
        "stays_high": float(stays[-1] + spread[-1]) if told else None,
        "back": float(back[-1]) if told else None,
        "swing_year": swing,
        "worst_season": swing / 2 + 0.05,
        "years_heard": years,
        "sd_day": 0.01,
        "lag_days": 25,
        "mean_now": 0.1 + float(stays[-1] + back[-1]),
        "first_word_day": int(day[0]) + 380,
    }
    parts = Parts(
        day=day,
        seen=seen,
        stays=stays,
        stays_low=stays - spread,
        stays_high=stays + spread,
        back=back,
        moisture=12.5 + 2.2 * lag,
    )
    return SeriesResult(
        key=key,
        unit=str(said["unit"]),
        slot="2026-11-24",
        status=status,
        reason=None if told else "under a year",
        rate=rate if told else None,
        low=rate - half if told else None,
        high=rate + half if told else None,
        facts=said | (facts or {}),
        parts=parts,
    )


def north_results() -> dict[str, SeriesResult]:
    """North: what stays of the droop grows; one joint is opening."""
    made = [result("droop")]
    for k, joint in enumerate(JOINTS):
        made.append(result(f"turn:{joint}", rate=0.02 - 0.008 * k, half=0.01, swing=0.04, start=0.03))
        made.append(result(f"opening:{joint}", rate=0.012, half=0.006, swing=0.18, start=0.02))
    return {one.key: one for one in made}


def south_results() -> dict[str, SeriesResult]:
    """South: the season only."""
    made = [result("droop", rate=0.01, half=0.03, start=0.55)]
    for joint in JOINTS:
        made.append(result(f"turn:{joint}", rate=0.001, half=0.01, swing=0.05, start=0.01))
        made.append(result(f"opening:{joint}", rate=0.002, half=0.006, swing=0.12, start=0.01))
    return {one.key: one for one in made}


def alert(
    step: str = "leaf_set", *, about: str = "north", word: str = "Taking a set", **other: object
) -> AlertView:
    """A standing alert about north."""
    usual: dict[str, object] = {
        "id": 1,
        "topic": "leaf",
        "about": about,
        "door_id": 1,
        "door_shown": "North",
        "step": step,
        "word": word,
        "weight": "soon",
        "title": "North: taking a set",
        "say": "What stays of the droop grows by 0.06 mm a year, between 0.03 and 0.09.",
        "do": "See that every hinge screw is tight, then try the shoulders that carry no gauge.",
        "since": NOW - timedelta(days=40),
        "seen": None,
        "ended": None,
        "how": None,
        "words": None,
    }
    return AlertView(**{**usual, **other})  # type: ignore[arg-type]  # a table of named values, checked by use


def told(
    name: str = "north",
    *,
    results: dict[str, SeriesResult] | None = None,
    state: str = "taking_a_set",
    standing: tuple[AlertView, ...] = (),
    years: float = YEARS,
    heard: datetime | None = NOW,
    door_id: int = 1,
) -> DoorFacts:
    """Facts of a door, made by hand."""
    door = hung(name, years=years, door_id=door_id, heard=heard)
    known = results if results is not None else north_results() if name == "north" else south_results()
    if heard is not None and heard < NOW:
        last = (heard.date() - datetime(1970, 1, 1, tzinfo=UTC).date()).days
        known = {key: replace(one, facts=one.facts | {"last_day": last}) for key, one in known.items()}
    return door_facts(
        Heard(
            door=door,
            results=known,
            state=DoorState(key=state, since=None),
            standing=standing,
            now=NOW,
            zone=ZONE,
        )
    )
