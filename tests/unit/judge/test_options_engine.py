"""
The replay's engine against sums that can be done by hand. No source: arithmetic.

A battery that takes all gives back the measured current to the digit; one that is full
refuses; one that is empty is cut off, comes back, and its fridge catches up.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from enough_story import model_of

from campledger.judge.options.engine import HOURS, Bounds, Flows, Plant, walk
from campledger.judge.options.stages import usual_stages

DAY = 288
BOUNDS = Bounds(voltage_cutoff=11.0, voltage_reconnect=11.5)


def plant(model=None, *, bounds=BOUNDS, sizes=(100.0,), **stages):
    model = model or model_of()
    usual = usual_stages(model, voltage_absorption=14.4, voltage_float=13.6)
    return Plant(
        model=model,
        stages=replace(usual, **stages),
        bounds=bounds,
        capacity=np.array(sizes, dtype=float),
    )


def flows(n=DAY, *, load=0.0, sun=0.0, drive=0.0, always=0.0, volts=12.0, **more):
    def row(x):
        return np.broadcast_to(np.asarray(x, dtype=float), (n,)).copy()

    quiet = np.zeros(n, dtype=bool)
    given = {
        "fresh_sun": quiet,
        "fresh_drive": quiet,
        "cooling": np.zeros(n),
        "currents": True,
        **more,
    }
    return Flows(
        load=row(load),
        always=row(always),
        sun=row(sun),
        drive=row(drive),
        volts=row(volts),
        rest=row(volts),
        temp=row(25.0),
        **given,
    )


def test_what_is_not_held_back_is_exact_to_the_digit():
    load = 24.0 + 12.0 * np.sin(np.arange(DAY))
    made = walk(plant(), flows(load=load, drive=30.0), np.array([0.6]))
    assert np.allclose(made.current[0], (30.0 - load) / 12.0, rtol=1e-12)
    counted = 0.6 + np.cumsum(made.current[0]) * HOURS / 100.0
    assert np.allclose(made.soc[0], counted, atol=1e-9)


def test_current_at_the_held_volts_falls_with_the_missing_charge():
    """Ampere-hour law: missing charge halves every tau * ln 2 at the held volts."""
    held = plant(rate=1.0, exponent=1.0, hold=(99.0, 99.0))
    made = walk(held, flows(drive=12.0 * 60.0), np.array([0.8]))
    start = int(np.argmax(made.current[0] < 59.0))
    missing = 1.0 - made.soc[0]
    steps = round(np.log(2.0) / HOURS)
    ratio = missing[start + steps] / missing[start]
    assert ratio == pytest.approx(0.5, abs=0.03)  # steps of five minutes


def test_absorption_ends_after_its_time_and_float_holds_less():
    short = plant(
        model_of("lfp"), hold=(0.5, 0.5), soc_float=0.9, voltage_rebulk=0.0, rate=60.0
    )
    made = walk(short, flows(load=12.0, sun=240.0), np.array([0.95]))
    assert made.soc[0].max() > 0.999
    assert made.soc[0, -1] == pytest.approx(0.9, abs=0.005)
    assert made.sun_used[0, -1] == pytest.approx(12.0, abs=0.2)


def test_a_fresh_sun_begins_with_absorption_again():
    fresh = np.zeros(2 * DAY, dtype=bool)
    fresh[DAY] = True
    made = walk(
        plant(
            model_of("lfp"),
            hold=(0.5, 0.5),
            soc_float=0.9,
            voltage_rebulk=0.0,
            rate=60.0,
        ),
        flows(2 * DAY, load=12.0, sun=240.0, fresh_sun=fresh),
        np.array([0.95]),
    )
    assert made.soc[0, DAY - 1] < 0.91
    assert made.soc[0, DAY:].max() > 0.999


def test_loads_are_cut_off_and_what_is_always_on_stays():
    """11.0 V at rest is nought in this table; 11.2 V is reached at 11 %."""
    bounds = replace(BOUNDS, voltage_cutoff=11.2, voltage_reconnect=12.0)
    made = walk(plant(bounds=bounds), flows(load=60.0, always=1.2), np.array([0.3]))
    off = made.without_power[0]
    assert off.any()
    assert not off[:10].any()
    after = np.flatnonzero(off)[1:]
    assert np.allclose(made.current[0, after], -0.1)


def test_power_comes_back_above_its_own_volts():
    bounds = replace(BOUNDS, voltage_cutoff=11.2, voltage_reconnect=12.0)
    sun = np.where(np.arange(DAY) > 150, 240.0, 0.0)
    made = walk(plant(bounds=bounds), flows(load=60.0, sun=sun), np.array([0.2]))
    back = np.flatnonzero(~made.without_power[0] & (np.arange(DAY) > 160))
    assert made.without_power[0, 140]
    assert made.soc[0, back[0]] > 0.4


def test_a_fridge_catches_up_after_it_was_off():
    """Heat that came in B = P tau (1 - exp(-h / tau)), tau 12 h, pumped out at 60 W."""
    bounds = replace(BOUNDS, voltage_cutoff=11.2, voltage_reconnect=11.4)
    sun = np.where(np.arange(DAY) > 100, 72.0, 0.0)
    given = {"load": 30.0, "sun": sun}
    start = np.array([0.13])
    plain = walk(plant(bounds=bounds), flows(**given), start)
    caught = walk(
        plant(bounds=bounds),
        flows(**given, cooling=np.full(DAY, 30.0), cooling_most=60.0),
        start,
    )
    hours = plain.without_power[0].sum() * HOURS
    assert hours > 3.0
    more = (plain.current[0] - caught.current[0]).sum() * HOURS * 12.0
    warm = 30.0 * 12.0 * (1.0 - np.exp(-hours / 12.0))
    # dB/dt = -B / tau - 30 W until B = 0, in steps of five minutes.
    assert more == pytest.approx(360.0 * np.log(1.0 + warm / 360.0), rel=0.02)
    draw = (plain.current[0] - caught.current[0]).max() * 12.0
    assert draw == pytest.approx(30.0, abs=0.01)


def test_an_empty_battery_gives_no_more_than_it_has():
    never = Bounds(voltage_cutoff=-1.0, voltage_reconnect=-1.0)
    made = walk(plant(bounds=never), flows(load=120.0), np.array([0.1]))
    assert made.soc[0].min() == 0.0
    assert -made.current[0].sum() * HOURS == pytest.approx(10.0)


def test_more_paths_are_what_each_alone_would_be():
    sizes = (60.0, 100.0, 200.0)
    every = walk(plant(sizes=sizes), flows(load=30.0, sun=60.0), np.full(3, 0.5))
    for k, size in enumerate(sizes):
        alone = walk(plant(sizes=(size,)), flows(load=30.0, sun=60.0), np.array([0.5]))
        assert np.allclose(every.soc[k], alone.soc[0])


def test_gassing_takes_its_share_of_a_held_lead_battery():
    """At 2.4 V a cell and 20 degC exp(11 * 0.17) = 6.49 times that at 2.23 V."""
    model = replace(model_of(), parameters={"gas_full": 0.649})
    held = plant(model, hold=(99.0, 99.0))
    gas = held.gas(np.array([14.4]), 20.0)
    assert gas[0] == pytest.approx(0.649)
    assert held.gas(np.array([2.23 * 6.0]), 20.0)[0] == pytest.approx(0.1, abs=2e-4)
