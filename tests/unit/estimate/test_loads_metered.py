"""Metered loads: sums at the rate of the readings, states, starts, words."""

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.loads.metered import (
    lay_on,
    levels,
    metered_load,
    on_state,
)
from campledger.model.series import Series
from campledger.model.words import Word

T0 = 1.75e9 - 1.75e9 % 3600


def square(period, on, high, low, n):
    phase = np.arange(n) % period
    return np.where(phase < on, high, low)


def test_energy_is_the_mean_of_the_product():
    # S6-08: half the time 100 A at 12.0 V, half 0 A at 13.0 V is 600 W, not 625 W
    n = 7200
    current = square(120, 60, 100.0, 0.0, n)
    volts = square(120, 60, 12.0, 13.0, n)
    record = make_record(
        T0 + 1.0 + np.arange(n),
        {"current_fridge_a": current, "voltage_house_v": volts},
        sampling="mean",
    )
    use = metered_load(record, "fridge")
    assert use.word is Word.MEASURED
    assert use.energy.value == pytest.approx(1200.0, rel=2e-4)  # first reading's second
    assert use.energy.lo < use.energy.value < use.energy.hi
    assert np.nansum(use.charge) == pytest.approx(100.0, rel=2e-4)


def test_duty_starts_and_levels():
    n = 24 * 3600
    current = square(1200, 420, 4.6, 0.05, n)
    record = make_record(
        T0 + np.arange(n),
        {"current_fridge_a": current, "voltage_house_v": 0 * current + 12.5},
    )
    use = metered_load(record, "fridge")
    assert np.nanmean(use.on_share) == pytest.approx(420 / 1200, abs=0.002)
    assert use.starts == 71  # the first cycle is already on
    assert use.current_running == pytest.approx(4.6)
    assert use.current_standing == pytest.approx(0.05)


def test_load_that_never_stops_is_always_on():
    rng = np.random.default_rng(1)
    found = levels(0.30 + rng.normal(0, 0.005, 5000))
    assert found.running == pytest.approx(0.30, abs=0.002)
    assert found.standing == pytest.approx(0.30, abs=0.002)


def test_load_that_never_ran_has_no_threshold():
    rng = np.random.default_rng(2)
    found = levels(rng.normal(0.0, 0.005, 5000))
    assert np.isnan(found.threshold)
    assert not on_state(rng.normal(0.0, 0.005, 50), found.threshold).any()


def test_levels_of_nothing_are_missing():
    assert np.isnan(levels(np.full(3, np.nan)).running)


def test_hysteresis_makes_no_starts_from_noise():
    current = np.array([0, 4.0, 1.9, 2.1, 1.9, 2.1, 0.1, 0.0])
    assert on_state(current, 2.0).tolist() == [
        False,
        True,
        True,
        True,
        True,
        True,
        False,
        False,
    ]


def test_minutes_without_readings_are_missing_not_zero():
    time = T0 + np.concatenate((np.arange(600.0), 1800 + np.arange(600.0)))
    record = make_record(
        time, {"current_fridge_a": 0 * time + 2.0, "voltage_house_v": 0 * time + 12.0}
    )
    use = metered_load(record, "fridge")
    assert np.isnan(use.power[15])
    assert np.isnan(use.charge[15])
    assert np.nansum(use.charge) == pytest.approx(2 * 1198 / 3600, rel=1e-9)


def test_power_channel_serves_as_meter():
    time = T0 + np.arange(3600.0)
    record = make_record(
        time, {"power_fridge_w": 0 * time + 24.0, "voltage_house_v": 0 * time + 12.0}
    )
    use = metered_load(record, "fridge")
    assert use.energy.value == pytest.approx(24.0, rel=1e-3)
    assert np.nansum(use.charge) == pytest.approx(2.0, rel=1e-3)


def test_no_channel_no_meter():
    time = T0 + np.arange(10.0)
    record = make_record(time, {"voltage_house_v": 0 * time + 12.0})
    assert metered_load(record, "fridge") is None


def test_lay_on_does_not_join_across_holes():
    series = Series(
        time_utc=np.array([0.0, 1.0, 2.0, 100.0]), value=np.array([1.0, 2, 3, 4])
    )
    out = lay_on(series, np.array([0.5, 50.0, 100.0]))
    assert out[0] == pytest.approx(1.5)
    assert np.isnan(out[1])
    assert out[2] == pytest.approx(4.0)
