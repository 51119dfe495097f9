"""Days of a door that its page tells as months: the first word about what stays, the earliest of a limit."""

from datetime import UTC, datetime, time

from dashboards.pages import ahead, dates, telling, words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.movement import Movement
from server.alerts.delivery.days import door_day
from server.alerts.delivery.ical import Day

NO_ALERT = "Look at it when you are by."


def days_told(facts: DoorFacts, *, looked: datetime, base_url: str) -> list[Day]:
    """What the page of a door tells of days to come; nothing of a door that is not heard, as there."""
    if facts.state == "not_heard":
        return []
    return [*_first_word(facts, looked, base_url), *_limits(facts, looked, base_url)]


def _first_word(facts: DoorFacts, looked: datetime, base_url: str) -> list[Day]:
    """While a year has not been heard: a day that is past is no promise."""
    main = facts.main
    number = None if main is None or main.why != "year" else main.number("first_word_day")
    if number is None or number <= dates.day_number(facts.now):
        return []
    day = dates.day_date(int(number))
    said = words.first_word(dates.month(day)).rstrip(".")
    why = telling.second(facts).removesuffix(telling.as_built(facts))
    on = dates.long_date(looked.date())  # the lead is of that day, and is read on another
    lines = [f"{on}: {_lower(telling.lead(facts))} {why}"]
    made = door_day(
        facts.door, "first-word", day, said=_lower(said), lines=lines, base_url=base_url, revised=looked
    )
    return [made]


def _limits(facts: DoorFacts, looked: datetime, base_url: str) -> list[Day]:
    """The earliest day of each limit, in the words of the page; none without an alarm, nor of one passed."""
    today = dates.day_number(facts.now)
    spent = {one.movement.key: one for one in (facts.leaf, facts.worst) if one}
    moves = [facts.main, *(one for joint in facts.joints for one in (joint.turn, joint.opening))]
    made = []
    for one in moves:
        if one is None or one.ahead is None or (one.key in spent and spent[one.key].left <= 0):
            continue
        said = ahead.bar_date(spent[one.key], today=today) if one.key in spent else None
        said = said or ahead.date_words(one.ahead, today=today, is_turn=one.key.startswith("turn:"))
        made.append(_limit(facts, one, said, looked, base_url))
    return made


def _limit(facts: DoorFacts, one: Movement, said: str, looked: datetime, base_url: str) -> Day:
    """One that may be reached any day now stands on today, and so is made out anew each day."""
    today = dates.day_number(facts.now)
    earliest = today if one.ahead is None else max(one.ahead.earliest, today)
    is_near = earliest == today
    midnight = datetime.combine(dates.day_date(today), time(), UTC)
    what = words.series(one.key)
    begins = _lower(said.partition(";")[0])
    reaches = "may be at its limit any day now" if is_near else f"reaches its limit {begins}"
    lead = "" if is_near else "This is the earliest day that its page gives for its limit. "
    return door_day(
        facts.door,
        f"limit/{one.key}",
        dates.day_date(earliest),
        said=f"{_lower(what)} {reaches}",
        lines=[f"{what}. {lead}{said}", _do(facts, one), ahead.CAUTION],
        base_url=base_url,
        revised=max(looked, midnight) if is_near else looked,
    )


def _do(facts: DoorFacts, one: Movement) -> str:
    """What to do, by the alert that stands on the joint or the leaf."""
    joint = one.key.partition(":")[2]
    mine = [
        alert.do
        for alert in facts.standing
        if (alert.topic == "joint" and alert.about.rpartition("/")[2] == joint)
        or (alert.topic == "leaf" and one is facts.main)
    ]
    return mine[0] if mine else NO_ALERT


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
