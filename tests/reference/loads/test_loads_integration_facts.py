"""
Facts of energy metering, facts table section 6, against the metered loads.

S6-05, S6-06, S6-07, S6-08: computed there (derived). S6-12, S6-13: JCGM 100:2008,
clause 5, recomputed with the `uncertainties` package 3.2.3. Metrics: SAE and NEP as in
NILMTK (2014).
"""

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.loads.metered import (
    GAIN_STD,
    INTERVAL_90,
    ZERO_STD,
    metered_load,
)

T0 = 1_750_032_000.0


def use_of(time, current, volts, sampling="point"):
    if sampling == "mean":
        # the first mean's own interval lies inside the trip
        time, current = np.append(T0, time), np.append(0.0, current)
    columns = {"current_fridge_a": current, "voltage_house_v": volts + 0 * time}
    return metered_load(make_record(time, columns, sampling=sampling), "fridge")


@pytest.mark.parametrize("step", [10.0, 60.0])
def test_s6_05_cycling_load(step):
    # 4.6 A for 7 min, 0.05 A for 13 min, 24 h: 39.42 A.h (left rule, exact)
    time = T0 + step * (1 + np.arange(int(86400 / step)))
    phase = (time - step - T0) % 1200
    current = np.where(phase < 420, 4.6, 0.05)
    use = use_of(time, current, 12.5, "mean")
    assert np.nansum(use.charge) == pytest.approx(39.42, abs=0.005)  # printed to 0.01


def test_s6_06_aliasing_is_not_hidden_by_the_arithmetic():
    # 300 s samples in step with the load: 55.80 A.h by the left rule, +41.6 %
    time = T0 + 300.0 * (1 + np.arange(288))
    current = np.where((time - 300 - T0) % 1200 < 420, 4.6, 0.05)
    use = use_of(time, current, 12.5, "mean")
    assert np.nansum(use.charge) == pytest.approx(55.80, abs=0.01)


def test_s6_07_a_hole_is_never_integrated():
    # 2 A at 0-3 min, nothing for 1 h, 6 A from 63 min on: 0.30 A.h measured
    time = T0 + np.concatenate((60.0 * np.arange(4), 3780 + 60.0 * np.arange(3)))
    current = np.where(time < T0 + 600, 2.0, 6.0)
    use = use_of(time, current, 12.5)
    assert np.nansum(use.charge) == pytest.approx(0.30, abs=1e-9)
    assert np.isnan(use.power[30])


def test_s6_08_mean_of_products():
    # half the time 100 A at 12.0 V, half 0 A at 13.0 V: 600 W, not 625 W
    time = T0 + 1 + np.arange(3600.0)
    on = (np.arange(3600) // 60) % 2 == 0
    columns = {
        "current_fridge_a": np.where(on, 100.0, 0.0),
        "voltage_house_v": np.where(on, 12.0, 13.0),
    }
    use = metered_load(make_record(time, columns, sampling="mean"), "fridge")
    assert use.energy.value == pytest.approx(600.0, rel=1e-3)


def test_s6_12_gain_and_zero_add_in_squares():
    # u = sqrt((gain Q)^2 + (zero t)^2), as Q = (gain mean + zero) t in the table
    time = T0 + 60.0 * (1 + np.arange(48 * 60))
    use = use_of(time, 3.5 + 0 * time, 12.0, "mean")
    energy = 48 * 3.5 * 12.0
    u = np.hypot(GAIN_STD * energy, ZERO_STD * 48 * 12.0)
    assert use.energy.value == pytest.approx(energy, rel=1e-3)
    half = 0.5 * (use.energy.hi - use.energy.lo)
    assert half == pytest.approx(INTERVAL_90 * u, rel=1e-2)
