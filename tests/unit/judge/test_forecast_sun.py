"""Sun from the trip's own skies, drives as planned, cooling by the air."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from enough_story import HOUR, THURSDAY, estimates_of, record_of, rig_of

from campledger.judge.enough_types import Drive
from campledger.judge.forecast_drives import draw_drives, drive_habits
from campledger.judge.forecast_history import (
    STEP,
    build_history,
    clear_of_rig,
    clear_sky,
)
from campledger.judge.forecast_plan import planned_profile
from campledger.judge.forecast_sun import clear_sky_index, draw_sun, sun_pool
from campledger.judge.forecast_temp import cooling_ratio, expected_air
from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import Load, Source

FRIDGE = Load(name="fridge", kind="fridge", temp_set=4.0)
AT = THURSDAY + 4 * 86400.0


def plan_of(days=(), loads=(), every=None):
    return Plan(
        name="p",
        start_utc=AT - 5 * 86400.0,
        end_utc=AT + 5 * 86400.0,
        utc_offset=0.0,
        opening_soc=None,
        every_day=every,
        days=tuple(days),
        loads=tuple(loads),
        fingerprint="",
    )


def history_of(days=4, index=(1.0,), at=AT, loads=(FRIDGE,), **channels):
    """Sun of each day is its index times the clear sky of the rig."""
    record = record_of(at, days, {"current_house_a": -2.0, **channels})
    rig = rig_of(loads, sun=True)
    clear = clear_of_rig(record.minute_utc + STEP / 2, rig, 0.0)
    day = ((record.minute_utc - 30.0 - record.start_utc) // 86400.0).astype(int)
    sun = clear * np.resize(np.array(index), days)[np.minimum(day, days - 1)]
    made = estimates_of(record, charge=80, give=3, draw=2.0, sun=sun)
    return build_history(record, rig, made, at), rig


def rng():
    return np.random.default_rng(4)


def test_index_of_each_day_is_recovered():
    history, _ = history_of(index=(0.3, 0.9, 0.5, 0.7))
    index = clear_sky_index(history).reshape(4, 48)
    # Half hours of the sine and their middle differ by under 1 %.
    assert np.nanmedian(index, axis=1) == pytest.approx([0.3, 0.9, 0.5, 0.7], rel=0.02)
    assert np.isnan(index[:, :10]).all()  # night


def test_coming_sun_has_the_mean_of_the_record_and_none_at_night():
    history, rig = history_of(days=8, index=(0.3, 0.9))
    ends = AT + STEP * np.arange(1, 49)
    clear = clear_of_rig(ends, rig, 0.0)
    sun = draw_sun(sun_pool(history), clear, 3000, rng())
    share = sun.sum(axis=0) / clear.sum()
    assert share.mean() == pytest.approx(0.6, abs=0.06)
    assert sun[:10].max() == 0.0
    lo, hi = np.quantile(share, [0.1, 0.9])
    assert lo < 0.4
    assert hi > 0.75


def test_a_planned_sky_counts_before_the_first_day():
    history, rig = history_of(days=1, index=(0.9,))
    before = history.before(47)
    clear = clear_of_rig(AT + STEP * np.arange(1, 49), rig, 0.0)
    pool = sun_pool(before)
    dull = draw_sun(pool, clear, 500, rng(), np.array([0.2]))
    fine = draw_sun(pool, clear, 500, rng(), np.array([0.9]))
    assert fine.sum() > 2 * dull.sum()


def test_clear_sky_shape():
    source = Source(name="s", kind="solar", power_panel=100.0)
    noon = THURSDAY + 12 * HOUR
    time = noon + HOUR * np.arange(-12, 12)
    flat = clear_sky(time, 0.0, 0.0, source)
    assert flat.argmax() == 12
    assert flat[0] == 0.0
    facing = clear_sky(time, 50.0, 0.0, replace(source, tilt=40.0, azimuth=180.0))
    away = clear_sky(time, 50.0, 0.0, replace(source, tilt=40.0, azimuth=0.0))
    assert facing[12] > away[12]


def test_a_planned_drive_happens_as_long_as_planned():
    history, rig = history_of()
    tomorrow = date(2026, 5, 5)
    plan = plan_of([PlanDay(date=tomorrow, drive=2 * HOUR)])
    habits = drive_habits(history, rig, plan)
    share = draw_drives(history, habits, plan, (), 96, 2000, rng())
    hours = share.sum(axis=0) * STEP / HOUR
    assert np.median(hours) == pytest.approx(2.0, rel=0.1)
    assert habits.current == 25.0  # the rating, nothing seen yet
    clock = np.flatnonzero(share.mean(axis=1) > 0.05) * 0.5 % 24
    assert clock.min() >= 8.0
    assert clock.max() <= 16.0


def test_no_drive_without_a_plan_and_typed_rules_over_planned():
    history, rig = history_of()
    plan = plan_of([PlanDay(date=date(2026, 5, 4), drive=5 * HOUR)])
    habits = drive_habits(history, rig, plan)
    assert draw_drives(history, habits, None, (), 96, 10, rng()).max() == 0.0
    typed = (Drive(start_utc=AT + 9 * HOUR, duration=1.25 * HOUR),)
    share = draw_drives(history, habits, plan, typed, 40, 10, rng())
    assert share.sum(axis=0) * 0.5 == pytest.approx(1.25)


def test_habits_come_from_the_record():
    start = np.full(4 * 1440, 12.6)
    for day in range(4):
        start[day * 1440 + 600 : day * 1440 + 690] = 14.2  # 10:00 to 11:30
    history, rig = history_of(voltage_start_v=start)
    habits = drive_habits(history, rig, plan_of())
    assert habits.starts == pytest.approx((10.25,) * 4)
    assert habits.driven_today == 0.0


def air_of(days, mean, swing=5.0):
    clock = np.arange(days * 1440) / 60.0
    return mean - swing * np.cos(2 * np.pi * (clock - 3.0) / 24.0)


def test_hotter_air_means_more_cooling():
    history, rig = history_of(temp_air_c=air_of(4, 20.0), temp_fridge_c=4.0)
    ends = AT + STEP * np.arange(1, 49)
    same = cooling_ratio(history, rig, None, (), None, ends)
    assert same == pytest.approx(1.0, abs=0.02)
    hot = cooling_ratio(history, rig, None, (), 35.0, ends)
    assert hot == pytest.approx((30.0 - 4.0) / (20.0 - 4.0), abs=0.03)  # mean 30


def test_planned_air_is_trusted_as_far_as_it_came_true():
    history, _ = history_of(temp_air_c=air_of(4, 20.0))
    first = date(2026, 4, 30)
    wrong = [
        PlanDay(date=first + timedelta(days=k), temp_min=25.0, temp_max=35.0)
        for k in range(6)
    ]
    coming = [first + timedelta(days=4)]
    air, usual = expected_air(history, plan_of(wrong), None, coming)
    assert usual == pytest.approx(20.0, abs=0.1)
    assert 20.0 <= air[0] < 25.0  # planned 30, was 10 too warm on every day
    assert np.isnan(expected_air(history_of()[0], None, None, coming)[0]).all()


def test_planned_loads_keep_their_mean_over_the_day():
    loads = [
        PlanLoad(name="fridge", typed="energy", energy=307.2),
        PlanLoad(name="lights", typed="hours", current_on=2.0, hours=6.0),
    ]
    rig = rig_of([FRIDGE, Load(name="lights", kind="lights")])
    plan = plan_of(loads=loads)
    cold = planned_profile(plan, rig, AT, 0.0, cooling=True)
    rest = planned_profile(plan, rig, AT, 0.0, cooling=False)
    assert cold.mean() == pytest.approx(307.2 / 12.8 / 24.0)
    assert rest.mean() == pytest.approx(0.5)
    assert rest[40] > rest[20]  # lights in the evening
    assert planned_profile(None, rig, AT, 0.0, cooling=True) is None
