"""The units of the wire: their limits, their secondary forms, and how finely a node writes them."""

# Limits, inclusive: values that no working gauge can send, so that a hit means a wrong unit or a broken
# driver. Units of RFC 8428 section 12.1, but `deg`, which is of RFC 8798.
LIMITS: dict[str, tuple[float, float]] = {
    "/": (-0.5, 1.5),
    "Ohm": (0.0, 1e12),
    "%RH": (-10.0, 110.0),
    "Cel": (-100.0, 150.0),
    "m": (-10.0, 10.0),
    "rad": (-7.0, 7.0),
    "deg": (-360.0, 360.0),
    "m/s2": (-200.0, 200.0),
    "Pa": (0.0, 200000.0),
    "V": (-100.0, 100.0),
    "count": (0.0, 1e12),
}

# Secondary unit -> primary unit and the divisor that leads to it. Source: RFC 8798 section 3.
SECONDARY: dict[str, tuple[str, float]] = {
    "mm": ("m", 1000.0),
    "cm": ("m", 100.0),
    "mV": ("V", 1000.0),
    "/100": ("/", 100.0),
    "/1000": ("/", 1000.0),
}

# Decimals that a node writes until its settings say otherwise.
DECIMALS: dict[str, int] = {"/": 6, "m": 6, "rad": 7, "Cel": 2, "%RH": 2, "V": 3, "count": 0}
OTHER_DECIMALS = 3

PLAIN_VERSION = 10
SECONDARY_VERSION = 26  # feature 4, "Secondary Units"
_VERSION_MARK, _FEATURES = 0b1010, 0b1_0000


def decimals(unit: str) -> int:
    """The decimals that a node writes in this unit until its settings say otherwise."""
    return DECIMALS.get(unit, OTHER_DECIMALS)


def to_primary(value: float, unit: str, *, version: int = PLAIN_VERSION) -> tuple[float, str] | None:
    """The value in its primary unit, and that unit; None for a unit that this version may not use.

    Divides rather than multiplying by 0.001: 4.87 mm is 0.00487 m to the last bit.
    Source: RFC 8798 section 3 (secondary units), RFC 9100 section 4 (feature 4).
    """
    if unit in LIMITS:
        return value, unit
    if unit in SECONDARY and version == SECONDARY_VERSION:
        primary, divisor = SECONDARY[unit]
        return value / divisor, primary
    return None


def is_known_version(version: float) -> bool:
    """Whether a pack of this SenML version can be read: the mark 1010 in the low bits, no feature but 4.

    Source: RFC 9100 sections 2.2 and 3.
    """
    if version != version // 1 or not 0 <= version < 2**53:
        return False
    bits = int(version)
    return bits & 0b1111 == _VERSION_MARK and bits & ~(_VERSION_MARK | _FEATURES) == 0
