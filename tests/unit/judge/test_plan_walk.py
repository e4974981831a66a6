"""A plan on paper: its balance adds up, and it meets what a full battery refuses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from enough_story import THURSDAY, rig_of

from campledger.judge.campday import camp_days
from campledger.judge.plan_walk import planned_sun, walk_plan
from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import Source

HOUR = 3600.0


def plan_of(days=3, *, amps=2.0, hours=10.0, sun=None, drive=None, opening=1.0):
    return Plan(
        name="paper",
        start_utc=THURSDAY + 6 * HOUR,
        end_utc=THURSDAY + 6 * HOUR + days * 86400.0,
        utc_offset=0.0,
        opening_soc=opening,
        every_day=PlanDay(date=None, sun_hours=sun, drive=drive),
        days=(),
        loads=(PlanLoad(name="fan", typed="hours", current_on=amps, hours=hours),),
        fingerprint="x",
    )


def walked(plan, rig, capacity=100.0):
    days = camp_days(plan.start_utc, plan.end_utc, rig, plan, 0.0)
    return walk_plan(plan, rig, days, capacity=capacity)


def test_loads_alone_take_what_was_typed():
    made = walked(plan_of(), rig_of([]))
    total = sum(d.loads["fan"].charge for d in made)
    assert total == pytest.approx(60.0, rel=1e-6)
    # The typical AGM hides 6 mA a 100 A.h: 0.43 A.h in three days.
    assert made[-1].carried_forward == pytest.approx(100.0 - 60.0 - 0.43, abs=0.02)


def test_each_day_carries_on_where_the_last_one_ended():
    made = walked(plan_of(), rig_of([]))
    left = [100.0, *(d.carried_forward for d in made)]
    for before, after, day in zip(left[:-1], left[1:], made, strict=True):
        assert before - after == pytest.approx(day.loads["fan"].charge, abs=0.2)


def test_a_full_battery_refuses_and_what_it_refused_is_told():
    rig = rig_of([], sun=True, charger=0.0)
    made = walked(plan_of(amps=0.5, sun=5.0), rig)
    offered = planned_sun(PlanDay(date=None, sun_hours=5.0), rig.sources[0], 13.6)
    # Whole days stand in full, parts of days for their part of the sun.
    used = made[1].sources["solar"].charge
    assert used < 0.3 * offered.charge
    assert used + made[1].unused == pytest.approx(offered.charge, rel=0.02)


def test_an_empty_battery_takes_it_all():
    rig = rig_of([], sun=True, charger=0.0, chemistry="lfp")
    made = walked(plan_of(amps=4.0, hours=12.0, sun=3.0, opening=0.5), rig)
    assert made[0].unused == pytest.approx(0.0, abs=0.01)


def test_drives_come_whole_and_taper_on_lead():
    """Ampere-hour law with the usual 4000 s: the last charge is slow."""
    rig = rig_of([], charger=25.0)
    lead = walked(plan_of(1, amps=0.0, drive=2 * HOUR, opening=0.6), rig)
    gained = sum(d.sources["alternator"].charge for d in lead)
    assert 30.0 < gained < 50.0
    lithium = replace(rig, house=replace(rig.house, chemistry="lfp"))
    more = walked(plan_of(1, amps=0.0, drive=2 * HOUR, opening=0.4), lithium)
    assert sum(d.sources["alternator"].charge for d in more) == pytest.approx(
        50.0, abs=0.5
    )


def test_the_low_point_is_the_least_of_the_day():
    made = walked(plan_of(sun=5.0, amps=3.0), rig_of([], sun=True, charger=0.0))
    for day in made:
        assert day.low_point.spare <= day.in_hand + 1e-9
        assert day.low_point.soc * 100.0 - 50.0 == pytest.approx(day.low_point.spare)


def test_paper_never_cuts_off_and_never_goes_below_nought():
    made = walked(plan_of(amps=20.0, hours=24.0), rig_of([]))
    assert made[-1].carried_forward == pytest.approx(0.0, abs=1e-9)
    assert np.isfinite(made[-1].low_point.time_utc)


def test_no_days_give_nothing():
    assert walk_plan(plan_of(), rig_of([]), (), capacity=100.0) == ()


@pytest.mark.parametrize(
    ("regulator", "charge"), [("mppt", 120 * 5 * 0.75 / 13.0), ("pwm", 120 / 18 * 5)]
)
def test_planned_sun_of_a_panel(regulator, charge):
    """120 W, 5 h: about 34 and 33 A.h. Common practice, no source."""
    source = Source(name="s", kind="solar", power_panel=120.0, regulator=regulator)
    made = planned_sun(PlanDay(date=None, sun_hours=5.0), source, 13.0)
    assert made.charge == pytest.approx(charge)
    assert round(made.charge) in (33, 35)


def test_no_sun_typed_is_no_sun():
    source = Source(name="s", kind="solar", power_panel=120.0)
    assert planned_sun(None, source, 13.0).charge == 0.0
