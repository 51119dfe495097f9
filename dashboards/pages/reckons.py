"""How it reckons: in plain words, and of one door what was said of it against what came."""

from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, render_template

from dashboards.pages import ahead, dates, words
from dashboards.pages.movement import Ahead
from dashboards.pages.ours import ours, sheet
from server.doors import register
from server.inspection.said import Said
from server.inspection.scoring import NOT_YET, DateSaid, Score, SeriesScore, YearSaid, scored

pages = Blueprint("reckons", __name__)
OUT_OF = 20  # the interval is meant to hold 19 times in 20
YEARS_OF = ("droop", "gauge")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRow:
    """One series: intervals that held of those that can be judged, alarms, nights said otherwise later."""

    what: str
    held: str
    alarms: str
    nights: str


@dataclass(frozen=True, slots=True, kw_only=True)
class YearRow:
    """What was said at the end of a year, and what is known of that day now."""

    when: str
    said: str
    now: str
    held: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DateRow:
    """A date that was given, and what came."""

    what: str
    when: str
    said: str
    came: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """The record of one door, as printed."""

    lead: str
    series: tuple[SeriesRow, ...]
    years_of: str
    years: tuple[YearRow, ...]
    dates: tuple[DateRow, ...]


@pages.get("/reckons")
def in_general() -> str:
    """The words alone: no door is named."""
    with ours().sessions() as session:
        frame = sheet(session, title="How it reckons", nav="", heard=[])
    return render_template("reckons.html", sheet=frame, door=None, record=None, caution=ahead.CAUTION)


@pages.get("/doors/<site>/<name>/reckons")
def of_a_door(site: str, name: str) -> str:
    """The words, and what was said of this door."""
    with ours().sessions() as session:
        door = register.find_door(session, f"{site}/{name}")
        record = record_of(scored(session, door.id))
        frame = sheet(session, title=f"How it reckons: {door.shown}", nav="doors", heard=[door])
    return render_template("reckons.html", sheet=frame, door=door, record=record, caution=ahead.CAUTION)


def record_of(score: Score) -> Record:
    """The record in words and rows; a series that was never told has no row."""
    told = [one for one in in_order(score.series) if one.asked or one.alarms or one.dates]
    main = next(
        (one for one in in_order(score.series) if one.series.partition(":")[0] in YEARS_OF and one.years),
        None,
    )
    return Record(
        lead=_lead(score),
        series=tuple(_series_row(one) for one in told),
        years_of="" if main is None else words.series(main.series),
        years=() if main is None else tuple(_year_row(one, main.unit) for one in main.years),
        dates=tuple(_date_row(one) for one in score.dates),
    )


def _lead(score: Score) -> str:
    if not score.series:
        return "Nothing has been said of it yet."
    if not score.asked:
        return NOT_YET
    many = words.count(score.asked, "interval that was", "intervals that were")
    return (
        f"{many} said of it can be judged by now; {score.held} held what is known since. "
        f"They are meant to hold {OUT_OF - 1} times in {OUT_OF}."
    )


def _series_row(one: SeriesScore) -> SeriesRow:
    return SeriesRow(
        what=words.series(one.series),
        held=f"{one.held} of {one.asked}" if one.asked else "—",
        alarms=str(one.alarms) if one.alarms else "none",
        nights=str(one.nights) if not one.said_again else f"{one.nights}, {one.said_again} said again later",
    )


def _year_row(one: YearSaid, unit: str) -> YearRow:
    held = {None: "not to be judged", True: "held", False: "did not hold"}[one.is_held]
    return YearRow(
        when=f"{words.count(one.years, 'year', 'years')}, {_day(one.said)}",
        said=_stays(one.said, unit),
        now="not told" if one.later is None else _signed(one.later, unit),
        held=held
        if one.known_now is None
        else f"{held}; said otherwise since: {_stays(one.known_now, unit)}",
    )


def _date_row(one: DateSaid) -> DateRow:
    first = one.said.earliest
    said = ""
    if first is not None:
        is_turn = one.said.series.startswith("turn:")
        span = Ahead(earliest=first, latest=one.said.latest)
        said = ahead.date_words(span, today=one.said.day, is_turn=is_turn)
    return DateRow(what=words.series(one.said.series), when=_day(one.said), said=said, came=_came(one))


def _came(one: DateSaid) -> str:
    if one.reached is None:
        return "Not reached in that time." if one.is_met is False else "Not reached yet."
    day = dates.long_date(dates.day_date(one.reached))
    how = {None: "", True: ", within it", False: ", outside it"}[one.is_met]
    return f"Reached on {day}{how}."


def _stays(said: Said, unit: str) -> str:
    if said.stays is None or said.stays_low is None or said.stays_high is None:
        return "not told"
    return f"{_signed(said.stays, unit)}, {_between(said.stays_low, said.stays_high, unit)}"


def _between(low: float, high: float, unit: str) -> str:
    return words.between(low, high, unit, ways=("up", "down"))


def _signed(value: float, unit: str) -> str:
    way = " up" if value < 0 and words.number(abs(value)) != words.number(0) else ""
    return f"{words.measure(abs(value), unit)}{way}"


def _day(said: Said) -> str:
    return dates.long_date(dates.day_date(said.day))


def in_order(rows: Sequence[SeriesScore]) -> list[SeriesScore]:
    """Series as a page has them: the corner first."""
    return sorted(rows, key=lambda one: (one.series.partition(":")[0] not in YEARS_OF, one.series))
