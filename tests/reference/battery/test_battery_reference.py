"""Published values for the battery: see SOURCE.md beside this file."""

from pathlib import Path

import numpy as np
import pytest

from campledger.estimate.battery.chemistry import CHEMISTRIES, open_circuit_table
from campledger.estimate.battery.live_filter import OFFSET, SIZE, SOC, Filters
from campledger.estimate.battery.rating import (
    capacity_factor,
    capacity_factor_linear,
    compensated,
    peukert_capacity,
    peukert_duration,
    peukert_exponent,
)
from campledger.estimate.battery.simulate import efficiency_at, typical
from campledger.estimate.capacity import step_ratios
from campledger.model.integrate import integral
from campledger.model.rig import House
from campledger.model.series import Series

HERE = Path(__file__).parent
HOUR = 3600.0


def read(name):
    return np.genfromtxt(HERE / name, delimiter=",", names=True)


@pytest.mark.parametrize(
    ("volts", "soc"),
    [
        *((12.65, 1.00), (12.45, 0.75), (12.24, 0.50), (12.06, 0.25), (11.89, 0.0)),
        *((12.35, 0.631), (12.15, 0.375), (12.50, 0.813)),
    ],
)
def test_rest_voltage_of_flooded_follows_the_handbook_table(volts, soc):
    # S3-07, S3-08; the table's own points are exact. Between 75 % and full our table
    # carries one more point of the same line, rounded to 10 mV.
    house = House(chemistry="flooded", capacity_rated=100.0)
    share, table = open_circuit_table(house)
    assert np.interp(volts, table, share) == pytest.approx(soc, abs=0.006)


def test_rest_voltage_is_never_trusted_to_better_than_ten_points():
    # S3-09: three published tables spread over 12 points at 12.30 V.
    kind = CHEMISTRIES["flooded"]
    slope = (kind.voltage[-1] - kind.voltage[0]) / 1.0
    spread = min(kind.voltage_spread) / slope
    assert 1.645 * spread > 0.10


def test_peukert_worked_example():
    # S3-01: 120 A.h at 20 h, 120 A, k 1.4: 0.3017 h.
    hours = (
        peukert_duration(120.0, capacity=120.0, duration_rated=20 * HOUR, exponent=1.4)
        / HOUR
    )
    assert hours == pytest.approx(0.3017, rel=0.005)


@pytest.mark.parametrize("exponent", [1.0, 1.2, 1.4])
def test_peukert_at_the_rated_current_is_the_rating(exponent):
    # S3-02, S3-03: the form without the rated time would say 14.5 h at k 1.2.
    kwargs = {"capacity": 100.0, "duration_rated": 20 * HOUR, "exponent": exponent}
    assert peukert_duration(5.0, **kwargs) == pytest.approx(20 * HOUR, rel=1e-12)
    assert peukert_capacity(5.0, **kwargs) == pytest.approx(100.0, rel=1e-12)


@pytest.mark.parametrize(
    ("current", "charge"), [(10, 93.3), (20, 87.1), (50, 79.4), (100, 74.1)]
)
def test_peukert_capacity_table(current, charge):
    # S3-04: computed from the law; the published table is wrong.
    got = peukert_capacity(
        current, capacity=100.0, duration_rated=20 * HOUR, exponent=1.1
    )
    assert got == pytest.approx(charge, abs=0.2)


def test_peukert_exponent_from_two_rates():
    # S3-05.
    got = peukert_exponent((5.0, 25.0), (20 * HOUR, 3 * HOUR))
    assert got == pytest.approx(1.1787, abs=0.001)


def test_peukert_refuses_no_current():
    with pytest.raises(ValueError, match=r"current 0\.0 A"):
        peukert_duration(0.0, capacity=100.0, duration_rated=HOUR, exponent=1.1)


def test_charge_voltage_compensation():
    # S3-13 (2.30 V a cell, -3 mV a cell and kelvin) and S3-14 (12 V).
    assert compensated(2.30, 35.0, per_k=-0.003) == pytest.approx(2.27, abs=1e-12)
    assert compensated(2.30, 15.0, per_k=-0.003) == pytest.approx(2.33, abs=1e-12)
    assert compensated(14.40, 35.0, per_k=-0.018) == pytest.approx(14.22, abs=1e-12)
    assert compensated(14.40, 35.0, per_k=-0.030) == pytest.approx(14.10, abs=1e-12)


@pytest.mark.parametrize(
    ("temp", "change"),
    [(0, -16), (5, -12), (10, -10), (15, -6), (20, -1), (25, 0), (30, 3), (40, 5)],
)
def test_capacity_against_temperature(temp, change):
    # S3-15.
    assert capacity_factor(temp) == pytest.approx(1 + change / 100, abs=1e-12)


def test_linear_capacity_factor():
    # S3-16: 0.88 at 0 Cel against 20 Cel at the 20 h rate, 0.80 at the fast rate.
    slow = capacity_factor_linear(0.0, temp_reference=20.0)
    fast = capacity_factor_linear(0.0, temp_reference=20.0, per_k=0.01)
    assert slow == pytest.approx(0.88, abs=1e-12)
    assert fast == pytest.approx(0.80, abs=1e-12)


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel"])
def test_lead_efficiency_falls_near_full_and_is_high_below(chemistry):
    # S3-24: above 95 % at low state of charge, falling off near full.
    model = typical(chemistry, 100.0)
    low, top = efficiency_at(model, np.array([0.3, 1.0]))
    assert low > 0.95
    assert top < 0.90


def test_lithium_efficiency_is_about_99():
    # S3-25: 100 A.h out need about 101 in.
    assert efficiency_at(typical("lfp", 100.0), np.array([0.5]))[0] > 0.985


def test_charge_of_a_measured_discharge():
    # S10-09: trapezoid of current over time equals the data's own charge column.
    data = read("charge_rough.csv")
    series = Series(time_utc=data["seconds"], value=data["amps"])
    total, _ = integral(series, float(data["seconds"][0]), float(data["seconds"][-1]))
    assert abs(total) / HOUR == pytest.approx(0.0220557, abs=1e-7)
    assert abs(total) / HOUR == pytest.approx(abs(data["ah"][-1]), abs=1e-9)


def test_resistance_of_a_measured_load_step():
    # S10-10: 4.026181 to 3.972276 V for 3.2 mA: 16.85 ohm. Scaled by 1e3 in current,
    # because a coin cell's step is below any step that a vehicle's shunt can see.
    data = read("load_step.csv")
    ratios = step_ratios(data["seconds"], 1e3 * data["amps"], data["volts"], hole=20.0)
    at = int(np.argmin(np.abs(data["seconds"][ratios[:, 0].astype(int)] - 8280.003)))
    assert 1e3 * ratios[at, 1] == pytest.approx(16.85, abs=0.01)


def test_live_filter_equals_the_joint_gaussian_on_its_linear_part():
    # Charge balance with unknown offset and two soft anchors: the filter's mean and
    # spread must be those of the joint Gaussian solved at once (no source: algebra).
    house = House(chemistry="lfp", capacity_rated=100.0, capacity_now=100.0)
    filters = Filters(house, (0.5, 0.1))
    filters.p[:, SIZE, :] = filters.p[:, :, SIZE] = 0.0  # the capacity is certain here
    size = float(filters.capacity[0])
    start = filters.x[0, [SOC, OFFSET]].copy()
    prior = np.diag(filters.p[0, [SOC, OFFSET], [SOC, OFFSET]])
    hours, noise = 10.0, 0.0
    for _ in range(120):
        before = filters.p[0, SOC, SOC]
        cross = filters.p[0, SOC, OFFSET]
        offset = filters.p[0, OFFSET, OFFSET]
        filters.count(300.0 / HOUR, 0.0, 0.0)
        per = 300.0 / HOUR / size
        grown = before + 2 * per * cross + per**2 * offset
        noise += float(filters.p[0, SOC, SOC] - grown)
    filters.correct_soc(0.45 - filters.x[:, SOC], np.full(1, 1e-4))
    design = np.array([[1.0, hours / size]])
    total = (design @ prior @ design.T).item() + 1e-4
    gain = (prior @ design.T).ravel() / total
    wanted = start + gain * (0.45 - (design @ start).item())
    # 1e-3: the offset's slow walk, absent from the joint solution, is the difference.
    final = filters.x[0, [SOC, OFFSET]]
    soc = wanted[0] + wanted[1] * hours / size
    assert final[0] == pytest.approx(soc, abs=1e-3)
    assert noise == pytest.approx(0.0, abs=1e-7)
