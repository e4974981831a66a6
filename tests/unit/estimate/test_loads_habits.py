"""Habits: hazards, first models, what a temporary meter teaches."""

import numpy as np
import pytest

from campledger.estimate.loads.habits import (
    BASE,
    HABITS,
    OTHER,
    build_model,
    first_models,
    hazard,
    time_axis,
)
from campledger.estimate.loads.teach import learn_from_meter
from campledger.model.rig import LOAD_KINDS, House, Load, Rig
from campledger.model.series import Series


def test_every_kind_that_can_be_told_apart_has_habits():
    assert set(LOAD_KINDS) - {"logger", "standby"} == set(HABITS)


def test_half_of_the_runs_end_by_the_median_but_for_the_odd_ones():
    _, total = hazard(600.0, 0.5)
    survival = np.exp(-np.interp(600.0, time_axis(), total))
    assert survival == pytest.approx(0.54, abs=0.02)  # 0.5 + half of 8 % odd runs


def test_what_lasted_long_still_ends():
    rise, _ = hazard(600.0, 0.5)
    assert rise[-1] >= np.log(1.0 / (6 * 3600)) - 1e-9


def test_first_models_hold_standing_draw_loads_and_the_unknown():
    rig = Rig(
        name="x",
        timezone="UTC",
        house=House(chemistry="lfp", capacity_rated=100),
        loads=(
            Load(name="fridge", kind="fridge", current_on=4.0),
            Load(name="inverter", kind="inverter", current_idle=0.6),
        ),
    )
    models = first_models(rig, ("fridge", "inverter"), 13.0)
    assert [m.name for m in models] == [BASE, "fridge", "inverter", OTHER]
    assert models[1].mean[0] == pytest.approx(52.0)
    assert models[2].mean[-1] == pytest.approx(7.8)
    for m in models:
        assert np.exp(m.log_weight).sum() == pytest.approx(1.0)


def test_a_temporary_meter_teaches_level_and_durations():
    n = 20_000
    value = np.where(np.arange(n) % 1500 < 500, 3.7, 0.02)
    value[15_000:] = np.nan
    lesson = learn_from_meter(
        "fridge", Series(time_utc=np.arange(n, dtype=float), value=value)
    )
    assert lesson.current == pytest.approx(3.7)
    assert np.median(lesson.on_times) == pytest.approx(500, abs=2)
    plain = build_model("fridge", "fridge", 60.0, HABITS["fridge"])
    taught = lesson.teach(plain, 13.0)
    assert taught.mean[0] == pytest.approx(3.7 * 13.0)
    assert taught.habit.on_time == pytest.approx(500, abs=2)


def test_a_meter_that_never_saw_it_run_teaches_nothing():
    series = Series(time_utc=np.arange(100.0), value=np.zeros(100))
    assert learn_from_meter("fan", series) is None
