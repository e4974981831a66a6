"""Measured figures carried on: rates, hours, air, what was not measured. No source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from enough_story import THURSDAY, estimates_of, load_use, record_of, rig_of

from campledger.judge.plan_next import next_plan
from campledger.model.estimates import FridgeModel
from campledger.model.integrate import to_minutes
from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import Load
from campledger.model.series import Series
from campledger.model.words import Word

OLD = Plan(
    name="Gorge",
    start_utc=THURSDAY,
    end_utc=THURSDAY + 4 * 86400.0,
    utc_offset=0.0,
    opening_soc=1.0,
    every_day=PlanDay(date=None, drive=3600.0, temp_min=1.0, temp_max=2.0),
    days=(),
    loads=(
        PlanLoad(name="fridge", typed="hours", current_on=3.0, hours=6.0),
        PlanLoad(name="kettle", typed="energy", energy=90.0),
    ),
    fingerprint="old",
    text="old text",
)
FRIDGE = FridgeModel(
    name="fridge",
    base=0.0,
    slope=1.65,
    covariance=np.diag([4.0, 0.02]),
    residual_std=1.0,
    difference_min=20.0,
    difference_max=29.0,
    days=5,
    current_running=4.1,
    voltage_mean=12.6,
)


def trip(*, air=True, use=True):
    record = record_of(THURSDAY + 4 * 86400.0, 4, {})
    n = len(record.minute_utc)
    clock = np.arange(n) % 1440
    if air:
        heat = 31.0 + 5.0 * np.sin(clock / 1440.0 * 2.0 * np.pi)
        series = Series(time_utc=record.minute_utc, value=heat, sampling="mean")
        record = replace(
            record,
            minutes={
                **record.minutes,
                "temp_air_c": to_minutes(series, record.minute_utc),
            },
        )
    rig = rig_of([Load(name="fridge", kind="fridge", temp_set=2.0)])
    running = (np.arange(n) % 60) < 29
    made = load_use(
        "fridge", np.where(running, 4.1, 0.0), n, on_share=running.astype(float)
    )
    if not use:
        made = replace(made, word=Word.MISSING)
    estimates = estimates_of(record, charge=80, give=2, draw=2.0)
    estimates = replace(estimates, loads=(made,), fridges=(FRIDGE,) if air else ())
    return record, rig, estimates


def test_amps_and_hours_are_as_measured():
    made = next_plan(*trip(), OLD)
    fridge = next(x for x in made.plan.loads if x.name == "fridge")
    assert fridge.current_on == pytest.approx(4.1)
    assert fridge.hours == pytest.approx(24.0 * 29.0 / 60.0, rel=1e-3)
    assert fridge.figure == "measured"
    assert any("4.10 A for 11.6 h a day, measured" in x for x in made.notes)


def test_the_old_plan_is_not_touched_and_the_new_one_is_not_frozen():
    made = next_plan(*trip(), OLD)
    assert OLD.text == "old text"
    assert (made.plan.fingerprint, made.plan.text) == ("", "")
    assert made.plan.name == "After Gorge"
    assert made.plan.every_day is not None
    assert made.plan.every_day.drive == 3600.0


def test_air_is_the_mean_low_and_high_of_whole_days():
    made = next_plan(*trip(), OLD).plan.every_day
    assert made is not None
    assert (made.temp_min, made.temp_max) == (26.0, 36.0)


def test_what_was_not_measured_is_carried_over_and_said():
    made = next_plan(*trip(), OLD)
    assert OLD.loads[1] in made.plan.loads
    assert "kettle: not measured, carried over as it stood." in made.notes
    unseen = next_plan(*trip(use=False), OLD)
    assert OLD.loads[0] in unseen.plan.loads


def test_b20_duty_now_and_a_range_where_it_is_hotter():
    """Duty 0.48 at 31 degC; 5 K beyond the measured a range, and beyond that a word."""
    notes = next_plan(*trip(), OLD).notes
    assert any("measured up to 31 degC of air" in x for x in notes)
    assert any("beyond 36 degC it is outside what was measured" in x for x in notes)
    (duty,) = [x for x in notes if "duty" in x]
    assert "duty 0.49 at 31 degC on the mean; at 36 degC expect 0." in duty
    lo, hi = (float(x) for x in duty.rstrip(".").split("expect ")[1].split(" to "))
    assert lo < 1.65 * 34.0 / (24.0 * 4.1) < hi


def test_without_air_the_figures_hold_for_such_days():
    made = next_plan(*trip(air=False), OLD)
    assert made.plan.every_day == OLD.every_day
    assert any("air temperature was not measured" in x for x in made.notes)
