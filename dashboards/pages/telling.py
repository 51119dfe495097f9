"""What the pages of a door say: lead, second sentence, rows, bars and notes, from its facts."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.pages import ahead, dates, words
from dashboards.pages.facts import DoorFacts, JointFacts, Movement, Spent
from server.doors import replaced
from server.doors.built import joint_words

NBSP = words.NBSP
NOT_DRAWN = "No hung line is drawn yet."
UNTOLD = "How far its corner has dropped is not told by its gauges."
NOTHING_DRAWN = (
    "There is nothing to draw yet: it is drawn once there is a line to count from and a day of readings."
)
UNTOLD_DRAWN = "There is nothing to draw: its gauges do not tell it."
SINCE_HUNG = "A leaf hung out of line shows 0: how true it was when it was hung is not known."
PAST_IN_THE_DRY = (
    "It turns past its limit in the dry and turns back. What stays is within it.",
    "It opens past its limit in the dry and closes again. What stays is within it.",
)
WAYS = ("raised", "dropped")  # of the corner; a joint closes or opens
JOINT_WAYS = ("closed", "open")
LEAST_SEEN = 0.005  # a figure under this prints as none
MAY_BE_PAST = "It may be past its limit already, and it grows. Try a feeler there when you are by."
MOST_REPLACED = 2  # gauges that replaced others, of which a page speaks; the log has them all
COUNTS = ["no", "one", "two", "three", "four", "five", "six"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BarWords:
    """A limit bar's words: name, figure and colour of each row, and the date's sentence."""

    title: str
    rows: tuple[tuple[str, str, str], ...]
    date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JointRow:
    """A joint's row as printed; `state` is a state's key, else `word` stands."""

    place: str
    gap: str
    stays: str
    turn: str
    swing: str
    growth: str
    has_growth: bool
    state: str | None
    word: str


def lead(facts: DoorFacts) -> str:
    """The answer in one or two sentences."""
    main = facts.main
    if facts.state == "not_heard":
        return _silent(facts)
    if main is None or (main.number("now") is None and main.word("line") != "none"):
        return _nothing_made(facts)
    if main.word("line") == "none":
        return NOT_DRAWN
    shown = main.split
    if shown:
        return words.lead(shown, swing_mm=main.number("swing_year"), subject=_subject(facts))
    now = round(main.number("now") or 0.0, 2)
    is_early = facts.state == "settling" and main.why == "year"
    hung = f"Hung {dates.lasted((facts.now - facts.door.hung).days)}. " if is_early else ""
    return f"{hung}{words.where(now, subject=_subject(facts), line=line_words(main, own=True))}."


def answer(facts: DoorFacts) -> str:
    """The lead, after the joint that stands open where one does: the lead itself is of the leaf."""
    worst = facts.worst
    if facts.state not in ("open", "opening") or worst is None:
        return lead(facts)
    stays, limit = words.measure(worst.stays, worst.unit), words.measure(worst.limit, worst.unit)
    over = "over its limit of" if worst.left <= 0 else "its limit is"
    return f"{worst.what}: {stays} stays, {over} {limit}. {lead(facts)}"


def _nothing_made(facts: DoorFacts) -> str:
    if facts.main is not None and facts.main.is_untold:
        return UNTOLD
    return (
        "Nothing has been made of its readings yet." if facts.heard else "Nothing has been heard of it yet."
    )


def second(facts: DoorFacts) -> str:
    """The second sentence: growth, or what is not known yet and why; then the door as built."""
    main = facts.main
    said = [] if main is None else [_growth(facts, main)]
    if facts.state == "not_heard":
        said = ["What it has done since is not known, and nothing here guesses at it."]
    elif main is not None and main.bounds is not None:
        said.append(f"What stays may be anything from {_between(main)}.")
    return " ".join([*said, as_built(facts)])


def _from_to(one: Movement) -> str:
    low, high = one.bounds or (0.0, 0.0)
    return f"{words.number(low)} to {words.number(high)}"


def _between(one: Movement) -> str:
    low, high = one.bounds or (0.0, 0.0)
    is_joint = one.key.startswith(("turn:", "opening:"))
    return words.between(low, high, one.unit, ways=JOINT_WAYS if is_joint else WAYS)


def as_built(facts: DoorFacts) -> str:
    """The door as built, in one sentence."""
    built = facts.door.built
    rails = len(built.rails)
    many = COUNTS[rails] if rails < len(COUNTS) else str(rails)
    rail_words = f"{many} rail{'' if rails == 1 else 's'}"
    hung = dates.local_date(facts.door.hung, facts.zone)
    return f"{words.sentence(joint_words(built))}, {rail_words}; {built.species}; hung {hung}."


def notes(facts: DoorFacts) -> list[str]:
    """What must be known to read the figures: from when it is counted, what one gauge cannot tell."""
    main = facts.main
    said: list[str] = []
    if main is None:
        return said
    first = main.number("first_day")
    if main.facts.get("since_heard") is True and first is not None:
        since = dates.long_date(dates.day_date(int(first)))
        said.append(f"Counted from {since}, when it was first heard, not from its hanging.")
    if facts.by_hand is not None and facts.state != "not_heard":
        last = dates.long_date(dates.day_date(facts.by_hand))
        said.append(f"Its last readings were entered by hand or from a file, up to {last}.")
    if main.word("line") == "first":
        said.append(
            "The line is a first one, in pencil; the hung line comes from its second fortnight in use."
        )
    if main.word("line") == "none":
        said.append("It is drawn from a fortnight of readings; nothing can be counted from it before.")
    if facts.at_gauge:
        said.append(
            "One gauge alone speaks here: what it reads may be the leaf, the frame or its own foot, "
            "and it can’t tell them apart. Nothing is known of the joints."
        )
    said += [replaced.said(one) for one in replaced.replaced_of(facts.door.versions)[-MOST_REPLACED:]]
    if main.word("told") == "trend_only":
        said.append("With these gauges its change can be told, not where it stands.")
    return said


def line_words(main: Movement, *, own: bool = False) -> str:
    """The line's name: hung line, or the first line in pencil."""
    name = "first line" if main.word("line") == "first" else "hung line"
    return f"its {name}" if own else name


def nothing_drawn(facts: DoorFacts) -> str:
    """Why there is no trend."""
    return UNTOLD_DRAWN if facts.main is not None and facts.main.is_untold else NOTHING_DRAWN


def pencilled(facts: DoorFacts) -> str | None:
    """The pencilled line under the drawing of the leaf."""
    main = facts.main
    now = None if main is None else main.number("now")
    if main is None or now is None or main.word("line") == "none":
        return None
    shown = main.split
    total = words.where(round(now, 2), subject=_subject(facts), line=line_words(main, own=True))
    return f"{total}{': ' + words.parts(shown) if shown else ''}. Rings are gauges."


def row(facts: DoorFacts) -> tuple[str, str]:
    """What a row of the list of doors says, and its quiet line."""
    main = facts.main
    if facts.state == "not_heard":
        return _silent_row(facts)
    if facts.state in ("open", "opening") and facts.worst:
        worst = facts.worst
        stays = words.measure(worst.stays, worst.unit)
        return f"{worst.what}: {stays} stays", f"Its limit is {words.measure(worst.limit, worst.unit)}"
    if main is None or main.word("line") == "none":
        return lead(facts).rstrip("."), "" if main is None else "It comes from a fortnight of readings"
    if main.is_untold:
        return UNTOLD.rstrip("."), "Its page says what would tell it"
    return _told_row(facts, main, main.split) if main.split else _unparted_row(facts, main)


def bar_words(spent: Spent, *, today: int) -> BarWords:
    """The words of a limit bar; `today` is a day since 1970."""
    unit = spent.unit
    rows = [("stays", words.measure(spent.stays, unit), "stays")]
    if spent.movement.bounds is not None:
        rows.append(("stays, 19 times in 20", _between(spent.movement), "stays"))
    years = spent.movement.number("years_heard")
    if spent.season is not None:
        seen = "worst of a season" if years is not None and years >= 3 else "worst of a season so far"
        is_seen = spent.season >= LEAST_SEEN
        most = words.measure(spent.season, unit) if is_seen else f"under {words.measure(0.01, unit)}"
        rows.append((f"{seen}, from the droop", most, "season"))
    elif spent.swing is not None:
        rows.append(("swing of the season, not counted", words.measure(spent.swing, unit), "season"))
    left = f"{words.number(max(0.0, spent.left))} of {words.measure(spent.limit, unit)}"
    title = (
        spent.what if spent.season is not None else f"Worst joint: {spent.what[:1].lower()}{spent.what[1:]}"
    )
    return BarWords(title=title, rows=(*rows, ("left", left, "")), date=_date(spent, today))


def joint_row(one: JointFacts) -> JointRow:
    """A joint's row as printed."""
    nearest = one.spent.movement if one.spent else None
    growth = "—"
    if nearest is not None:
        rate, low, high = nearest.rate or 0.0, nearest.low or 0.0, nearest.high or 0.0
        growth = words.growth_short(rate, low, high, unit=nearest.unit)
    elif any(move is not None and move.why in ("season", "wide") for move in (one.turn, one.opening)):
        growth = "Not known yet"
    return JointRow(
        place=words.place(one.joint),
        gap=_figure(one.opening, "mean_now"),
        stays=_figure(one.opening, "stays"),
        turn=_figure(one.turn, "stays"),
        swing=_figure(one.opening, "swing_year"),
        growth=growth,
        has_growth=nearest is not None and nearest.is_growing,
        state=one.state,
        word=one.word,
    )


def joints_caption(joints: Sequence[JointFacts], facts: DoorFacts) -> str:
    """What the table of joints counts, and which joints carry no gauges."""
    have = {one.joint for one in joints}
    rails = sorted(facts.door.built.rails, key=lambda rail: -rail.axis_mm)
    every = [f"{rail.name}-{end}" for rail in rails for end in ("hinge", "latch")]
    without = [words.place(joint).lower() for joint in every if joint not in have]
    said = (
        f"A joint is judged by what stays; in brackets where that truly lies, 19 times in 20. "
        f"A turn of 0.10{NBSP}mrad is 0.02{NBSP}mm across a 200{NBSP}mm rail. A figure with {words.MINUS} "
        "is closed more than when its line was drawn."
    )
    return f"{said} Without gauges, so nothing is known of them: {'; '.join(without)}." if without else said


def _silent(facts: DoorFacts) -> str:
    if facts.heard is None:
        return "Nothing has been heard of it yet."
    since = dates.local_date(facts.heard, facts.zone)
    lead_words = f"Nothing heard for {dates.lasted((facts.now - facts.heard).days)}."
    if facts.by_hand is not None:
        since = dates.long_date(dates.day_date(facts.by_hand))
        lead_words = f"{lead_words[:-1]} from its box; readings entered by hand go to {since}."
    shown = facts.main.split if facts.main else None
    if shown:
        was = words.where(shown.total, subject="it", past=True)
        return f"{lead_words} On {since} {was}: {words.parts(shown)}."
    return f"{lead_words} {words.STATES[facts.last_state]} when last heard, {since}."


def _subject(facts: DoorFacts) -> str:
    return "At the gauge, the leaf" if facts.at_gauge else "The latch-side corner"


def _growth(facts: DoorFacts, main: Movement) -> str:
    if main.why == "year":
        return (
            "How much of that stays can’t be said until it has been through a damp and a dry season. "
            f"{_first_word(facts, main)}"
        )
    if main.why:
        half = main.number("half_width")
        wide = None if half is None else words.measure(half, main.unit)
        return words.not_known(main.why, help_key=main.word("help"), reason=main.reason, half_width=wide)
    said = words.growth(main.rate or 0.0, main.low or 0.0, main.high or 0.0, unit=main.unit)
    return words.so_far(said) if main.status == "provisional" else said


def _first_word(facts: DoorFacts, main: Movement) -> str:
    day = main.number("first_word_day")
    if day is None:
        return words.first_word(None)
    month = dates.month(dates.day_date(int(day)))
    return words.first_word_after(int(day), dates.day_number(facts.now), month)


def _unparted_row(facts: DoorFacts, main: Movement) -> tuple[str, str]:
    if main.why == "year":
        hung = f"Hung {dates.lasted((facts.now - facts.door.hung).days)}, too short to part season from set"
        word = _first_word(facts, main).rstrip(".")
        return hung, word.replace("First word about", "First word about what stays:")
    now = main.number("now")
    said = "Not known yet" if now is None else words.where(round(now, 2))
    return said, "How much of that stays is not known yet"


def _told_row(facts: DoorFacts, main: Movement, shown: words.Split) -> tuple[str, str]:
    quiet = words.growth_short(main.rate or 0.0, main.low or 0.0, main.high or 0.0)
    if facts.state == "true":
        return f"Keeps to its hung line within {_within(main)}{NBSP}mm", _no_growth(quiet)
    bounds = "" if main.bounds is None else f"What stays is from {_between(main)}. "
    return words.short(shown), f"{bounds}{_no_growth(quiet)}"


def _silent_row(facts: DoorFacts) -> tuple[str, str]:
    if facts.heard is None:
        return "Nothing heard yet", "Its gauges have never spoken"
    since = dates.local_date(facts.heard, facts.zone)
    return f"Nothing heard since {since}", f"{words.STATES[facts.last_state]} when last heard"


def _no_growth(quiet: str) -> str:
    return "No growth we can tell" if quiet.startswith("None") else quiet


def _within(main: Movement) -> str:
    now, swing = abs(main.number("now") or 0.0), abs(main.number("swing_year") or 0.0)
    return f"{max(0.1, math.ceil(max(now, swing) * 10) / 10):.1f}"


def _date(spent: Spent, today: int) -> str:
    if spent.left <= 0:
        return "Passed: what is counted here has used up its limit."
    dated = ahead.bar_date(spent, today=today)
    if dated:
        return dated
    said = [
        (spent.is_alarmed, "No date yet: an alert stands on it, and how long it has is not known."),
        (spent.movement.is_growing and spent.movement.may_be_past, MAY_BE_PAST),
        (_passes_in_the_dry(spent), PAST_IN_THE_DRY[spent.unit == "mm"]),
        (not spent.movement.is_growing, "No date: no growth we can tell apart from none."),
    ]
    return next((sentence for holds, sentence in said if holds), "No date: nothing has begun to run away.")


def _passes_in_the_dry(spent: Spent) -> bool:
    return spent.season is None and spent.stays + (spent.swing or 0.0) > spent.limit


def _figure(one: Movement | None, key: str) -> str:
    if one is None or (key != "mean_now" and not one.is_told):
        return "—"
    value = one.number(key)
    if value is None:
        return "—"
    has_bounds = key == "stays" and one.bounds is not None
    return f"{words.number(value)}{f' ({_from_to(one)})' if has_bounds else ''}"
