"""A real compressor (ACSF1 in aeon 1.6.0, see SOURCE.md): duty, starts, sums."""

from pathlib import Path

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.loads.metered import metered_load
from campledger.estimate.loads.unmetered import unmetered_loads
from campledger.model.estimates import Estimate
from campledger.model.rig import House, Load, Rig

T0 = 1_750_032_000.0
OFF, ON = 10.9, 146.0


def trace():
    """Watts of the real fridge, 365 steps of 10 s."""
    table = np.loadtxt(
        Path(__file__).with_name("acsf1_train_34.csv"), delimiter=",", skiprows=1
    )
    power = table[:, 1]
    on = power > 0.5 * (np.percentile(power, 95) + np.median(power))
    low, high = np.median(power[~on]), np.median(power[on])
    return OFF + (power - low) * (ON - OFF) / (high - low)


def test_duty_and_starts_of_the_real_fridge():
    watts = trace()
    time = T0 + 10.0 * (1 + np.arange(len(watts)))
    columns = {"current_fridge_a": watts / 12.8, "voltage_house_v": 12.8 + 0 * time}
    use = metered_load(make_record(time, columns, sampling="mean"), "fridge")
    duty = np.nansum(use.on_share) / np.isfinite(use.on_share).sum()
    assert duty == pytest.approx(0.323, abs=0.006)  # S10-11, and one part minute
    assert use.starts == pytest.approx(4, abs=1)  # S10-11; the first run is already on
    assert use.energy.value == pytest.approx(watts.sum() / 360, rel=0.01)


class Battery:
    def __init__(self, record):
        self.current_corrected = record.minutes["current_house_a"].mean
        self.offset = Estimate(value=0.0, lo=-1.0, hi=1.0)


def test_the_real_fridge_is_found_behind_one_shunt():
    rng = np.random.default_rng(5)
    shape = 45.0 * (trace() - OFF) / (ON - OFF)
    fridge = np.tile(np.repeat(shape, 10), 24)
    n = len(fridge)
    total = fridge + 2.0 + rng.normal(0, 0.2, n)
    lights = np.zeros(n)
    lights[68_000:80_000] = 12.0
    total = total + lights
    for start in range(25_000, 80_000, 9_000):
        total[start : start + 14] += 62.0
    time = T0 + 1 + np.arange(n)
    columns = {"current_house_a": -total / 13.0, "voltage_house_v": np.full(n, 13.0)}
    record = make_record(time, columns)
    loads = (
        Load(name="fridge", kind="fridge", current_on=3.8),
        Load(name="lights", kind="lights", current_on=0.85),
        Load(name="pump", kind="pump", current_on=5.0),
    )
    rig = Rig(
        name="x",
        timezone="UTC",
        house=House(chemistry="lfp", capacity_rated=100),
        loads=loads,
    )
    uses = unmetered_loads(record, rig, Battery(record), tuple(x.name for x in loads))
    true = fridge.sum() / 3600
    assert uses["fridge"].energy.value == pytest.approx(true, rel=0.02)  # asked: 2 %
    assert uses["lights"].energy.value == pytest.approx(40.0, rel=0.12)
