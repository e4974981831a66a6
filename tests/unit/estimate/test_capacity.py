"""Capacity over trips and resistance from steps, against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.battery_world import make_world
from tests.support.cases import make_record

from campledger.estimate.battery import estimate_battery
from campledger.estimate.capacity import (
    Swing,
    capacity_over_trips,
    change_since,
    find_swings,
    low_points,
    resistance_from_steps,
    trip_battery,
)
from campledger.model.estimates import Estimate


def swing(share, charge, *, share_std=0.01, charge_std=0.5):
    return Swing(
        start_utc=0.0,
        end_utc=1.0,
        share=share,
        share_std=share_std,
        charge=charge,
        charge_std=charge_std,
    )


def test_exact_swings_give_the_exact_capacity():
    got = capacity_over_trips((swing(-0.8, -72.0), swing(0.6, 54.0)), rated=100.0)
    assert got.value == pytest.approx(90.0, abs=0.06)  # grid of the search
    assert got.lo < 90.0 < got.hi


def test_spread_follows_the_rule_of_thumb():
    # sqrt(s1^2 + s2^2) / swing: anchors of 1 % each, 80 %: 1.8 % (methods, section 1).
    got = capacity_over_trips(
        (swing(-0.8, -80.0, share_std=np.hypot(0.01, 0.01), charge_std=1e-3),),
        rated=100.0,
    )
    assert got.give_or_take / 1.645 / got.value == pytest.approx(0.0177, rel=0.05)


def test_total_least_squares_has_no_bias_where_the_plain_line_has():
    rng = np.random.default_rng(5)
    shares = rng.uniform(0.45, 0.9, 400)
    seen = shares + rng.normal(0, 0.05, 400)
    swings = tuple(
        swing(float(s), float(100.0 * t), share_std=0.05, charge_std=0.5)
        for s, t in zip(seen, shares, strict=True)
        if s >= 0.4
    )
    got = capacity_over_trips(swings, rated=100.0)
    plain = sum(s.share * s.charge for s in swings) / sum(s.share**2 for s in swings)
    assert got.value == pytest.approx(100.0, abs=1.0)
    assert plain < 99.7


def test_no_deep_swing_cannot_tell_yet():
    got = capacity_over_trips((swing(-0.3, -30.0),), rated=100.0)
    assert np.isnan(got.value)
    assert "can't tell yet" in got.reason


def test_swings_of_a_made_trip_hold_its_capacity():
    world = make_world(
        "lfp",
        seed=31,
        days=3,
        capacity=86.0,
        start=0.9,
        demand=5.4,
        drive_hours=5.0,
        charger=32.0,
        interval=60.0,
        sampling="mean",
    )
    est = estimate_battery(world.record, world.rig)
    lows = low_points(world.record, world.rig, est)
    swings = find_swings(est, lows)
    assert len(swings) >= 2
    got = capacity_over_trips(swings, rated=100.0)
    assert got.lo < 86.0 < got.hi
    # More swings do not lessen what the table itself may be wrong by.
    assert got.give_or_take > 1.645 * min(s.table_std for s in swings) * got.value
    assert find_swings(est) == ()


def test_a_typed_capacity_does_not_come_back_as_found():
    world = make_world(
        "lfp",
        seed=31,
        days=3,
        capacity=86.0,
        start=0.9,
        demand=5.4,
        drive_hours=5.0,
        charger=32.0,
        interval=60.0,
        sampling="mean",
    )
    house = replace(world.rig.house, capacity_now=100.0)
    rig = replace(world.rig, house=house)
    est = estimate_battery(world.record, rig)
    got = trip_battery(world.record, rig, est)
    assert got.capacity.lo < 86.0 < got.capacity.hi
    assert got.interval == 60.0
    assert got.swings >= 2


def test_lead_acid_is_read_only_after_a_long_rest():
    """Job B22: rested volts; 12.30 V is half by the table of ``chemistry``."""
    time = np.arange(60.0, 86400.0, 60.0)
    current = np.where(time < 30000.0, -6.0, -0.05)
    volts = np.where(time < 30000.0, 12.1, 12.30)
    record = make_record(time, {"current_house_a": current, "voltage_house_v": volts})
    world = make_world("agm", seed=1, days=1)
    est = estimate_battery(record, world.rig)
    (low,) = low_points(record, world.rig, est)
    assert low.kind == "rest"
    assert low.soc == pytest.approx(0.5, abs=0.02)
    assert low.soc_std > 0.04
    none = record.channels["current_house_a"]
    bare = make_record(time, {"current_house_a": none.value})
    assert low_points(bare, world.rig, est) == ()


def test_steps_that_a_charger_swallows_are_left_out():
    rng = np.random.default_rng(1)
    time = np.arange(10.0, 40000.0, 10.0)
    current = np.where((time // 600) % 2 == 0, -6.0, -0.5)
    volts = 13.2 + 0.01 * current + rng.normal(0, 1e-4, len(time))
    held = time > 15000.0
    volts[held], current[held] = 14.3, current[held] + 8.0
    record = make_record(time, {"current_house_a": current, "voltage_house_v": volts})
    world = make_world("lfp", seed=1, days=1)
    got = resistance_from_steps(record, world.rig)
    assert got.value == pytest.approx(0.01, rel=0.02)


def test_resistance_of_a_made_battery():
    world = make_world("lfp", seed=32, days=2, resistance=0.011)
    got = resistance_from_steps(world.record, world.rig)
    # 11 milliohm at all temperatures; the correction to 25 Cel adds up to 6 %.
    assert got.value == pytest.approx(0.011, rel=0.15)
    assert got.lo <= got.value <= got.hi


def test_resistance_needs_steps_and_channels():
    world = make_world("lfp", seed=33, days=1, drop=("current_house_a",))
    assert (
        "needs house current" in resistance_from_steps(world.record, world.rig).reason
    )


def test_change_since_an_earlier_trip():
    now = Estimate(value=80.0, lo=76.0, hi=84.0)
    then = Estimate(value=100.0, lo=96.0, hi=104.0)
    got = change_since(now, then)
    assert got.value == pytest.approx(0.8)
    assert got.reason == "changed"
    assert change_since(now, now).reason == "no change that can be told"
    assert np.isnan(change_since(now, Estimate.missing("x")).value)
