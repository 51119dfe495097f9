"""What the page of a door says of it as built: weight, what its joints carry, its kit, its load tests."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from dashboards.pages import dates, words
from dashboards.pages.facts import DoorFacts
from server.doors.built import turn_limit_mrad
from server.doors.carried import Load, load_of
from server.doors.kits import Help, KitTold, Metered, gauges_words, kit_of, within_words
from server.doors.load_tests import LoadTest, fallen, stiffness_told
from server.errors import HangtrueError

NBSP = words.NBSP
MOVEMENTS = {
    "sag": "How far it has turned on its hinges",
    "rack": "How far it is out of square",
    "droop": "How far its corner has dropped",
}
NOT_TOLD = {"trend_only": "is told over whole seasons alone", "not_told": "is not told"}
PLACES = {"hung": "Hung", "bench": "On the bench"}
NO_TEST = "No load test is kept yet, so how stiff its joints are is taken from usual practice."


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedRow:
    """A joint's row: what it carries, between what, and from which growth of its turn on it is open."""

    place: str
    moment: str
    between: str
    open_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRow:
    """A load test's row."""

    iso: str
    day: str
    place: str
    joints: str
    rack: str
    factor: str
    between: str
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltView:
    """The door as built, in words and rows."""

    weight: str
    carried: tuple[CarriedRow, ...]
    carried_caption: str
    kit: tuple[str, ...]
    tests: tuple[LoadRow, ...]
    tests_note: str


def load_told(facts: DoorFacts) -> Load:
    """What the door weighs and carries, with the stiffness that its last load test told."""
    return load_of(facts.door.built, stiffness_told(facts.tests))


def built_view(facts: DoorFacts) -> BuiltView:
    """What the page says of the door as built."""
    load = load_told(facts)
    return BuiltView(
        weight=weight_words(load),
        carried=carried_rows(facts, load),
        carried_caption=carried_caption(load),
        kit=kit_words(facts),
        tests=tuple(_load_row(test) for test in reversed(facts.tests)),
        tests_note=tests_note(facts.tests),
    )


def weight_words(load: Load) -> str:
    """How heavy it is and what its hinges hold."""
    if load.weight is None:
        return f"What it weighs is not known: {load.why_not}."
    pull = words.measure(load.weight.hinge_pull_n, "N", 0)
    return (
        f"It weighs {words.measure(load.weight.mass_kg, 'kg', 1)}. The top hinge is pulled by {pull}, the "
        "bottom one pushed by as much; how they share the weight itself is not known."
    )


def carried_rows(facts: DoorFacts, load: Load) -> tuple[CarriedRow, ...]:
    """Every joint by place, top to bottom, hinge side first."""
    rails = sorted(facts.door.built.rails, key=lambda rail: -rail.axis_mm)
    places = [f"{rail.name}-{end}" for rail in rails for end in ("hinge", "latch")]
    rows = []
    for joint in [place for place in places if place in load.joints]:
        one = load.joints[joint]
        rows.append(
            CarriedRow(
                place=words.place(joint),
                moment=words.measure(one.moment_n_m, "N·m", 0),
                between=f"{words.number(one.low_n_m, 0)} to {words.number(one.high_n_m, 0)}",
                open_at=words.measure(turn_limit_mrad(facts.door.built, joint), "mrad"),
            )
        )
    return tuple(rows)


def carried_caption(load: Load) -> str:
    """How what is carried was reckoned, or why it was not."""
    if load.why_not:
        return f"What each joint carries is not known: {load.why_not}."
    stiffness, source = load.stiffness, load.stiffness.source
    factor = "a factor of its own each" if stiffness.f_k is None else f"factor {_factor(stiffness.f_k)}"
    if stiffness.tested is not None:
        source = f"the load test of {dates.long_date(date.fromisoformat(stiffness.tested))}"
    return (
        "Under its own weight, reckoned from the door as built; stiffness of the joints from "
        f"{source}: {factor}, between {_factor(stiffness.low)} and {_factor(stiffness.high)}. "
        "It compares joints; it is no strength."
    )


def kit_words(facts: DoorFacts) -> tuple[str, ...]:
    """What its gauges can't tell, and which gauge would change that."""
    try:
        told = kit_of(facts.door.built)
    except HangtrueError as refusal:
        return (f"What its gauges can tell is not known: it takes {refusal.needed}.",)
    said = [_lacking(told, name) for name in told.kit.told if told.kit.told[name] != "usable"]
    if not said:
        far = f"{told.moisture_change_pct:g}{NBSP}%"
        said = [
            "Its gauges tell the turn on the hinges, the rack and the droop apart, "
            f"up to {far} from the damp it was hung at."
        ]
    said += meter_words(told.metered)
    if told.bare_joints:
        bare = "; ".join(words.place(joint).lower() for joint in told.bare_joints)
        said.append(f"A pair of gauges across a shoulder would tell of the joints that have none: {bare}.")
    return tuple(said)


def meter_words(metered: Metered) -> list[str]:
    """What the meter's reading of the leaf when it was hung changes, or would change."""
    if not metered.changed:
        return []
    pct = words.number(metered.pct or 0.0, 1)
    read = f"Its moisture was read with a meter when it was hung, {pct}{NBSP}%"
    other, how = metered.unread, "without that reading"
    if not metered.is_read:
        read, other = "Its moisture was not read with a meter when it was hung", metered.read
        how = f"with a reading good to {metered.sd_pct:g}{NBSP}%"
    each = "; ".join(
        f"{MOVEMENTS[name][:1].lower()}{MOVEMENTS[name][1:]} {within_words(metered.now[name])}, "
        f"{how} {within_words(other[name])}"
        for name in metered.changed
    )
    return [f"{read}. A day’s number can be judged: {each}.".replace(" %", f"{NBSP}%")]


def tests_note(tests: Sequence[LoadTest]) -> str:
    """What the load tests say together."""
    if not tests:
        return NO_TEST
    fell = fallen(tests)
    if fell is None:
        return "A factor that falls from year to year says that the joints soften; none has fallen so."
    first, last = fell
    return (
        f"The factor fell from {_factor(first.f_k)} to {_factor(last.f_k)}, by more than the tests’ own "
        "doubt: the joints have softened. Have them looked at."
    )


def _lacking(told: KitTold, name: str) -> str:
    said = f"{MOVEMENTS[name]} {NOT_TOLD[told.kit.told[name]]} by these gauges"
    help_ = told.helps.get(name)
    return f"{said}." if help_ is None else f"{said}: {_help(help_)}."


def _help(help_: Help) -> str:
    gauges = gauges_words(help_.gauges).replace("'", "’")
    added = gauges if gauges.startswith(("a ", "both ")) else f"a gauge {gauges}"
    return f"{added} would tell it" if help_.usable else f"{added} would come nearest, and not tell it yet"


def _load_row(test: LoadTest) -> LoadRow:
    day = dates.long_date(date.fromisoformat(test.day))
    beyond = "" if test.beyond is None else f"{words.sentence(test.beyond)} than the model covers"
    return LoadRow(
        iso=test.day,
        day=day,
        place=PLACES[test.place],
        joints="Glued" if test.state == "glued" else "Dry-fitted",
        rack=words.measure(test.rack_mm, "mm", 3),
        factor=_factor(test.f_k),
        between=f"{_factor(test.low)} to {_factor(test.high)}",
        said=beyond,
    )


def _factor(value: float) -> str:
    return words.number(value, 3).rstrip("0").rstrip(".")
