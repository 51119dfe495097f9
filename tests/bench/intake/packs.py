"""The packs of the bench, made before any clock starts: `live` is 1 instant of 8 channels, `back-fill` 10."""

from sensors.message.pack import pack_bytes

CHANNELS = (
    ("lock-hinge-top", "/", 6),
    ("lock-hinge-bottom", "/", 6),
    ("head-latch", "/", 6),
    ("latch-top", "/", 6),
    ("sill-latch", "/", 6),
    ("air-temp", "Cel", 2),
    ("air-rh", "%RH", 2),
    ("battery", "V", 3),
)
SHAPES = {"live": 1, "back-fill": 10}
START_MS, STEP_MS = 1_700_000_000_000, 600_000
JOURNAL = "7c1e90ab"


def instant(seq: int) -> tuple[int, list[tuple[str, str, int, int]]]:
    """One instant; its values differ from the next one's in their last digits, as a gauge's do."""
    wobble = (seq * 7919) % 1000
    values = (412000, 413000, 501000, 498000, 470000, 1500, 6500, 2900)
    rows = [
        (name, unit, value + wobble, decimals)
        for (name, unit, decimals), value in zip(CHANNELS, values, strict=True)
    ]
    return START_MS + seq * STEP_MS, rows


def packs(shape: str, count: int) -> list[bytes]:
    """`count` packs of a shape, in order of time."""
    size = SHAPES[shape]
    return [
        pack_bytes(
            base_name="saltmarsh-yard/north/",
            journal=JOURNAL,
            first_seq=1 + size * k,
            clock="utc",
            instants=[instant(1 + size * k + i) for i in range(size)],
        )
        for k in range(count)
    ]


def rows(shape: str, count: int) -> list[list[tuple[int, int, float]]]:
    """The same readings as rows of a table (channel, ms, value), a list a pack."""
    size = SHAPES[shape]
    return [
        [
            (channel, ms, whole / 10**decimals)
            for ms, values in (instant(1 + size * k + i) for i in range(size))
            for channel, (_, _, whole, decimals) in enumerate(values)
        ]
        for k in range(count)
    ]
