"""What an alert says: its word, its title, what is seen, and what to do. Pure."""

from collections.abc import Iterable, Mapping

from server.alerts.doing import TO_DO
from server.alerts.said import UNKNOWN, Evidence, text
from server.alerts.saying_door import DOOR, season_before
from server.alerts.saying_house import HOUSE

WORDS: Mapping[str, str] = {
    "joint_watch": "Joint to watch",
    "joint_opening": "Joint opening",
    "joint_open": "Joint open",
    "leaf_set": "Taking a set",
    "leaf_over": "Out of square",
    "frame_forecast": "Tight next season",
    "frame_near": "Near the frame",
    "frame_close": "Close to the frame",
    "frame_rubs": "Rubs",
    "step_unlogged": "A step nobody logged",
    "slam": "Slammed",
    "gauge_off": "Gauge and feeler disagree",
    "gauge_still": "Gauge does not move",
    "gauge_wet": "Humidity gauge wet",
    "gauge_converter": "Converter drifted",
    "gauge_doubt": "Gauge in doubt",
    "gauge_out": "No reading",
    "check_due": "Check due",
    "node_silent": "Not heard",
    "site_silent": "Nothing is heard",
    "battery_low": "Battery low",
    "clock_undated": "Clock not known",
    "clock_suspect": "Clock in doubt",
    "node_twin": "Two boxes, one name",
    "packs_held": "Readings held back",
    "packs_expiring": "Held readings run out",
    "password_old": "Password not taken up",
    "node_flooding": "Box sends too much",
    "certificate_ending": "Certificate ends",
    "certificate_short": "Certificate ends",
    "disk_low": "Disk low",
    "disk_full": "Disk full",
    "backup_late": "Back-up late",
    "backup_bad": "Back-up bad",
    "intake_failing": "Not stored",
    "look_failed": "Could not look",
    "channel_failing": "Messages do not pass",
    "test_watch": "A little softer",
    "test_softer": "Softer under load",
    "line_soon": "Hung line soon",
    "line_fixed": "Hung line drawn",
    "line_late": "No hung line yet",
    "first_word": "First word",
}
CAUTION = "Not a safety device: look at the door itself."
CERTIFICATE = "Its gaps are set by its certificate: ask the certifying body and the keeper first."
RATED_STEPS = ("frame_", "leaf_", "joint_")
# Where something may have gone wrong with the door itself, or where a gauge may hide it.
AT_THE_DOOR = (*RATED_STEPS, "step_", "slam", "test_", "gauge_")
NO_PLACE = frozenset({"line_soon", "line_fixed", "line_late", "first_word"})
NO_FIGURES = "{}. Tonight there is no figure of it."
HIDDEN = {"joint": "that joint is", "leaf": "the leaf is", "frame": "that edge is", "step": "there is"}


def word(step: str) -> str:
    """The word of a step."""
    return WORDS.get(step, step.replace("_", " ").capitalize())


def title(step: str, *, about: str, shown: str | None) -> str:
    """Door and what, with the place of a joint, an edge or a gauge."""
    name = about.partition("@")[0]
    inside = "" if step in NO_PLACE else name.partition("/")[2]
    where = f", {place(inside)}" if inside else ""
    said = word(step)
    return f"{shown or name.partition('/')[0]}: {said[0].lower()}{said[1:]}{where}"


def place(inside: str) -> str:
    """A place on a door: joint `lock-hinge` is lock rail, hinge side; an edge or a gauge is its own name."""
    rail, _, end = inside.rpartition("-")
    if rail and end in ("hinge", "latch") and rail not in ("head", "sill"):
        return f"{rail.replace('-', ' ')} rail, {end} side"
    return inside.replace("-", " ")


def say(step: str, evidence: Evidence, *, zone: str = "UTC") -> str:
    """What is seen, in a sentence or two, from the evidence of the look that said it."""
    said = f"{word(step)}."
    if step in DOOR:
        said = DOOR[step](evidence)
    elif step in HOUSE:
        said = HOUSE[step](evidence, zone)
    # raised for a past night, when tonight has no figures: better none than holes in a sentence
    return NO_FIGURES.format(word(step)) if UNKNOWN in said else said


sentence = say


def carrying(details: Iterable[str]) -> str:
    """What a gauge in doubt keeps from being said, and what that would be; "" for nothing."""
    told = [detail.partition(" ") for detail in details]
    if not told:
        return ""
    places, hides = [], []
    for step, _, cause in told:
        topic, _, about = cause.partition(":")
        inside = about.partition("@")[0].partition("/")[2]
        places.append(place(inside) if inside else "the leaf")
        said = word(step)
        rest = said.removeprefix("Joint ") if topic == "joint" else f"{said[0].lower()}{said[1:]}"
        hides.append(f"{HIDDEN.get(topic, 'it is')} {rest}")
    unsaid = "; ".join(dict.fromkeys(places))
    return f"Not said meanwhile: {unsaid}. If the gauge is right, {'; '.join(dict.fromkeys(hides))}."


def to_do(step: str, *, rated: str, evidence: Evidence | None = None) -> str:
    """What to do, with the caution; a fire-rated or escape door's keeper comes first."""
    given = evidence or {}
    season = season_before(given.get("earliest"))
    stands = text(given, "stands")
    said = TO_DO.get(step, "").format(
        season=f" before {season}" if season else "",
        stands="" if stands is None else f" It stands {stands}.",
    )
    ask = [CERTIFICATE] if rated != "none" and step.startswith(RATED_STEPS) else []
    caution = [CAUTION] if step.startswith(AT_THE_DOOR) else []
    return " ".join([said, *ask, *caution]).strip()
