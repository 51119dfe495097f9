"""What is found of boxes and of the house from what was read of them. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from server.inspection.values import Finding

DAY_MS, MINUTE_MS = 86_400_000, 60_000
# Two AA lithium cells; the one kind of battery that is sold with these boxes. A convention of this project.
LOW_V = 2.6
BATTERY_DAYS = 2  # of the last three days, so that one lost day does not hide a low battery
NO_BATTERY = "it sends no battery voltage"
FEW_DAYS = "its battery was read on fewer than two of the last three days"
NO_CERTIFICATE = "no certificate is set: boxes connect from this computer alone"
NO_FOLDER = "no folder for back-ups is set"
NO_COPY = "there is no copy in the folder for back-ups yet"
NOT_READ = "it cannot be read"
NOT_VERIFIED = "the newest copy is read back once a night"
NOT_KNOWN_HERE = "only the running service knows"
USUAL = "less than a year is the usual state of a server's certificate"
YEAR_DAYS, SHORT_DAYS = 365.0, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box as it was read. `battery_v`: daily means of the last three days, None without such a gauge.

    `undated`: instants of the last day that have no date. `twin`: two journals spoke in turn.
    """

    name: str
    battery_v: Sequence[float] | None = None
    undated: int | None = None
    is_suspect: bool = False
    is_twin: bool = False
    is_password_old: bool = False
    is_paused: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Packs in quarantine under a box's name: how many, since when, and their usual fault."""

    packs: int
    oldest_ms: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BackUp:
    """The newest copy whose manifest can be read; `is_good` None: its bytes were not read back now."""

    made_ms: int | None
    is_good: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """The house as it was read at a moment; None is not known. `ends_ms`: of each certificate, by its use."""

    site: str
    at_ms: int
    boxes: Sequence[Box] = ()
    held: Mapping[str, Held] = field(default_factory=dict)
    ends_ms: Mapping[str, int | None] = field(default_factory=dict)
    free_mib: float | None = None
    is_refused: bool = False
    back_up: BackUp | None = None
    failing_since_ms: int | None = None
    is_failing: bool | None = None


def box_findings(house: House) -> tuple[Finding, ...]:
    """Battery, clock, twin, held packs and access of every box."""
    found = [one for box in house.boxes for one in (_battery(box), _clock(box), _twin(box), _access(box))]
    names = dict.fromkeys([*(box.name for box in house.boxes), *house.held])
    return (*found, *(_held(name, house) for name in names))


def present_findings(house: House) -> tuple[Finding, ...]:
    """Certificates, disk, back-up and intake, which are known of this moment alone."""
    return (*_certificates(house), _disk(house), _back_up(house), _intake(house))


def _battery(box: Box) -> Finding:
    volts = box.battery_v
    if volts is None:
        return Finding(topic="battery", about=box.name, evidence={}, unjudged=NO_BATTERY)
    if len(volts) < BATTERY_DAYS:
        return Finding(topic="battery", about=box.name, evidence={"low_v": LOW_V}, unjudged=FEW_DAYS)
    evidence = {"battery_v": _median(volts), "low_v": LOW_V}
    return Finding(topic="battery", about=box.name, evidence=evidence)


def _median(values: Sequence[float]) -> float:
    ordered, half = sorted(values), len(values) // 2
    return ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _clock(box: Box) -> Finding:
    evidence = {"undated": box.undated, "suspect": box.is_suspect}
    return Finding(topic="clock", about=box.name, evidence=evidence)


def _twin(box: Box) -> Finding:
    return Finding(topic="twin", about=box.name, evidence={"two_journals": box.is_twin})


def _access(box: Box) -> Finding:
    evidence: dict[str, object] = {"password_overdue": box.is_password_old, "paused": box.is_paused}
    if box.is_paused is None:
        evidence["not_judged"] = {"node_flooding": NOT_KNOWN_HERE}
    return Finding(topic="access", about=box.name, evidence=evidence)


def _held(name: str, house: House) -> Finding:
    held = house.held.get(name)
    evidence: dict[str, object] = {"packs": 0}
    if held is not None:
        days = (house.at_ms - held.oldest_ms) / DAY_MS
        evidence = {"packs": held.packs, "oldest_days": days, "why": held.why}
    return Finding(topic="held", about=name, evidence=evidence)


def _certificates(house: House) -> list[Finding]:
    if not house.ends_ms:
        return [Finding(topic="certificate", about=house.site, evidence={}, unjudged=NO_CERTIFICATE)]
    return [
        _certificate(f"{house.site}/{use}", ends_ms, house.at_ms) for use, ends_ms in house.ends_ms.items()
    ]


def _certificate(about: str, ends_ms: int | None, at_ms: int) -> Finding:
    if ends_ms is None:
        return Finding(topic="certificate", about=about, evidence={}, unjudged=NOT_READ)
    days = (ends_ms - at_ms) / DAY_MS
    if not (about.endswith("/server") and SHORT_DAYS < days <= YEAR_DAYS):
        return Finding(topic="certificate", about=about, evidence={"days_left": days})
    # one made for 397 days would be said to end for eleven months of twelve
    return Finding(topic="certificate", about=about, evidence={"ends_in_days": days}, unjudged=USUAL)


def _disk(house: House) -> Finding:
    evidence: dict[str, object] = {"free_mib": house.free_mib}
    evidence |= {"refused": True} if house.is_refused else {}
    unjudged = NOT_READ if house.free_mib is None and not house.is_refused else None
    return Finding(topic="disk", about=house.site, evidence=evidence, unjudged=unjudged)


def _back_up(house: House) -> Finding:
    copy, about = house.back_up, house.site
    if copy is None:
        return Finding(topic="backup", about=about, evidence={}, unjudged=NO_FOLDER)
    age_days = None if copy.made_ms is None else (house.at_ms - copy.made_ms) / DAY_MS
    evidence: dict[str, object] = {"age_days": age_days, "verified": copy.is_good}
    if copy.is_good is None and copy.made_ms is not None:
        evidence["not_judged"] = {"backup_bad": NOT_VERIFIED}
    unjudged = NO_COPY if age_days is None and copy.is_good is None else None
    return Finding(topic="backup", about=about, evidence=evidence, unjudged=unjudged)


def _intake(house: House) -> Finding:
    if house.is_failing is None:
        return Finding(topic="intake", about=house.site, evidence={}, unjudged=NOT_KNOWN_HERE)
    since = house.failing_since_ms if house.is_failing else None
    minutes = 0.0 if since is None else max(house.at_ms - since, 0) / MINUTE_MS
    return Finding(topic="intake", about=house.site, evidence={"failing_min": minutes})
