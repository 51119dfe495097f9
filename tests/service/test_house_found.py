"""Boxes and house: the figures that the rules read, and what the rules say of them."""

from dataclasses import replace

import pytest

from server.inspection.values import Finding
from server.service.house_found import (
    DAY_MS,
    FEW_DAYS,
    NO_BATTERY,
    NO_CERTIFICATE,
    NO_COPY,
    NO_FOLDER,
    NOT_KNOWN_HERE,
    NOT_READ,
    USUAL,
    BackUp,
    Box,
    Held,
    House,
    box_findings,
    present_findings,
)
from tests.inspection.found.seeing import verdicts

NOW_MS = 1_800_000_000_000
HOUSE = House(site="yard", at_ms=NOW_MS)
NORTH = Box(name="north", battery_v=(3.0, 3.0, 3.0), undated=0, is_paused=False)


def of(topic: str, house: House) -> Finding:
    (one,) = (one for one in (*box_findings(house), *present_findings(house)) if one.topic == topic)
    return one


def box(**changed: object) -> House:
    return replace(HOUSE, boxes=(replace(NORTH, **changed),))  # type: ignore[arg-type]  # each by its own name


@pytest.mark.parametrize(
    ("volts", "said"),
    [
        ((2.59, 2.59, 3.0), "holds"),
        ((2.6, 2.6, 2.0), "between"),
        ((2.5, 2.68), "holds"),
        ((2.74, 2.74, 2.74), "between"),
        ((2.76, 2.76, 2.0), "gone"),
    ],
)
def test_battery(volts: tuple[float, ...], said: str) -> None:
    found = of("battery", box(battery_v=volts))
    assert (found.about, verdicts(found)) == ("north", {"battery_low": said})


@pytest.mark.parametrize(("volts", "why"), [(None, NO_BATTERY), ((2.0,), FEW_DAYS)])
def test_battery_that_cannot_be_judged(volts: tuple[float, ...] | None, why: str) -> None:
    assert of("battery", box(battery_v=volts)).unjudged == why


@pytest.mark.parametrize(
    ("changed", "topic", "said"),
    [
        ({"undated": 0}, "clock", {"clock_undated": "gone", "clock_suspect": "gone"}),
        ({"undated": 1}, "clock", {"clock_undated": "holds", "clock_suspect": "gone"}),
        ({"undated": None}, "clock", {"clock_undated": "unjudged", "clock_suspect": "gone"}),
        ({"is_suspect": True}, "clock", {"clock_undated": "gone", "clock_suspect": "holds"}),
        ({}, "twin", {"node_twin": "gone"}),
        ({"is_twin": True}, "twin", {"node_twin": "holds"}),
        ({}, "access", {"password_old": "gone", "node_flooding": "gone"}),
        ({"is_password_old": True}, "access", {"password_old": "holds", "node_flooding": "gone"}),
        ({"is_paused": True}, "access", {"password_old": "gone", "node_flooding": "holds"}),
        ({"is_paused": None}, "access", {"password_old": "gone", "node_flooding": "unjudged"}),
    ],
)
def test_what_a_box_is_like(changed: dict[str, object], topic: str, said: dict[str, str]) -> None:
    assert verdicts(of(topic, box(**changed))) == said


@pytest.mark.parametrize(
    ("days", "held", "expiring"),
    [(0.99, "between", "gone"), (1.0, "holds", "gone"), (59.9, "holds", "gone"), (60.0, "holds", "holds")],
)
def test_packs_held(days: float, held: str, expiring: str) -> None:
    packs = Held(packs=3, oldest_ms=NOW_MS - round(days * DAY_MS), why="unknown channel")
    found = of("held", replace(box(), held={"north": packs}))
    assert found.evidence["why"] == "unknown channel"
    assert verdicts(found) == {"packs_held": held, "packs_expiring": expiring}


def test_no_packs_held() -> None:
    assert verdicts(of("held", box())) == {"packs_held": "gone", "packs_expiring": "gone"}
    stray = replace(HOUSE, held={"shed": Held(packs=1, oldest_ms=NOW_MS, why="bad time")})
    assert [one.about for one in box_findings(stray)] == ["shed"]


def ends(use: str, days: float | None) -> House:
    return replace(HOUSE, ends_ms={use: None if days is None else NOW_MS + round(days * DAY_MS)})


@pytest.mark.parametrize(
    ("use", "days", "ending", "short"),
    [
        ("authority", 365.1, "gone", "gone"),
        ("authority", 365.0, "holds", "gone"),
        ("authority", 60.1, "holds", "gone"),
        ("authority", 60.0, "holds", "holds"),
        ("server", 366.0, "gone", "gone"),
        ("server", 200.0, "unjudged", "unjudged"),
        ("server", 60.0, "holds", "holds"),
        ("server", -1.0, "holds", "holds"),
    ],
)
def test_certificates(use: str, days: float, ending: str, short: str) -> None:
    found = of("certificate", ends(use, days))
    assert found.about == f"yard/{use}"
    assert verdicts(found) == {"certificate_ending": ending, "certificate_short": short}
    assert found.unjudged == (USUAL if ending == "unjudged" else None)


def test_certificates_that_are_not_there() -> None:
    assert of("certificate", HOUSE).unjudged == NO_CERTIFICATE
    assert of("certificate", ends("server", None)).unjudged == NOT_READ


@pytest.mark.parametrize(
    ("free", "low", "full"),
    [
        (199.9, "holds", "holds"),
        (200.0, "holds", "between"),
        (400.0, "holds", "gone"),
        (2047.0, "holds", "gone"),
        (2048.0, "between", "gone"),
        (3072.0, "gone", "gone"),
    ],
)
def test_disk(free: float, low: str, full: str) -> None:
    assert verdicts(of("disk", replace(HOUSE, free_mib=free))) == {"disk_low": low, "disk_full": full}
    refused = of("disk", replace(HOUSE, free_mib=free, is_refused=True))
    assert verdicts(refused)["disk_full"] == "at_once"


def test_a_disk_that_cannot_be_read() -> None:
    assert of("disk", HOUSE).unjudged == NOT_READ
    assert of("disk", replace(HOUSE, is_refused=True)).unjudged is None


@pytest.mark.parametrize(
    ("age", "is_good", "late", "bad"),
    [
        (2.99, True, "gone", "gone"),
        (3.0, True, "holds", "gone"),
        (1.0, False, "gone", "holds"),
        (1.0, None, "gone", "unjudged"),
    ],
)
def test_back_up(age: float, is_good: bool | None, late: str, bad: str) -> None:
    copy = BackUp(made_ms=NOW_MS - round(age * DAY_MS), is_good=is_good)
    found = of("backup", replace(HOUSE, back_up=copy))
    assert verdicts(found) == {"backup_late": late, "backup_bad": bad}


def test_back_ups_that_are_not_there() -> None:
    assert of("backup", HOUSE).unjudged == NO_FOLDER
    assert of("backup", replace(HOUSE, back_up=BackUp(made_ms=None, is_good=None))).unjudged == NO_COPY
    spoiled = of("backup", replace(HOUSE, back_up=BackUp(made_ms=None, is_good=False)))
    assert verdicts(spoiled) == {"backup_late": "unjudged", "backup_bad": "holds"}


@pytest.mark.parametrize(("minutes", "said"), [(10.0, "holds"), (9.9, "gone")])
def test_intake(minutes: float, said: str) -> None:
    since = NOW_MS - round(minutes * 60_000)
    failing = replace(HOUSE, is_failing=True, failing_since_ms=since)
    assert verdicts(of("intake", failing)) == {"intake_failing": said}
    assert verdicts(of("intake", replace(failing, is_failing=False))) == {"intake_failing": "gone"}
    assert of("intake", HOUSE).unjudged == NOT_KNOWN_HERE
