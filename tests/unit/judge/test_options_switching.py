"""The volts at which loads go and come back, and what fridges take after they were off.

No source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from enough_story import THURSDAY, estimates_of, model_of, record_of, rig_of

from campledger.judge.options.replay import steady_cooling
from campledger.judge.options.switching import learned_switching, model_volts
from campledger.model.rig import Load

FRIDGE = Load(name="fridge", kind="fridge")


def switched(*, holes=()):
    """Two days: off from minute 1000 to 1300 at 20 %, back at 50 %."""
    record = record_of(THURSDAY + 2 * 86400.0, 2, {})
    rig = rig_of([FRIDGE])
    est = estimates_of(record, charge=50, give=1, draw=5.0, model=model_of())
    n = len(record.minute_utc)
    soc, off = np.full(n, 0.2), np.zeros(n, dtype=bool)
    off[1000:1300] = True
    soc[1290:] = 0.5
    current = np.where(off, 0.0, -5.0)
    current[list(holes)] = np.nan
    censored = off | np.isnan(current)
    battery = replace(est.battery, soc=soc, current_corrected=current)
    demand = np.where(off, 20.0, 20.0)
    demand[1300:1500] = 60.0
    est = replace(est, battery=battery, censored=censored, demand={"fridge": demand})
    return record, rig, est, np.full(n, 25.0)


def test_volts_of_the_model_are_learned_not_those_of_a_dip():
    _, rig, est, warm = switched()
    cutoff, reconnect = learned_switching(est, warm, rig)
    model = est.battery.model
    assert cutoff == pytest.approx(model_volts(model, 0.2, -5.0, 25.0))
    assert reconnect == pytest.approx(model_volts(model, 0.5, 0.0, 25.0))


def test_a_lost_minute_while_off_is_no_reconnection():
    _, rig, est, warm = switched(holes=(1100, 1101, 1200))
    _, plain_rig, plain, _ = switched()
    assert learned_switching(est, warm, rig) == learned_switching(
        plain, warm, plain_rig
    )


def test_never_off_leaves_the_rig_file():
    record = record_of(THURSDAY, 2, {})
    rig = rig_of([])
    est = estimates_of(record, charge=50, give=1, draw=5.0)
    cutoff, reconnect = learned_switching(est, np.full(2880, 25.0), rig)
    assert cutoff == rig.house.voltage_cutoff
    assert reconnect == pytest.approx(cutoff + 0.8)


def test_volts_far_from_the_rig_file_are_not_believed():
    _, rig, est, warm = switched()
    rig = replace(rig, house=replace(rig.house, voltage_cutoff=9.0))
    assert learned_switching(est, warm, rig)[0] == 9.0


def test_the_pull_down_after_an_off_time_is_not_demand():
    """Off 300 minutes, then 200 minutes at three times the power."""
    record, rig, est, _ = switched()
    steady = steady_cooling(est, rig, record.minute_utc, 0.0)
    assert steady["fridge"] == pytest.approx(np.full(2880, 20.0))


def test_without_an_off_time_nothing_changes():
    record, rig, est, _ = switched()
    est = replace(est, censored=np.zeros(2880, dtype=bool))
    assert steady_cooling(est, rig, record.minute_utc, 0.0) == {}
