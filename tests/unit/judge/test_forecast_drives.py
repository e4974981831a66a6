"""What is left of today's drive, drives that did not happen, two legs."""

from datetime import date, timedelta

import numpy as np
import pytest
from enough_story import HOUR, THURSDAY, estimates_of, record_of, rig_of

from campledger.judge.forecast_drives import draw_drives, drive_habits
from campledger.judge.forecast_history import STEP, build_history
from campledger.model.plan import Plan, PlanDay

DAYS = 4
FIRST = date(2026, 4, 30)


def plan_of(hours):
    days = tuple(
        PlanDay(date=FIRST + timedelta(days=k), drive=h * HOUR)
        for k, h in enumerate(hours)
    )
    return Plan(
        name="p",
        start_utc=THURSDAY,
        end_utc=THURSDAY + 10 * 86400.0,
        utc_offset=0.0,
        opening_soc=None,
        every_day=None,
        days=days,
        loads=(),
        fingerprint="",
    )


def history_of(drives, clock, *, charge=60.0):
    """Drives are (day, from, to) in clock hours; asked on the fifth day."""
    at = THURSDAY + DAYS * 86400.0 + clock * HOUR
    record = record_of(at, DAYS + clock / 24.0, {"current_house_a": -2.0})
    volts = np.full(len(record.minute_utc), 12.6)
    for day, begin, end in drives:
        a = THURSDAY + day * 86400.0 + begin * HOUR
        b = THURSDAY + day * 86400.0 + end * HOUR
        volts[(record.minute_utc > a) & (record.minute_utc <= b)] = 14.2
    channels = {"current_house_a": -2.0, "voltage_start_v": volts}
    record = record_of(at, DAYS + clock / 24.0, channels)
    rig = rig_of([])
    made = estimates_of(record, charge=charge, give=3, draw=2.0)
    return build_history(record, rig, made, at), rig


def hours_ahead(history, rig, plan, *, steps=20):
    habits = drive_habits(history, rig, plan)
    rng = np.random.default_rng(2)
    share = draw_drives(history, habits, plan, (), steps, 2000, rng)
    return habits, share.sum(axis=0) * STEP / HOUR, share


def test_a_drive_that_is_done_does_not_come_again():
    history, rig = history_of([(4, 9.0, 11.0)], 13.0)
    habits, hours, _ = hours_ahead(history, rig, plan_of([0, 0, 0, 0, 2.0]))
    assert habits.driven_today == pytest.approx(2 * HOUR)
    assert hours.max() == 0.0


def test_the_rest_of_a_drive_under_way_goes_on_now():
    history, rig = history_of([(4, 9.0, 10.0)], 10.0)
    habits, hours, share = hours_ahead(history, rig, plan_of([0, 0, 0, 0, 3.0]))
    assert habits.driving
    assert np.median(hours[hours > 0]) == pytest.approx(2.0, abs=0.25)
    assert share[0].mean() > 0.8


def test_a_late_drive_begins_soon():
    history, rig = history_of([], 13.0)
    _, hours, share = hours_ahead(history, rig, plan_of([0, 0, 0, 0, 1.0]))
    assert np.median(hours) == pytest.approx(1.0, abs=0.15)
    assert share[8:].max() == 0.0  # begun within two hours


def test_too_late_for_today():
    history, rig = history_of([], 20.0)
    _, hours, _ = hours_ahead(history, rig, plan_of([0, 0, 0, 0, 1.0]), steps=8)
    assert hours.max() == 0.0


def test_planned_drives_that_never_happened_are_doubted():
    history, rig = history_of([], 6.0)
    doubtful = drive_habits(history, rig, plan_of([2.0, 2.0, 2.0, 2.0]))
    assert doubtful.kept < 0.3
    drives = [(k, 9.0, 11.0) for k in range(4)]
    history, rig = history_of(drives, 6.0)
    kept = drive_habits(history, rig, plan_of([2.0, 2.0, 2.0, 2.0]))
    assert kept.kept > 0.98
    assert kept.ratio == pytest.approx(1.0, abs=0.02)
    assert kept.ratio_spread < 0.1


def test_pauses_are_learned():
    drives = [(k, b, b + 1.0) for k in range(4) for b in (9.0, 11.0)]
    history, rig = history_of(drives, 6.0)
    habits = drive_habits(history, rig, plan_of([2.0] * 4))
    assert habits.pauses == pytest.approx((1.0,) * 4)


def test_a_full_battery_says_nothing_about_drives():
    history, rig = history_of([], 6.0, charge=99.0)
    habits = drive_habits(history, rig, plan_of([2.0, 2.0, 2.0, 2.0]))
    assert habits.kept > 0.9
