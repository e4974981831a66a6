"""Stages are read off a record that was made with known ones. No source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from enough_story import model_of

from campledger.estimate.battery.simulate import typical
from campledger.judge.options.stages import (
    Charging,
    held_minutes,
    learned_stages,
    usual_stages,
)

DAY = 1440


def charging(days=3, *, rate=0.8, exponent=0.8, hold=120, volts=14.6, rest=13.5):
    """Each day from 8 to 18 h: taper for ``hold`` minutes at the volts, then float."""
    n = days * DAY
    clock = np.arange(n) % DAY
    lit = (clock >= 480) & (clock < 1080)
    held = (clock >= 480) & (clock < 480 + hold)
    soc, net, seen = np.full(n, 0.7), np.full(n, -1.0), np.full(n, 12.4)
    for day in range(days):
        level = 0.75
        for k in range(day * DAY + 480, day * DAY + 480 + hold):
            net[k] = 100.0 * rate * (1.0 - level) ** exponent
            level += net[k] / 60.0 / 100.0
            soc[k] = level
        after = slice(day * DAY + 480 + hold, day * DAY + 1080)
        soc[after], net[after], seen[after] = level, 0.0, rest
    seen[held] = volts
    return Charging(
        volts=seen,
        net=net,
        soc=soc,
        given=np.where(lit, np.maximum(net, 0.0) + 1.0, 0.0),
        able=np.where(lit, 200.0, 0.0),
        offered=lit,
        engine=np.zeros(n, dtype=bool),
        fresh=clock == 480,
        day=np.floor(np.arange(n) / DAY),
    )


def usual(model, volts=14.4):
    return usual_stages(model, voltage_absorption=volts, voltage_float=13.6)


def test_volts_taper_hold_and_float_come_back():
    model = model_of("agm")
    made = learned_stages(model, charging(), usual(model))
    assert made.voltage_absorption == pytest.approx(14.6)
    assert made.voltage_float == pytest.approx(13.5)
    assert made.hold[0] == pytest.approx(2.0, abs=0.05)
    # The exponent is drawn a little towards 1, the rate follows it.
    assert made.exponent == pytest.approx(0.8, abs=0.06)
    assert made.takes(np.array([0.9]))[0] == pytest.approx(0.8 * 0.1**0.8, rel=0.05)


def test_an_engine_charger_has_its_own_hold():
    model = model_of("agm")
    seen = charging()
    driven = replace(seen, engine=seen.offered)
    made = learned_stages(model, driven, usual(model))
    assert made.hold[1] == pytest.approx(2.0, abs=0.05)
    assert made.hold[0] == usual(model).hold[0]


def test_a_cloud_is_not_the_end_of_absorption():
    """Volts fall because there is no more to give: the hold stays what it was."""
    model = model_of("agm")
    seen = charging(hold=60)
    made = learned_stages(model, replace(seen, able=seen.given), usual(model))
    assert made.hold[0] == usual(model).hold[0]


def test_a_trip_that_held_nothing_leaves_what_is_usual():
    model = model_of("agm")
    seen = charging(volts=13.2, rest=12.9)
    assert learned_stages(model, seen, usual(model)) == usual(model)
    assert not held_minutes(seen, 14.4).any()


def test_a_calm_minute_under_weak_sun_is_no_float():
    model = typical("lfp", 100.0)
    seen = charging(volts=13.4, rest=13.35)
    weak = replace(seen, able=seen.given, soc=np.full(len(seen.soc), 0.6))
    made = learned_stages(model, weak, usual(model))
    assert made.soc_float == usual(model).soc_float


def test_lithium_is_read_by_what_still_went_in():
    """Exponential end of 1 minute: 60 times the missing charge an hour."""
    model = typical("lfp", 100.0)
    n = DAY
    net = np.full(n, -1.0)
    start = 600
    net[start : start + 40] = 30.0 * np.exp(-np.arange(40) / 1.0)
    seen = np.full(n, 13.3)
    seen[start : start + 40] = 14.4
    lit = np.zeros(n, dtype=bool)
    lit[500:700] = True
    made = learned_stages(
        model,
        Charging(
            volts=np.tile(seen, 5),
            net=np.tile(net, 5),
            soc=np.ones(5 * n),
            given=np.tile(np.where(lit, np.maximum(net, 0.0), 0.0), 5),
            able=np.tile(np.where(lit, 40.0, 0.0), 5),
            offered=np.tile(lit, 5),
            engine=np.zeros(5 * n, dtype=bool),
            fresh=np.tile(np.arange(n) == 500, 5),
            day=np.repeat(np.arange(5.0), n),
        ),
        usual(model),
    )
    assert made.rate == pytest.approx(60.0, rel=0.15)  # minutes are coarse for it


def test_usual_taper_is_the_ampere_hour_law_for_lead_and_steeper_for_lithium():
    lead = usual(model_of("agm", acceptance=1.5 * 3600.0))
    assert lead.takes(np.array([0.85]))[0] == pytest.approx(0.1)
    assert usual(typical("lfp", 100.0)).rate > 10.0
