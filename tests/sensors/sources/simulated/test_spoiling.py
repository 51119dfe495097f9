"""Each kind of fault at work on a short run, against the same run without it."""

from itertools import pairwise

import pytest

from sensors.sources.simulated.door import SimInstant, SimulatedDoor
from sensors.sources.simulated.doors import Opening
from sensors.sources.simulated.faults import Fault
from sensors.sources.simulated.gauges import channels
from sensors.sources.simulated.movement import Rehang, Slam
from sensors.sources.simulated.spoiling import ClockFix, happenings_of

START_MS = 1_672_531_200_000
DAY = 86_400_000
STEP_MS = 5_400_000
AT = {channel.name: k for k, channel in enumerate(channels())}


def run(*faults: Fault, days: float = 12.0) -> list[SimInstant]:
    door = SimulatedDoor(door="north", seed=3, start_ms=START_MS, years=days / 365.25, faults=faults)
    return list(door.instants())


SOUND = run()


def moved(faulty: list[SimInstant], name: str) -> list[tuple[float, int]]:
    """Day and difference in whole numbers, instant by instant."""
    pairs = zip(faulty, SOUND, strict=True)
    return [
        ((b.ms - START_MS) / DAY, (a.values[AT[name]] or 0) - (b.values[AT[name]] or 0)) for a, b in pairs
    ]


def others_are_equal(faulty: list[SimInstant], name: str) -> bool:
    k = AT[name]
    return all(
        a.values[:k] + a.values[k + 1 :] == b.values[:k] + b.values[k + 1 :]
        for a, b in zip(faulty, SOUND, strict=True)
    )


def fault(kind: str, channel: str = "", *, size: tuple[float, ...] = (), days: float = 4.0) -> Fault:
    return Fault(kind=kind, channel=channel, from_day=3.0, days=days, size=size)


def test_dropout_leaves_the_channel_out_and_names_it() -> None:
    faulty = run(fault("dropout", "latch-top"))
    for instant in faulty:
        out = 3 * DAY <= instant.ms - START_MS < 7 * DAY
        assert (instant.values[AT["latch-top"]] is None) == out
        assert instant.problems == ((("latch-top", "io-error"),) if out else ())
    assert others_are_equal(faulty, "latch-top")


STROKE_MM = {"diag-fall": 10.0, "lock-hinge-top": 5.0}


@pytest.mark.parametrize("name", sorted(STROKE_MM))
def test_step_stays_from_its_day_on(name: str) -> None:
    """0.1 mm in millionths of the stroke; gain within 2 %, one step of the converter is 31."""
    faulty = run(fault("step", name, size=(0.1,), days=0.0))
    for day, change in moved(faulty, name):
        expected = 1e6 * 0.1 / STROKE_MM[name] if day >= 3.0 else 0.0
        assert change == pytest.approx(expected, rel=0.02, abs=32)
    assert others_are_equal(faulty, name)


def test_drift_grows_and_stays_where_it_came_to() -> None:
    """36.525 mm a year for 4 days: 0.1 mm a day."""
    for day, change in moved(run(fault("drift", "diag-rise", size=(36.525,))), "diag-rise"):
        expected = 1e5 * 0.1 * min(max(day - 3.0, 0.0), 4.0)
        assert change == pytest.approx(expected, rel=0.02, abs=40)


def test_humidity_drifts_in_pct() -> None:
    changes = dict(moved(run(fault("drift", "air-rh", size=(365.25,))), "air-rh"))
    assert changes[5.0] == pytest.approx(200, abs=1)


def test_spikes_are_single_and_rare() -> None:
    """1 in 100 of the 4160 instants of 260 days: 42, sd 6.4."""
    spiked = fault("spike", "diag-fall", size=(1.0,), days=260.0)
    sound, faulty = run(days=263.0), run(spiked, days=263.0)
    k = AT["diag-fall"]
    off = [(a.values[k] or 0) - (b.values[k] or 0) for a, b in zip(faulty, sound, strict=True)]
    spikes = [change for change in off if change]
    assert 20 <= len(spikes) <= 65
    assert spikes == pytest.approx([1e5] * len(spikes), rel=0.02)


def test_stuck_gauge_says_the_last_value_with_converter_noise() -> None:
    k = AT["diag-fall"]
    faulty = run(fault("stuck", "diag-fall"))
    before = [i.values[k] for i in faulty if i.ms - START_MS < 3 * DAY][-1]
    stuck = [i.values[k] or 0 for i in faulty if 3 * DAY <= i.ms - START_MS < 7 * DAY]
    assert before is not None
    assert stuck == pytest.approx([before] * 64, abs=60)
    assert len(set(stuck)) > 20
    assert others_are_equal(faulty, "diag-fall")


def test_thousand_makes_the_value_a_thousandth() -> None:
    faulty, k = run(fault("thousand", "air-temp")), AT["air-temp"]
    for a, b in zip(faulty, SOUND, strict=True):
        inside = 3 * DAY <= b.ms - START_MS < 7 * DAY
        assert a.values[k] == (round((b.values[k] or 0) / 1000) if inside else b.values[k])


def test_wet_air_reads_100() -> None:
    faulty, k = run(fault("wet")), AT["air-rh"]
    wet = {i.values[k] for i in faulty if 3 * DAY <= i.ms - START_MS < 7 * DAY}
    assert wet == {10_000}
    assert others_are_equal(faulty, "air-rh")


def test_lost_clock_says_none_until_it_is_set() -> None:
    faulty = run(fault("clock-lost"))
    said = {(3 * DAY <= i.ms - START_MS < 7 * DAY, i.clock) for i in faulty}
    assert said == {(True, "none"), (False, "utc")}
    assert [i.values for i in faulty] == [i.values for i in SOUND]


def test_drifting_clock_gains_and_is_told_at_the_end() -> None:
    """50 ppm for 4 days: 17.28 s fast; the values are those of the true moments."""
    drifting = fault("clock-drift", size=(50.0,))
    door = SimulatedDoor(door="north", seed=3, start_ms=START_MS, years=12 / 365.25, faults=(drifting,))
    assert door.clock_fixes == (
        ClockFix(from_ms=START_MS + 3 * DAY, to_ms=START_MS + 7 * DAY + 17_280, off_ms=-17_280),
    )
    for a, b in zip(door.instants(), SOUND, strict=True):
        since = b.ms - START_MS - 3 * DAY
        drifts = 0 <= since < 4 * DAY
        assert a.clock == ("drift" if drifts else "utc")
        assert a.ms - b.ms == (pytest.approx(since * 50e-6, abs=0.51) if drifts else 0)
        assert a.values == b.values


def test_stamps_rise_even_when_a_fast_clock_is_set_back() -> None:
    fast = Fault(kind="clock-drift", from_day=1.0, days=8.0, size=(20_000.0,))
    stamps = [instant.ms for instant in run(fast)]
    assert all(later > sooner for sooner, later in pairwise(stamps))
    assert stamps[-1] == SOUND[-1].ms


def test_reboot_takes_four_minutes_and_counts() -> None:
    reboot = Fault(kind="reboot", from_day=3.0)
    faulty = run(reboot)
    assert [i.ms for i in faulty] == [i.ms for i in SOUND if not 0 <= i.ms - START_MS - 3 * DAY < 240_000]
    assert len(faulty) == len(SOUND) - 1
    assert {(i.ms - START_MS >= 3 * DAY, i.boot) for i in faulty} == {(False, 1), (True, 2)}


def test_offline_node_takes_its_instants_all_the_same() -> None:
    door = SimulatedDoor(
        door="north", seed=3, start_ms=START_MS, years=12 / 365.25, faults=(fault("offline"),)
    )
    assert list(door.instants()) == SOUND
    assert door.offline_spans == ((START_MS + 3 * DAY, START_MS + 7 * DAY),)


def test_battery_runs_down_to_2_4_v_and_the_node_falls_silent() -> None:
    faulty, k = run(fault("battery")), AT["battery"]
    assert faulty[-1].ms == START_MS + 7 * DAY - STEP_MS
    assert faulty[-1].values[k] == pytest.approx(2400 + 800 / 64, abs=8)
    assert faulty[56].values[k] == pytest.approx(3200 - 800 / 8, abs=8)
    assert [i.values[:k] for i in faulty] == [i.values[:k] for i in SOUND[: len(faulty)]]


@pytest.mark.parametrize(
    ("event", "name", "mm_after"),
    [
        (Fault(kind="opening", channel="lock-hinge", from_day=3.0, size=(50.0,)), "lock-hinge-top", None),
        (
            Fault(kind="slam", channel="lock-hinge", from_day=3.0, size=(0.0, 0.0, 1.0)),
            "lock-hinge-top",
            0.085,
        ),
        (Fault(kind="slam", from_day=3.0, size=(0.0, 1.0, 0.0)), "diag-fall", 0.7311),
        (Fault(kind="rehang", from_day=3.0, size=(0.5,)), "latch-top", -0.5),
    ],
)
def test_what_happens_to_the_door_is_read_by_its_gauges(
    event: Fault, name: str, mm_after: float | None
) -> None:
    """Turn of 1 mrad over half of 170 mm; rack of 1 mrad lengthens the falling diagonal by 0.7311 mm."""
    stroke = STROKE_MM.get(name, 10.0)
    shut = {i.ms for i in SOUND if i.values[AT["shut"]]}
    faulty = run(event)
    changes = [(day, d / 1e6 * stroke) for day, d in moved(faulty, name) if START_MS + day * DAY in shut]
    assert all(abs(change) < 1e-9 for day, change in changes if day < 3.0)
    after = [change for day, change in changes if day > 3.0]
    if mm_after is None:
        assert after[-1] > after[0] >= 0.0
        assert after[-1] > 0.005
    else:
        assert after == pytest.approx([mm_after] * len(after), rel=0.02, abs=0.001)


def test_happenings_are_gathered_with_the_door_s_own_opening() -> None:
    own = Opening(joint="top-hinge", onset_day=10.0, rho_mrad=0.1)
    faults = (
        Fault(kind="opening", channel="lock-latch", from_day=5.0, size=(0.2,)),
        Fault(kind="slam", from_day=6.0, size=(0.1, 0.2, 0.3)),
        Fault(kind="rehang", from_day=7.0, size=(0.4,)),
        fault("wet"),
    )
    found = happenings_of(faults, own)
    assert found.openings == (own, Opening(joint="lock-latch", onset_day=5.0, rho_mrad=0.2))
    assert found.slams == (Slam(day=6.0, hinge_mm=0.1, rack_mrad=0.2, turn_mrad=0.3, joint=None),)
    assert found.rehangs == (Rehang(day=7.0, moved_mm=0.4),)
