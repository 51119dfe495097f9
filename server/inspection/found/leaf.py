"""What is found of the leaf: what stays of its droop and rack, how fast they grow, and the trend's alarm."""

from collections.abc import Iterable

from server.inspection.found import told
from server.inspection.seen import Seen
from server.inspection.values import Finding, SeriesLook

# A rack at its limit is judged with its low bound, as droop and turn are, and not before.
# Source: three sound doors of ten years (simulated, permanent rack 0.09 to 0.11 mm) passed 0.15 mm in
# their sixth to ninth year by what stays alone, with a low bound under 0.
LOW_SHARE, NEAR_SHARE = 2 / 3, 0.8
RACK_UNTOLD = "what stays of the rack is not told from nothing by two thirds of its limit"
FIGURES = (("stays", "stays"), ("low", "stays_low"), ("high", "stays_high"), ("limit", "limit"))


def leaf(seen: Seen, *, held_back: str | None = None) -> list[Finding]:
    """The leaf, by droop and rack where the kit tells them, else by its one gauge with the maker's limit.

    `held_back`: why nothing is judged tonight. A kit that tells neither has no such finding.
    """
    main = seen.looks.get("droop") or next(
        (one for key, one in seen.looks.items() if key.startswith("gauge:")), None
    )
    if main is not None and main.number("limit") is None:
        main = None
    rack = seen.looks.get("rack")
    looks = [one for one in (main, rack) if one is not None]
    if not looks:
        return []
    evidence: dict[str, object] = {}
    for name, one in (("droop", main), ("rack", rack)):
        if one is not None:
            # a series that is not measured any more has no figure tonight, so that nothing clears by it
            fresh = told.is_fresh(seen, one)
            evidence |= {f"{name}_{key}_mm": one.number(fact) if fresh else None for key, fact in FIGURES}
    if rack is not None:
        evidence["rack_sd_mm"] = rack.number("sd_day")
        evidence |= _untold_rack(rack)
    if any("alarm" in one.facts for one in looks):
        evidence["alarm"] = told.alarm_of(looks)
    evidence |= _growth(looks) | told.forecast_of(main, with_latest=True)
    return [
        Finding(
            topic="leaf",
            about=seen.inputs.door.name,
            evidence=evidence,
            rests_on=told.rests_on(seen, [one.key for one in looks]),
            unjudged=held_back or _unjudged(seen, looks, evidence),
        )
    ]


def _untold_rack(rack: SeriesLook) -> dict[str, object]:
    """A rack near or over its limit whose low bound is far under it has no figure for the rules tonight."""
    stays, low, limit = (rack.number(key) for key in ("stays", "stays_low", "limit"))
    if stays is None or low is None or limit is None:
        return {}
    if stays < NEAR_SHARE * limit or low >= LOW_SHARE * limit:
        return {}
    return {"rack_stays_mm": None, "not_judged": {"leaf_over": RACK_UNTOLD}}


def _unjudged(seen: Seen, looks: list[SeriesLook], evidence: dict[str, object]) -> str | None:
    fresh = [one for one in looks if told.is_fresh(seen, one)]
    if not fresh:
        return looks[0].reason or told.NOT_HEARD_LATELY
    if evidence.get("alarm") is True or any(one.number("stays") is not None for one in fresh):
        return None
    return fresh[0].reason


def _growth(looks: Iterable[SeriesLook]) -> dict[str, object]:
    """The rate of droop or of rack, the one with the greater low bound; None when neither serves."""
    served = [one for one in looks if one.rate is not None and one.low is not None]
    grows = max(served, key=lambda one: one.low or 0.0, default=None)
    if grows is None:
        return {"rate_mm_per_year": None, "rate_low_mm_per_year": None}
    return {
        "rate_of": grows.key.partition(":")[0],
        "rate_mm_per_year": grows.rate,
        "rate_low_mm_per_year": grows.low,
        "rate_high_mm_per_year": grows.high,
    }
