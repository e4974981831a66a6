"""A plan before the trip: the same forecast, from the plan alone."""

import numpy as np
import pytest
from enough_story import THURSDAY, rig_of

from campledger.judge.forecast_before import forecast_plan
from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import Load

FRIDGE = Load(name="fridge", kind="fridge", current_on=4.0)


def plan_of(energy, *, days=2.0, drive=None, sun=None):
    every = PlanDay(date=None, drive=drive, sun_hours=sun)
    return Plan(
        name="p",
        start_utc=THURSDAY,
        end_utc=THURSDAY + days * 86400.0,
        utc_offset=0.0,
        opening_soc=1.0,
        every_day=every,
        days=(),
        loads=(PlanLoad(name="fridge", typed="energy", energy=energy),),
        fingerprint="",
    )


def made(plan, **rig):
    return forecast_plan(plan, rig_of([FRIDGE], **rig), np.random.default_rng(1))


def test_a_light_plan_lasts_and_a_heavy_one_does_not():
    light = made(plan_of(128.0))  # 10 A.h a day of 100
    heavy = made(plan_of(512.0))  # 40 A.h a day, floor at half
    assert light.chance_lasts > 0.95
    assert heavy.chance_lasts < 0.05
    assert heavy.spare == pytest.approx(-30.0, abs=8.0)  # 100 - 80 - 50
    assert heavy.low_utc == THURSDAY + 2 * 86400.0


def test_drives_and_sun_of_the_plan_count():
    plain = made(plan_of(512.0))
    driven = made(plan_of(512.0, drive=2 * 3600.0))
    sunny = made(plan_of(512.0, sun=5.0), sun=True)
    assert driven.spare > plain.spare + 15
    assert sunny.spare > plain.spare + 15


def test_the_band_widens_with_time():
    plan = made(plan_of(256.0))
    wide = np.array(plan.soc_hi) - np.array(plan.soc_lo)
    assert wide[-1] > wide[0] > 0
    assert plan.spare_lo < plan.spare < plan.spare_hi
