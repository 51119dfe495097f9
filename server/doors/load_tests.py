"""Load tests of doors: whether one may be made, the stiffness factor it tells, and those that were made."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, time

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.bench_tables import LoadTestRow
from server.doors.built import BuiltDoor
from server.doors.carpentry import leaf_of, shape_of, stations_of
from server.doors.carried import Stiffness
from server.doors.load_file import DIAGONALS, LoadFile
from server.doors.margins import BIND_MM, Margin
from server.doors.marks import LOAD_TEST, add_mark
from server.doors.refusals import LoadRefusedError
from server.errors import OutOfRangeError
from server.joinery.leaf import DERIVED, USABLE_SD_MM, growth_prior, moved
from server.joinery.loadtest import SOFTEST, STIFFEST, Fit, fit_f_k, rack_of_diagonals_mm, strap_load

FloatArray = NDArray[np.float64]
STEADY_PCT = 0.3
FALLEN_SD = 2.0
RATED = {
    "fire": "a fire door",
    "escape": "a door on an escape way",
    "alarmed": "an alarmed door",
    "not_known": "a door of which it is not known",
}
CAUTIONS = (
    "This is a monitor, not a safety device, and a door that holds this weight is not shown to be sound.",
    "A sagging or heavy door can fall: feet clear, and someone holds the leaf all the while.",
    "At most 10 kg, on a strap at the latch edge; stop at any creak, and take the weight off first.",
    "Fire, escape and alarmed doors: nothing is hung on them without the certifying body and the keeper.",
    "Local codes and licensed practice come first.",
)
STEPS = (
    "The door shut against nothing: latch drawn, seals off the leaf, closer unhooked; steady weather.",
    "Hang the weight at the latch edge, bottom corner; elsewhere on that edge enter the height.",
    "Five cycles or more: 60 seconds unloaded, 60 seconds loaded; the first is thrown away.",
)
BENCH_STEPS = (
    "The hinge stile upright, clamped at the outer hinges' places, the leaf free elsewhere, its panels out.",
    "Two crossing diagonals between the stiles; the same weight and cycles as on a hung door.",
    "Dry-fitted joints are often softer than the model covers, and are said to be so.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadTest:
    """A load test that was made: rack with its sd, and the factor with its range.

    `low`, `high`: one standard deviation of ln f_k either way; `beyond` what the model covers, or None.
    """

    id: int
    day: str
    place: str
    state: str
    mass_kg: float
    strap_mm: float
    cycles: int
    rack_mm: float
    sd_mm: float
    f_k: float
    low: float
    high: float
    sd_ln: float
    beyond: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """A factor's fall from one test to another, in standard deviations of its logarithm; below 0 it rose.

    `at_bound`: one of the two lies at the end of what the model covers, so how far it fell is not known.
    """

    first: LoadTest
    last: LoadTest
    fall_sd: float
    at_bound: bool

    @property
    def fell(self) -> bool:
        """Whether that is more than the tests' own doubt."""
        return self.fall_sd > FALLEN_SD


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """What a load test's readings tell: cycles kept, mean rack of loaded less unloaded, the factor."""

    cycles: int
    rack_mm: float
    sd_mm: float
    fit: Fit


def check_allowed(
    built: BuiltDoor, *, standing: Sequence[str], margin: Margin | None, consent: bool = False
) -> None:
    """Refuse to load a hung door that may not be loaded.

    `standing`: titles of the alerts that stand on it. Raises LoadRefusedError: for a rated door without its
    keeper's written consent, for an alert, for less than half a millimetre of room.
    """
    asked = f"load test of {built.site}/{built.name}"
    if built.rated in RATED and not consent:
        rated = (
            f"{RATED[built.rated]} whether it is rated" if built.rated == "not_known" else RATED[built.rated]
        )
        raise LoadRefusedError(asked, "its keeper's written consent, as [consent] in the file", rated)
    if standing:
        raise LoadRefusedError(asked, "a door on which no alert stands", standing[0][:80])
    if margin is not None and margin.least_mm < BIND_MM:
        room = f"{margin.least_mm:.2f} mm {margin.where}"
        raise LoadRefusedError(asked, f"{BIND_MM:g} mm of room all round the leaf", room)


def fitted(built: BuiltDoor, file: LoadFile) -> Fitted:
    """The stiffness factor that the file's cycles tell; the first cycle is thrown away.

    Raises LoadRefusedError for weather that was not steady, OutOfRangeError for gauges that do not tell the
    rack, and what `fit_f_k` and `leaf_of` raise.
    """
    leaf = leaf_of(built)
    if file.place == "hung":
        _check_steady(built, file)
        rack_mm = _rack_hung(built, file)
    else:
        rack_mm = _rack_on_bench(built, file)
    kept = rack_mm[1:]
    mean_mm = float(kept.mean())
    # Cycles that agree to the last digit are not without doubt: they are as good as a gauge repeats.
    sd_mm = (float(kept.std(ddof=1)) or file.repeat_mm) / float(np.sqrt(kept.size))
    load = strap_load(leaf, mass_kg=file.mass_kg, y_m=file.strap_mm / 1000)
    fit = fit_f_k(leaf, load, rack_mm=mean_mm, sd_mm=sd_mm)
    return Fitted(cycles=int(kept.size), rack_mm=mean_mm, sd_mm=sd_mm, fit=fit)


def keep(session: Session, door_id: int, file: LoadFile, found: Fitted, *, now: datetime) -> LoadTest:
    """Keep a load test and mark its day on the door."""
    fit = found.fit
    row = LoadTestRow(
        door_id=door_id,
        day=file.day.isoformat(),
        place=file.place,
        state=file.state,
        mass_kg=file.mass_kg,
        strap_mm=file.strap_mm,
        cycles=found.cycles,
        rack_mm=found.rack_mm,
        sd_mm=found.sd_mm,
        f_k=fit.f_k,
        low=fit.low,
        high=fit.high,
        sd_ln=fit.sd_ln,
        beyond=fit.beyond,
        body=_body(file),
        added=now,
    )
    session.add(row)
    noon = datetime.combine(file.day, time(12), tzinfo=UTC)
    text = f"Load test, {file.mass_kg:g} kg: it racked {found.rack_mm:.3f} mm."
    add_mark(session, door_id, t_ms=int(noon.timestamp() * 1000), kind="load-test", text=text, by=LOAD_TEST)
    session.flush()
    return _test(row)


def load_tests_of(session: Session, door_id: int) -> tuple[LoadTest, ...]:
    """A door's load tests, oldest first."""
    rows = session.scalars(
        select(LoadTestRow).where(LoadTestRow.door_id == door_id).order_by(LoadTestRow.day, LoadTestRow.id)
    )
    return tuple(_test(row) for row in rows)


def stiffness_told(tests: Sequence[LoadTest]) -> Stiffness | None:
    """The factor of the last test of glued joints, hung before bench; None where there is none."""
    told = hung_and_glued(tests) or [test for test in tests if test.state == "glued"]
    if not told:
        return None
    last = told[-1]
    return Stiffness(
        f_k=last.f_k,
        low=min(max(last.low, SOFTEST), STIFFEST),
        high=min(max(last.high, SOFTEST), STIFFEST),
        source=f"load test of {last.day}",
        tested=last.day,
    )


def hung_and_glued(tests: Sequence[LoadTest]) -> list[LoadTest]:
    """Those of the door as it hangs."""
    return [test for test in tests if (test.place, test.state) == ("hung", "glued")]


def fall_of(session: Session, door_id: int) -> Fall | None:
    """How far a door's factor fell between its first hung test and its last; None with fewer than two."""
    return fall_between(load_tests_of(session, door_id))


def fall_between(tests: Sequence[LoadTest]) -> Fall | None:
    """The same of tests at hand; those on the bench or dry-fitted are left out."""
    hung = hung_and_glued(tests)
    if len(hung) < 2:
        return None
    first, last = hung[0], hung[-1]
    doubt = float(np.hypot(first.sd_ln, last.sd_ln))
    return Fall(
        first=first,
        last=last,
        fall_sd=float(np.log(first.f_k) - np.log(last.f_k)) / doubt,
        at_bound=first.beyond is not None or last.beyond is not None,
    )


def fallen(tests: Sequence[LoadTest]) -> tuple[LoadTest, LoadTest] | None:
    """The first and the last hung test of glued joints, where the factor fell by more than 2 sd between."""
    fall = fall_between(tests)
    return (fall.first, fall.last) if fall is not None and fall.fell else None


def beyond_words(test: LoadTest | Fit) -> str:
    """What is said of a factor at the model's bound; empty for one inside it."""
    if test.beyond is None:
        return ""
    return f"{test.beyond} than the model covers: the bound is kept, nothing is extrapolated"


def _check_steady(built: BuiltDoor, file: LoadFile) -> None:
    change = file.moisture_change_pct
    if change is None or change >= STEADY_PCT:
        asked = f"load test of {built.site}/{built.name}"
        came = "no moisture_change_pct" if change is None else f"{change:g} %"
        needed = f"steady weather: the wood's moisture changed by less than {STEADY_PCT:g} % in 24 hours"
        raise LoadRefusedError(asked, needed, came)


def _rack_hung(built: BuiltDoor, file: LoadFile) -> FloatArray:
    stations = stations_of(built)
    unknown = sorted(set(file.loaded_mm) - set(stations))
    if unknown:
        known = ", ".join(stations) or "none"
        raise OutOfRangeError("gauge of a load test", f"one of the door's ({known})", f"{unknown[0]!r:.40}")
    # A change is the difference of two readings.
    each_mm = float(np.sqrt(2)) * file.repeat_mm
    found = moved(
        shape_of(built),
        [replace(stations[name], sd_mm=each_mm) for name in file.loaded_mm],
        np.column_stack([_change_mm(file, name) for name in file.loaded_mm]),
        opening=built.opening.kind,
        growth=growth_prior(np.zeros(len(next(iter(file.loaded_mm.values()))))),
    )
    rack = DERIVED.index("rack")
    if not (found.observed[:, rack] & (found.derived_sd_mm[:, rack] <= USABLE_SD_MM)).all():
        needed = "gauges that tell the rack in this opening, such as both crossing diagonals"
        raise OutOfRangeError("rack of a load test", needed, ", ".join(file.loaded_mm)[:80])
    return np.asarray(found.derived_mm[:, rack])


def _rack_on_bench(built: BuiltDoor, file: LoadFile) -> FloatArray:
    x_mm, y_mm = file.diagonals_mm or _own_diagonals(built)
    leaf = leaf_of(built)
    fall, rise = (_change_mm(file, name) for name in DIAGONALS)
    corners = {
        "x_m": (x_mm[0] / 1000, x_mm[1] / 1000),
        "y_m": (y_mm[0] / 1000, y_mm[1] / 1000),
    }
    each = [
        rack_of_diagonals_mm(leaf, **corners, fall_mm=float(down), rise_mm=float(up))
        for down, up in zip(fall, rise, strict=True)
    ]
    return np.array(each)


def _own_diagonals(built: BuiltDoor) -> tuple[tuple[float, float], tuple[float, float]]:
    for station in stations_of(built).values():
        if station.kind == "diag":
            x1, y1, x2, y2 = station.at_mm
            return (min(x1, x2), max(x1, x2)), (min(y1, y2), max(y1, y2))
    raise OutOfRangeError("load test on the bench", "[diagonals] in the file: between which corners", "none")


def _change_mm(file: LoadFile, name: str) -> FloatArray:
    change: FloatArray = np.subtract(file.loaded_mm[name], file.unloaded_mm[name])
    return change


def _body(file: LoadFile) -> str:
    told: Mapping[str, object] = asdict(file) | {"day": file.day.isoformat()}
    return json.dumps(told, ensure_ascii=False)


def _test(row: LoadTestRow) -> LoadTest:
    return LoadTest(**{name: getattr(row, name) for name in LoadTest.__slots__})
