"""Why a kit does not tell a movement, in words: what the gauges cannot part, and what would part it."""

from collections.abc import Collection

from server.joinery.leaf import TREND_ONLY_SD_MM, USABLE_SD_MM, Told

NO_GAUGES = "no gauge tells where the leaf is"
TILT_ALONE = (
    "a tilt alone reads a frame that leans as sag, and a rack as nothing: "
    "gauges of distance are needed with it"
)
LEANS = (
    "an edge gap moves for a frame that leans as for a rack: both crossing diagonals on the leaf part them"
)
HEAD_DROPS = (
    "the gaps at the head move for a head that drops as for a rack: a pair of gaps at the sill parts them"
)
TOO_FEW = {
    "sag": "nothing tells how far it turned: a pair of gaps at the latch edge would",
    "rack": "nothing tells how far it is out of square: both crossing diagonals on the leaf would",
    "droop": "nothing tells how high it hangs: a gap over the hinge stile, at head or sill, would",
}


def why_not_told(name: str, verdict: Told, kinds: Collection[str], *, opening: str, sd_mm: float) -> str:
    """The reason why sag, rack or droop is not told, or over seasons alone; empty where it is told.

    `kinds`: of the gauges that read. Source: joinery, section 8, rules 1 to 6.
    """
    if verdict == "usable":
        return ""
    if not kinds:
        return NO_GAUGES
    if set(kinds) == {"tilt"}:
        return TILT_ALONE
    if verdict == "trend_only":
        far = f"one day's number is good to {sd_mm:.3f} mm (sd), more than the {USABLE_SD_MM:g} mm that a day"
        return f"{far} is judged by: what is left goes with the wood's moisture, and whole seasons part it"
    return f"{_parted(name, kinds, opening)} (sd {sd_mm:.2f} mm, at most {TREND_ONLY_SD_MM:g} is followed)"


def _parted(name: str, kinds: Collection[str], opening: str) -> str:
    has_rack = list(kinds).count("diag") >= 2
    edges = {"head", "sill"} & set(kinds)
    if name == "sag" or has_rack or not edges or opening == "rigid":
        return TOO_FEW[name]
    return LEANS if opening == "leans" else HEAD_DROPS
