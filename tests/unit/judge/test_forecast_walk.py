"""The walk in closed form: discharge, taper, cut-off, and what is still wanted."""

from dataclasses import replace

import numpy as np
import pytest
from enough_story import model_of

from campledger.judge.forecast import _kept_near_full
from campledger.judge.forecast_walk import WalkBattery, walk


def battery(soc, *, cut=0.0, tau=5400.0, efficiency=1.0):
    one = np.ones(1)
    return WalkBattery(
        soc=soc * one,
        capacity=100.0 * one,
        acceptance=tau * one,
        soc_full=one,
        soc_cut=cut * one,
        efficiency_low=efficiency,
        efficiency_full=efficiency,
        soc_gassing=0.9,
        draw_cut=0.1,
        draw_hidden=0.0,
        charge_max=50.0,
    )


def flat(value, steps):
    return np.full((steps, 1), float(value))


def test_constant_draw():
    paths = walk(battery(0.92), flat(2.0, 34), flat(0.0, 34), 0.0)
    assert paths.soc[-1, 0] == pytest.approx(0.58, rel=1e-12)  # 2 A for 17 h
    assert paths.net[-1, 0] == pytest.approx(-34.0, rel=1e-12)
    assert paths.time_utc[-1] == 17 * 3600.0


def test_a_short_last_step():
    length = np.array([1800.0, 600.0])
    paths = walk(battery(0.5), flat(3.0, 2), flat(0.0, 2), 0.0, length)
    assert paths.net[-1, 0] == pytest.approx(-2.0, rel=1e-12)  # 3 A for 40 min


def test_acceptance_tapers_exponentially():
    steps = 6
    paths = walk(battery(0.8), flat(0.0, steps), flat(100.0, steps), 0.0)
    expected = 1.0 - 0.2 * np.exp(-steps * 1800.0 / 5400.0)
    assert paths.soc[-1, 0] == pytest.approx(expected, rel=1e-9)  # exact solution


def test_never_above_full_and_never_above_the_charge_limit():
    paths = walk(battery(0.2, tau=600.0), flat(0.0, 2), flat(500.0, 2), 0.0)
    assert paths.net[1, 0] == pytest.approx(25.0)  # 50 A for half an hour
    full = walk(battery(1.0), flat(1.0, 4), flat(30.0, 4), 0.0)
    assert np.all(full.soc <= 1.0)
    assert full.net[-1, 0] == pytest.approx(0.0, abs=1e-9)


def test_charging_loss_is_kept_apart():
    paths = walk(battery(0.3, efficiency=0.9), flat(0.0, 2), flat(10.0, 2), 0.0)
    assert paths.net[-1, 0] == pytest.approx(10.0)
    assert paths.soc[-1, 0] == pytest.approx(0.3 + 0.09)


def test_cut_off_stops_the_draw_and_wanted_does_not():
    made = battery(0.22, cut=0.2)
    paths = walk(made, flat(4.0, 40), flat(0.0, 40), 0.0)
    assert paths.soc[-1, 0] == pytest.approx(0.18, abs=0.01)  # then 0.1 A only
    wanted = walk(made, flat(4.0, 40), flat(0.0, 40), 0.0, wanted=True)
    assert wanted.soc[-1, 0] == pytest.approx(0.22 - 0.8, rel=1e-9)  # 4 A for 20 h


def test_loads_come_back_when_charged():
    made = battery(0.2, cut=0.2)
    offer = flat(0.0, 20)
    offer[5:12] = 20.0
    paths = walk(made, flat(4.0, 20), offer, 0.0)
    after = np.diff(paths.net[:, 0])[14:]
    assert np.all(after < -1.5)  # drawing again


def test_hidden_draw_moves_the_state_only():
    made = replace(battery(0.5), draw_hidden=0.5)
    paths = walk(made, flat(0.0, 4), flat(0.0, 4), 0.0)
    assert paths.net[-1, 0] == 0.0
    assert paths.soc[-1, 0] == pytest.approx(0.49)


def test_lead_near_full_keeps_less_than_the_fit_says_and_lithium_does_not():
    model = model_of("agm", efficiency=0.95)
    z = np.linspace(-3.0, 3.0, 7)
    lead = _kept_near_full(model, z, lead=True)
    assert lead[3] == pytest.approx(0.7 * 0.95)  # EFFICIENCY_LOWER
    assert np.all(np.diff(lead) >= 0)
    assert lead.min() >= 0.3
    assert lead.max() <= 0.95
    assert np.all(_kept_near_full(model, z, lead=False) == 0.95)
