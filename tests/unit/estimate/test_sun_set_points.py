"""Set points are found where the battery really stood, cold or warm."""

import numpy as np
import pytest

from campledger.estimate.sun_set_points import learn_set_points
from campledger.model.rig import Source

SOLAR = Source(
    name="solar",
    kind="solar",
    power_panel=160.0,
    voltage_absorption=14.4,
    voltage_float=13.6,
)


def plateaus(compensation, offset, temp, noise=0.002):
    """Half the minutes at absorption, half at float, each at its temperature."""
    rng = np.random.default_rng(7)
    m = len(temp)
    goal = np.where(np.arange(m) % 200 < 100, 14.4, 13.6) + offset
    return goal + compensation * (25.0 - temp) + rng.normal(0, noise, m)


def marks(m):
    return np.ones(m, bool), np.zeros(m, bool)


# 18 to 30 mV/K for six cells: common practice of chargers for lead batteries, no source
@pytest.mark.parametrize("compensation", [0.0, 0.018, 0.024, 0.030])
def test_what_the_cold_adds_is_found(compensation):
    temp = np.linspace(2.0, 22.0, 1200)
    voltage = plateaus(compensation, 0.02, temp)
    points = learn_set_points(SOLAR, voltage, *marks(1200), temp)
    assert points.compensation == pytest.approx(compensation, abs=0.0031)  # one step
    assert points.absorption == pytest.approx(14.42, abs=0.05)
    assert points.floating == pytest.approx(13.62, abs=0.05)
    assert points.learned == ("absorption", "float")
    held = points.floating + points.rise
    assert np.abs(voltage - held)[100:200].max() < 0.02  # the noise and half a step


def test_without_a_temperature_nothing_is_added():
    temp = np.full(1200, 5.0)
    points = learn_set_points(SOLAR, plateaus(0.0, 0.05, temp), *marks(1200))
    assert points.compensation == 0.0
    assert np.all(points.rise == 0.0)
    assert points.absorption == pytest.approx(14.45, abs=0.005)


def test_without_evidence_the_typed_points_stand():
    nothing = np.zeros(600, bool)
    voltage = np.full(600, 13.1)
    temp = np.linspace(0.0, 20.0, 600)
    points = learn_set_points(SOLAR, voltage, nothing, nothing, temp)
    assert (points.absorption, points.floating) == (14.4, 13.6)
    assert points.compensation == 0.0
    assert points.learned == ()


def test_a_wide_plateau_is_a_battery_at_work():
    rng = np.random.default_rng(3)
    voltage = 13.62 + rng.normal(0, 0.015, 900)
    nothing = np.zeros(900, bool)
    points = learn_set_points(SOLAR, voltage, nothing, ~nothing)
    assert "float" not in points.learned
    tight = learn_set_points(SOLAR, 13.62 + 0 * voltage, nothing, ~nothing)
    assert tight.floating == pytest.approx(13.62, abs=0.003)  # half a bin


def test_missing_temperatures_count_as_the_standard_one():
    temp = np.full(1200, np.nan)
    points = learn_set_points(SOLAR, plateaus(0.0, 0.0, temp * 0), *marks(1200), temp)
    assert np.all(points.rise == 0.0)
