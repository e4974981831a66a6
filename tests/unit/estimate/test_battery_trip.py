"""Parts of the trip estimate: acceptance in the cold, tables, factors, grids."""

import numpy as np
import pytest
from tests.support.battery_world import make_world

from campledger.estimate.battery.chemistry import CHEMISTRIES
from campledger.estimate.battery.estimate import BETWEEN, estimate_battery
from campledger.estimate.battery.fit import CORRELATION
from campledger.estimate.battery.fit_data import acceptance_time
from campledger.estimate.battery.posterior import SCALE_LEAST


def test_lead_accepts_charge_about_half_as_fast_at_freezing():
    temp = np.array([0.0, 25.0, 40.0])
    time = acceptance_time(temp, tau=np.log(4000.0), lead=True)
    assert time[1] == pytest.approx(4000.0, rel=1e-12)  # same algebra
    assert time[0] / time[1] == pytest.approx(2.0, abs=0.2)  # common practice
    assert np.all(np.diff(time) < 0.0)


def test_lithium_acceptance_is_left_as_it_is():
    time = acceptance_time(np.array([0.0, 30.0]), tau=6.4, lead=False)
    np.testing.assert_allclose(time, np.exp(6.4), rtol=1e-12)  # same algebra


@pytest.mark.parametrize("kind", ["flooded", "agm", "gel"])
def test_lead_tables_run_nearly_straight(kind):
    # A cell's volts are the acid's density + 0.84 (rule, from memory), and density goes
    # straight with charge; printed tables are rounded to 0.05 to 0.1 V.
    soc, volts = np.array(CHEMISTRIES[kind].soc), np.array(CHEMISTRIES[kind].voltage)
    line = volts[0] + (volts[-1] - volts[0]) * soc
    assert np.max(np.abs(volts - line)) < 0.1


def test_printed_agm_tables_lie_in_the_spread():
    # Two printed tables (an owner's manual's bounds; a reference page), V at quarters.
    kind = CHEMISTRIES["agm"]
    for printed in ((12.0, 12.3, 12.6, 12.8), (12.0, 12.3, 12.6, 12.9)):
        for soc, volts in zip((0.25, 0.5, 0.75, 1.0), printed, strict=True):
            middle = np.interp(soc, kind.soc, kind.voltage)
            spread = np.interp(soc, kind.soc, kind.voltage_spread)
            assert abs(volts - middle) <= 1.5 * spread


def test_a_plateau_is_trusted_less_than_a_slope():
    assert CORRELATION["lfp"] >= CORRELATION["lead"]
    assert SCALE_LEAST["lfp"] >= SCALE_LEAST["lead"]


def test_without_a_full_lithium_widens():
    far = make_world("lfp", seed=51, days=3, drive_hours=1.2, start=0.6)
    near = make_world("lfp", seed=51, days=3, drive_hours=4.0, start=0.6)
    wide = estimate_battery(far.record, far.rig)
    told = estimate_battery(near.record, near.rig)
    assert not any(a.kind == "full" for a in wide.anchors)
    assert any(a.kind == "full" for a in told.anchors)
    assert np.mean(wide.soc_hi - wide.soc_lo) > np.mean(told.soc_hi - told.soc_lo)


def test_unknown_capacity_keeps_its_own_spread():
    # Fulls foretold by the rest say nothing of the capacity: no shrinking by them.
    world = make_world("lfp", seed=52, days=3, drive_hours=4.0, capacity=96.0)
    est = estimate_battery(world.record, world.rig)
    assert BETWEEN["lfp"] > 0.9
    assert est.capacity.lo < 96.0 < est.capacity.hi
    assert est.capacity.hi - est.capacity.lo > 8.0  # no knee was reached
