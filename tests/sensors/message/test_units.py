"""The units of the wire, and the versions that allow the secondary ones."""

import pytest

from sensors.message.units import LIMITS, SECONDARY, decimals, is_known_version, to_primary


@pytest.mark.parametrize(
    ("version", "is_known"),
    [
        (10, True),
        (26, True),
        (10.0, True),
        (5, False),
        (42, False),
        (0, False),
        (58, False),
        (10.5, False),
        (-6, False),
    ],
)
def test_versions(version: float, is_known: bool) -> None:
    """RFC 9100 section 2.2: the low bits are 1010; 42 is its example of a feature not understood here."""
    assert is_known_version(version) is is_known


@pytest.mark.parametrize(
    ("unit", "value", "expected"),
    [
        (
            "mm",
            4.87,
            (0.00487, "m"),
        ),  # RFC 8798 section 3, 1/1000; times 0.001 would give 0.004870000000000001
        ("cm", 4.87, (0.0487, "m")),
        ("mV", 2987, (2.987, "V")),
        ("/100", 41, (0.41, "/")),
        ("/1000", 412, (0.412, "/")),
        ("m", 0.00487, (0.00487, "m")),
    ],
)
def test_secondary_units_with_version_26(unit: str, value: float, expected: tuple[float, str]) -> None:
    assert to_primary(value, unit, version=26) == expected


@pytest.mark.parametrize("unit", [*SECONDARY, "%", "K", ""])
def test_units_that_version_10_may_not_use(unit: str) -> None:
    assert to_primary(1.0, unit) is None


def test_percent_never() -> None:
    """RFC 8428 section 12.1, note 2: % is a second name of the ratio 1."""
    assert to_primary(41.0, "%", version=26) is None


def test_secondary_units_lead_to_units_with_limits() -> None:
    assert {primary for primary, _ in SECONDARY.values()} <= set(LIMITS)
    assert not set(SECONDARY) & set(LIMITS)


def test_usual_decimals() -> None:
    assert [decimals(unit) for unit in ("/", "m", "rad", "Cel", "%RH", "V", "Ohm")] == [6, 6, 7, 2, 2, 3, 3]
