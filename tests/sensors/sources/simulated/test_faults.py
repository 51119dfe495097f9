"""Faults as they are asked for: the command's text, the scenario file, and what a door cannot have."""

from pathlib import Path

import pytest

from sensors.sources.simulated.faults import KINDS, Fault, check_faults, parse_fault, read_faults
from sensors.sources.simulated.gauges import channels
from tests.sensors.sources.simulated.refusals import refused


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (
            "drift:latch-top:90:200:0.1",
            Fault(kind="drift", channel="latch-top", from_day=90, days=200, size=(0.1,)),
        ),
        ("step:latch-top:90::-0.2", Fault(kind="step", channel="latch-top", from_day=90, size=(-0.2,))),
        ("reboot:node:3.5", Fault(kind="reboot", from_day=3.5)),
        ("offline::10:30", Fault(kind="offline", from_day=10, days=30)),
        (
            "slam:lock-hinge:50::0.3,0.1,0.2",
            Fault(kind="slam", channel="lock-hinge", from_day=50, size=(0.3, 0.1, 0.2)),
        ),
    ],
)
def test_text_of_a_command(text: str, fault: Fault) -> None:
    assert parse_fault(text) == fault
    check_faults([fault], channels())


@pytest.mark.parametrize(
    ("text", "needed"),
    [
        ("drift", "kind:channel:from"),
        ("a:b:1:2:3:4", "kind:channel:from"),
        ("drift:latch-top:soon", "numbers"),
    ],
)
def test_refuses_a_text(text: str, needed: str) -> None:
    with refused(asked="fault", needed=needed, came=text):
        parse_fault(text)


def test_scenario_file(tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(
        '[[fault]]\nkind = "drift"\nchannel = "latch-top"\nfrom_day = 90\ndays = 200\nsize = 0.1\n'
        '[[fault]]\nkind = "slam"\nfrom_day = 5\nsize = [0.3, 0.1, 0.2]\n',
        "utf-8",
    )
    assert read_faults(path) == (
        Fault(kind="drift", channel="latch-top", from_day=90.0, days=200.0, size=(0.1,)),
        Fault(kind="slam", from_day=5.0, size=(0.3, 0.1, 0.2)),
    )


@pytest.mark.parametrize(
    ("text", "asked", "needed"),
    [
        ("fault = ", "scenario file", "TOML"),
        ("[[faults]]\nkind = 'wet'\n", "scenario file", "[[fault]] alone"),
        ("fault = [1]\n", "scenario file: fault 1", "a table"),
        ("[[fault]]\nkind = 'wet'\n", "scenario file: fault 1", "from_day"),
        ("[[fault]]\nkind = 'wet'\nfrom_day = 'x'\n", "scenario file: fault 1", "numbers"),
        ("[[fault]]\nkind = 'wet'\nfrom_day = 1\nsizes = 2\n", "scenario file: fault 1", "size"),
    ],
)
def test_refuses_a_scenario(tmp_path: Path, text: str, asked: str, needed: str) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(text, "utf-8")
    with refused(asked=asked, needed=needed):
        read_faults(path)


@pytest.mark.parametrize(
    ("fault", "asked", "came"),
    [
        (Fault(kind="flood", from_day=1), "fault: kind", "flood"),
        (Fault(kind="dropout", channel="pin-ohm", from_day=1, days=1), "dropout: channel", "pin-ohm"),
        (Fault(kind="drift", channel="shut", from_day=1, days=1, size=(1,)), "drift: channel", "shut"),
        (Fault(kind="offline", channel="shut", from_day=1, days=1), "offline: channel", "shut"),
        (Fault(kind="opening", channel="latch-top", from_day=1, size=(1,)), "opening: channel", "latch-top"),
        (Fault(kind="reboot", from_day=-1), "reboot: from_day", "-1"),
        (Fault(kind="dropout", channel="shut", from_day=1), "dropout: days", "0"),
        (Fault(kind="step", channel="air-rh", from_day=1, days=3, size=(1,)), "step: days", "3"),
        (Fault(kind="slam", from_day=1, size=(1,)), "slam: size", "(1,)"),
        (Fault(kind="rehang", from_day=1, size=(float("nan"),)), "rehang: size", "nan"),
    ],
)
def test_refuses_what_a_door_cannot_have(fault: Fault, asked: str, came: str) -> None:
    with refused(asked=asked, came=came):
        check_faults([fault], channels())


def test_all_fifteen_kinds_are_known() -> None:
    assert sorted(KINDS) == sorted(
        [
            "dropout",
            "drift",
            "stuck",
            "spike",
            "step",
            "thousand",
            "wet",
            "clock-lost",
            "clock-drift",
            "reboot",
            "offline",
            "opening",
            "slam",
            "rehang",
            "battery",
        ]
    )
