"""The line of a cooling load on published data and arithmetic (facts, section 7)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from campledger.estimate.fridge import CoolingHours, fit_line
from campledger.estimate.fridge_warming import saving_share
from campledger.model.estimates import FridgeModel

HERE = Path(__file__).parent


def test_heat_loss_line_of_a_house():
    # facts S7-08: slope -0.3932 (se 0.0196), zero at 17.4 deg: two standard errors
    with (HERE / "heating_weeks.csv").open(encoding="utf-8") as lines:
        table = list(csv.DictReader(lines))
    temp = np.array([float(r["temp_c"]) for r in table])
    gas = np.array([float(r["gas_1000_ft3"]) for r in table])
    n = len(temp)
    hours = CoolingHours(
        start_utc=np.arange(n) * 86400.0,
        rate=gas,
        difference=20.0 - temp,
        sun=np.zeros(n),
        duty=np.full(n, 0.5),
        kind=np.zeros(n),
    )
    line = fit_line(hours, with_sun=False)
    assert line.slope == pytest.approx(0.3932, abs=2 * 0.0196)
    zero = 20.0 + line.base / line.slope
    assert zero == pytest.approx(17.4, abs=0.6)
    assert np.sqrt(line.covariance[1, 1]) > 0.0196 * 0.8  # not surer than the book


def between(low, high):
    """A line through the two test ambients."""
    slope = (high - low) / 16.0
    return FridgeModel(
        name="f",
        base=low - 16.0 * slope,
        slope=slope,
        covariance=np.zeros((2, 2)),
        residual_std=0.0,
        difference_min=16.0,
        difference_max=32.0,
        days=2,
        current_running=4.0,
        voltage_mean=1.0,
    )


def test_between_the_test_ambients():
    # facts S7-03: 0.45 and 0.95 kWh a day at 16 and 32 deg; 0.731 at 25, 0.700 at 24
    line = between(450.0, 950.0)
    assert line.charge_a_day(25.0).value == pytest.approx(731.25)
    assert line.charge_a_day(24.0).value == pytest.approx(700.0)


def test_daily_energy_with_defrost():
    # facts S7-01, UK SI 2021/745 Schedule 14: 0.001 x 24 x (42.5 + 60 / 18.25)
    energy = 0.001 * 24 * (42.5 + 60 / 18.25)
    assert energy == pytest.approx(1.0989, abs=1e-4)


def test_duty_and_load_ratios():
    # facts S7-04 to S7-06
    assert [(24 - t) / 20 for t in (17, 12, 4, -18)] == pytest.approx(
        [0.35, 0.60, 1.00, 2.10]
    )
    assert [(25 - t) / 20 for t in (12, 5, 0, -6, -12, -18)] == pytest.approx(
        [0.65, 1.0, 1.25, 1.55, 1.85, 2.15]
    )
    day = 45 * 0.35 * 24
    assert day == pytest.approx(378)
    assert day / 12.6 == pytest.approx(30.0)


def test_saving_of_a_night_off():
    # job B11, derived: 12 h and 8 h give 27 %
    assert saving_share(8 * 3600.0, 12 * 3600.0) == pytest.approx(0.27, abs=0.005)
