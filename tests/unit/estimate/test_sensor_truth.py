"""Sensor truth: figures of planted faults, closed forms; verdicts of a made trip."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.battery_world import make_world
from tests.support.cases import make_record

from campledger.estimate.sensor_alive import stuck_runs
from campledger.estimate.sensor_truth import (
    charge_from_nowhere,
    combine_scale,
    confusion,
    day_rests,
    full_balance,
    full_pairs,
    load_answers,
    wrong_way,
)
from campledger.estimate.steps import slope_through_zero
from campledger.estimate.trip import estimate_trip
from campledger.judge.finding import Verdict
from campledger.judge.fitout import judge_fitout
from campledger.model.rig import Load
from campledger.model.series import Series


def test_load_steps_are_paired_where_nothing_else_moved():
    load = np.array([4.0, 4.0, -4.0, 4.0])
    sources = np.array([0.0, 3.0, 0.1, 0.0])
    house = -2.0 * load
    free = np.array([True, True, True, False])
    expected, seen = load_answers(load, sources, house, free)
    np.testing.assert_allclose(expected, [-4.0, 4.1])
    np.testing.assert_allclose(seen, [-8.0, 8.0])


@pytest.mark.parametrize("ratio", [0.1, 0.5, 2 / 3, 0.75, 4 / 3, 1.5, 2.0, 10.0])
def test_a_wrong_ratio_is_found_and_named(ratio):
    rng = np.random.default_rng(3)
    step = rng.choice([-4.0, 4.0], 40)
    line = slope_through_zero(-step, -ratio * step + rng.normal(0, 0.02, 40))
    fit = combine_scale([("fridge", line)], np.zeros(3), None)
    assert fit.ratio.value == pytest.approx(ratio, rel=0.02)
    assert not fit.complete
    assert confusion(fit.ratio.value)
    assert confusion(0.9) == ""


def test_few_steps_leave_the_minutes_or_nothing():
    line = slope_through_zero(np.array([4.0, -4.0]), np.array([4.0, -4.0]))
    assert combine_scale([("fridge", line)], np.zeros(3), None).each == ()
    rest = np.linspace(-8.0, 20.0, 400)
    fit = combine_scale([], 0.5 * rest + 0.2, rest)
    assert fit.ratio.value == pytest.approx(0.5, abs=0.01)
    assert fit.offset == pytest.approx(0.2, abs=0.02)


def test_a_circuit_that_reads_below_zero():
    value = np.concatenate((np.full(300, -7.0), np.zeros(500), [np.nan]))
    assert wrong_way(value) == (1.0, 300)
    assert wrong_way(-value)[0] == 0.0
    assert np.isnan(wrong_way(np.zeros(100))[0])


def test_charge_that_nobody_gave_bounds_the_zero():
    charging = np.where(np.arange(3000) % 1000 < 400, 12.0, 0.0)
    current = charging - 0.2 + 0.5
    least, nights = charge_from_nowhere(current, charging)
    # What stays unknown is the standing draw: the bound is below the truth of 0.5 A.
    assert least == pytest.approx(0.3, abs=1e-9)
    assert nights == 3
    assert charge_from_nowhere(current - 0.5, charging)[0] < 0.0
    assert np.isnan(charge_from_nowhere(current, np.full(3000, np.nan))[0])
    assert np.isnan(charge_from_nowhere(current[:5], charging[:5] * 0.0)[0])


def test_full_to_full_is_summed_in_closed_form():
    minute = np.arange(0.0, 3 * 86400.0, 60.0)
    hour = (minute / 3600.0) % 24.0
    current = np.where(hour < 6.0, 10.0, -2.0)
    fulls = [(6.0, 6.5), (30.0, 30.5), (33.0, 33.5), (54.0, 54.5)]
    pairs = full_pairs([(3600 * a, 3600 * b) for a, b in fulls])
    assert len(pairs) == 2  # the one three hours later is no cycle
    sums = full_balance(minute, current, pairs[:1])
    assert sums.cycles == 1
    assert sums.hours == 24.0
    assert sums.taken == pytest.approx(60.0, abs=0.2)  # one minute at an end
    assert sums.given == pytest.approx(36.0, abs=0.2)
    assert full_balance(minute, 0.0 * current, pairs).cycles == 0


def test_days_leave_what_was_not_counted():
    day = np.repeat([0.0, 1.0, 2.0], [1440, 1440, 200])
    current = np.full(len(day), -1.0)
    soc = 1.0 - np.arange(len(day)) * (1.2 / 60.0) / 100.0  # 0.2 A more than counted
    rests = day_rests(day, current, np.zeros(len(day)), soc, capacity=100.0)
    assert len(rests) == 2
    assert rests[0].rest == pytest.approx(4.8, abs=0.05)
    assert rests[0].through == pytest.approx(24.0, abs=0.01)


def test_runs_of_one_word():
    value = np.sin(np.arange(4000) / 50.0)
    value[1000:2000] = 3.25
    series = Series(time_utc=np.arange(4000) * 10.0, value=value)
    assert stuck_runs(series, "current") == [(1000, 2000)]
    empty = Series(time_utc=np.zeros(0), value=np.zeros(0))
    assert stuck_runs(empty, "current") == []


@pytest.fixture(scope="module")
def world():
    made = make_world("lfp", seed=21, days=3, drive_hours=4.0, offset=0.0)
    lights = Load(name="lights", kind="lights")  # without a meter
    rig = replace(made.rig, loads=(*made.rig.loads, lights))
    return replace(made, rig=rig), estimate_trip(made.record, rig)


def judged(world, **changes):
    """Judge the fit-out with channels replaced; a function gets the old values."""
    made, estimates = world
    time = made.record.channels["voltage_house_v"].time_utc
    table = {n: s.value.copy() for n, s in made.record.channels.items()}
    for name, make in changes.items():
        table[name] = make(table[name])
    return judge_fitout(make_record(time, table), made.rig, estimates)


def test_a_good_rig_has_no_sensor_fault(world):
    fitout = judged(world)
    bad = [f.id for f in fitout.sensors if f.is_alarm]
    assert bad == []
    assert fitout.corrections == ()
    # The made battery has 11 milliohm and a little of its slow part.
    assert fitout.finding("C35").value == pytest.approx(11.0, rel=0.15)


def test_a_shunt_backwards_is_offered_a_correction(world):
    fitout = judged(world, current_house_a=lambda v: -v)
    assert fitout.finding("C35").verdict == Verdict.FAULT
    (offer,) = fitout.corrections
    assert (offer.channel, offer.scale) == ("current_house_a", -1.0)
    assert "[[correction]]" in offer.text


def test_a_source_backwards_is_found_and_spoils_itself_alone(world):
    fitout = judged(world, current_alternator_a=lambda v: -v)
    found = fitout.finding("C35")
    assert found.verdict == Verdict.FAULT
    assert found.place == "alternator"
    (offer,) = fitout.corrections
    assert (offer.channel, offer.scale) == ("current_alternator_a", -1.0)
    assert 'channel = "current_alternator_a"' in offer.text


def test_a_zero_that_charges_at_night_is_worth_a_look(world):
    found = judged(world, current_house_a=lambda v: v + 1.0).finding("C37")
    assert found.verdict == Verdict.WORTH_A_LOOK
    assert 0.3 < found.value < 1.0
    assert "isolated test" in found.reads
    assert judged(world).finding("C37").verdict == Verdict.CANNOT_TELL
