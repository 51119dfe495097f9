"""The correction of a drifting clock, in whole milliseconds."""

Fix = tuple[int, int, int]  # t0 when last right, t1 its reading when set again, offset true - drifting at t1
USUAL_PPM = 200
_SLACK_MS = 2000


def is_suspect(fix: Fix, ppm: int = USUAL_PPM) -> bool:
    """Whether the clock was reset rather than drifted: more than 2 s and `ppm` of the span away."""
    t0_ms, t1_ms, offset_ms = fix
    return 1_000_000 * abs(offset_ms) > 1_000_000 * _SLACK_MS + ppm * (t1_ms - t0_ms)


def corrected(ms: int, fix: Fix, ppm: int = USUAL_PPM) -> int | None:
    """The time, ms, of an instant stamped `ms` by a drifting clock; None outside the span or when suspect.

    The product comes before the division, and the division rounds down, so the result is exact.
    """
    t0_ms, t1_ms, offset_ms = fix
    if t1_ms <= t0_ms or not t0_ms <= ms <= t1_ms or is_suspect(fix, ppm):
        return None
    return ms + offset_ms * (ms - t0_ms) // (t1_ms - t0_ms)
