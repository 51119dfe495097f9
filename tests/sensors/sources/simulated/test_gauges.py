"""The kit's channels, one gauge's ratio, wander and noise, and what hangs beside them."""

import math
from dataclasses import replace
from statistics import fmean, stdev

import pytest

from sensors.sources.simulated.gauges import (
    DAY_MS,
    EVERY_GAUGES,
    KIT_GAUGES,
    Bank,
    Gauge,
    Others,
    channels,
    draw_gauges,
)
from sensors.sources.simulated.wood import Moisture

PLAIN = Gauge(name="latch-top", nominal_mm=3.0, stroke_mm=10.0, centre=0.5, rounded=False, opens=True)
NONE: dict[str, float] = {}


def test_18_channels_in_order_and_21_with_every_gauge() -> None:
    names = [channel.name for channel in channels()]
    assert names == [
        "air-temp", "air-rh",
        "lock-hinge-top", "lock-hinge-bottom", "lock-latch-top", "lock-latch-bottom",
        "top-hinge-top", "top-hinge-bottom",
        "head-hinge", "head-latch", "latch-bottom", "latch-top", "sill-latch", "diag-fall", "diag-rise",
        "shut", "ref", "battery",
    ]  # fmt: skip
    every = [channel.name for channel in channels(KIT_GAUGES + EVERY_GAUGES)]
    assert every == [*names, "sill-hinge", "hinge-bottom", "hinge-top"]


def test_units_and_decimals_are_the_wire_s() -> None:
    decimals = {channel.unit: channel.decimals for channel in channels()}
    assert decimals == {"Cel": 2, "%RH": 2, "/": 6, "V": 3}
    with_use = {channel.name: (channel.unit, channel.decimals) for channel in channels(use=True)[18:]}
    assert with_use == {"openings": ("count", 0), "slam": ("m/s2", 3)}
    fine = {channel.unit: channel.decimals for channel in channels(use=True, ideal=True)}
    assert fine == {"Cel": 9, "%RH": 9, "/": 9, "V": 9, "count": 0, "m/s2": 9}


@pytest.mark.parametrize(
    ("change", "gauge", "ratio"),
    [
        (1.0, PLAIN, 0.6),
        (1.0, replace(PLAIN, gain=0.01), 0.601),
        (1.0, replace(PLAIN, wave_mm=0.004), 0.6004),
        (2.0, replace(PLAIN, wave_mm=0.004, phase_rad=math.pi / 2), 0.7 - 0.0004),
        (6.0, PLAIN, 1.0),
        (-6.0, PLAIN, 0.0),
        (0.00001, replace(PLAIN, rounded=True), 0.5),
        (1.0, replace(PLAIN, rounded=True), 19661 / 32768),
    ],
)
def test_ratio_of_a_gauge(change: float, gauge: Gauge, ratio: float) -> None:
    assert gauge.ratio(change) == pytest.approx(ratio, abs=1e-12)


def test_temperature_pulls_from_20_degrees_on() -> None:
    assert replace(PLAIN, per_k_mm=0.001).ratio(0.0, temp_c=30.0) == pytest.approx(0.501)


def test_drawn_gauges_differ_and_one_more_changes_no_other() -> None:
    kit, every = (
        draw_gauges(seed=1, door="north"),
        draw_gauges(KIT_GAUGES + EVERY_GAUGES, seed=1, door="north"),
    )
    assert every[: len(kit)] == kit
    assert [gauge.name for gauge in every] == [*KIT_GAUGES, *EVERY_GAUGES]
    assert len({gauge.centre for gauge in every}) == len(every)
    assert draw_gauges(seed=1, door="south") != kit
    assert all(0.42 <= gauge.centre <= 0.58 and 0.0 <= gauge.wave_mm <= 0.004 for gauge in every)


def test_gains_of_many_gauges_are_right_to_0_4_pct() -> None:
    gains = [gauge.gain for seed in range(40) for gauge in draw_gauges(seed=seed, door="north")]
    assert stdev(gains) == pytest.approx(0.004, rel=0.12)
    assert fmean(gains) == pytest.approx(0.0, abs=6e-4)


def test_ideal_gauge_has_no_error() -> None:
    for gauge in draw_gauges(seed=1, door="north", ideal=True):
        length_mm = (gauge.ratio(0.123456) - gauge.centre) * gauge.stroke_mm
        assert length_mm == pytest.approx(0.123456, abs=1e-12)
        assert (gauge.noise_mm, gauge.walk_mm, gauge.per_k_mm) == (0.0, 0.0, 0.0)


def test_open_leaf_lets_the_plungers_out_and_leaves_the_others() -> None:
    gauges = draw_gauges(KIT_GAUGES + EVERY_GAUGES, seed=1, door="north", ideal=True)
    bank = Bank(gauges, seed=1, door="north")
    hung = [gauge.nominal_mm for gauge in gauges]
    ratios = bank.read(hung, day=0.0, temp_c=20.0, is_open=True, faults_mm=NONE)
    moved = {g.name for g, ratio in zip(gauges, ratios, strict=True) if abs(ratio - g.centre) > 1e-9}
    assert moved == {
        name for name in KIT_GAUGES + EVERY_GAUGES if name.startswith(("head", "latch", "sill", "hinge"))
    }
    assert min(ratio for ratio in ratios if ratio > 0.7) > 0.99


def test_fault_of_a_channel_is_added_in_mm() -> None:
    bank = Bank([PLAIN], seed=1, door="north")
    assert bank.read([3.0], day=0.0, temp_c=20.0, is_open=False, faults_mm={"latch-top": 0.5}) == [0.55]


def test_wander_grows_with_the_root_of_time_whatever_the_step() -> None:
    gauges = [replace(PLAIN, name=f"g{i}", walk_mm=0.01) for i in range(400)]
    coarse, fine = Bank(gauges, seed=1, door="north"), Bank(gauges, seed=1, door="north")
    lengths = [3.0] * 400
    for day in (0.0, 17.25, 365.2):
        fine.read(lengths, day=day, temp_c=20.0, is_open=False, faults_mm=NONE)
    a, b = (
        bank.read(lengths, day=365.25, temp_c=20.0, is_open=False, faults_mm=NONE) for bank in (coarse, fine)
    )
    assert a == b
    assert stdev((ratio - 0.5) * 10.0 for ratio in a) == pytest.approx(0.01, rel=0.12)


def test_noise_has_the_size_it_was_given() -> None:
    bank = Bank([replace(PLAIN, noise_mm=0.004)], seed=1, door="north")
    read = [
        bank.read([3.0], day=0.0, temp_c=20.0, is_open=False, faults_mm=NONE)[0] * 10.0 for _ in range(1500)
    ]
    assert stdev(read) == pytest.approx(0.004, rel=0.08)


def test_leaf_stands_open_in_working_hours_of_six_days() -> None:
    """8 % of instants from 8 to 18 h on Monday to Saturday, 0.3 % at other times; 1970-01-05 was a Monday."""
    others = Others(seed=1, door="north", ideal=False)
    hour = Moisture(20.0, 50.0, 12.0, 12.0)
    opened: dict[bool, list[bool]] = {True: [], False: []}
    for k in range(24 * 7 * 200):
        days, of_day = divmod(k, 24)
        busy = 8 <= of_day < 18 and (days + 3) % 7 != 6
        shut = others.read(k * 3_600_000, 0.0, hour, NONE)[2]
        opened[busy].append(shut == 0.0)
    assert fmean(opened[True]) == pytest.approx(0.08, abs=0.01)
    assert fmean(opened[False]) == pytest.approx(0.003, abs=0.0015)


def test_air_sensor_is_noisy_and_drifts() -> None:
    others = Others(seed=1, door="north", ideal=False)
    hour = Moisture(20.0, 50.0, 12.0, 12.0)
    rows = [others.read(DAY_MS, 10.0, hour, NONE) for _ in range(1500)]
    assert (stdev(row[0] for row in rows), stdev(row[1] for row in rows)) == pytest.approx(
        (0.1, 0.5), rel=0.08
    )
    assert fmean(row[1] for row in rows) == pytest.approx(53.0, abs=0.06)
    assert stdev(row[3] for row in rows) == pytest.approx(1.2e-5, rel=0.08)


def test_ideal_air_is_true_and_faults_are_added() -> None:
    others = Others(seed=1, door="north", ideal=True)
    row = others.read(0, 3.0, Moisture(20.0, 50.0, 12.0, 12.0), {"air-rh": 5.0, "air-temp": -1.0})
    assert row[:2] == [19.0, 55.0]
    assert row[3] == 0.5
