"""Unmetered loads end to end: words, intervals, reasons, slow means, partial meters."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.support.cases import LazyMinutes, make_record

from campledger.estimate.loads import estimate_loads
from campledger.model.estimates import Estimate
from campledger.model.integrate import to_minutes
from campledger.model.words import Word

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "bench"))
from loads_maker import make_trip


class Battery:
    def __init__(self, record, *, shift=0.0, half=1.0):
        self.current_corrected = record.minutes["current_house_a"].mean + shift
        self.offset = Estimate(value=shift, lo=shift - half, hi=shift + half)


@pytest.fixture(scope="module")
def made():
    return make_trip(7, days=1.5)


@pytest.fixture(scope="module")
def record(made):
    return make_record(made.time, made.columns)


@pytest.fixture(scope="module")
def found(made, record):
    return estimate_loads(record, made.rig, Battery(record), ())


def true_energy(made, name):
    return made.truth[name].sum() / 3600


def test_the_fridge_is_found_within_two_percent(made, found):
    fridge = found.loads[0]
    assert fridge.word is Word.WORKED_OUT
    assert fridge.energy.value == pytest.approx(true_energy(made, "fridge"), rel=0.02)
    assert fridge.energy.lo < fridge.energy.value < fridge.energy.hi


def test_the_standing_draw_is_refused_when_the_zero_is_unknown(found):
    standby = next(x for x in found.loads if x.name == "standby")
    assert standby.word is Word.MISSING
    assert "shunt's zero" in standby.energy.reason


def test_the_standing_draw_is_given_when_the_zero_is_known(made, record):
    clean = make_trip(7, days=1.0)
    total = sum(clean.truth.values()) / clean.columns["voltage_house_v"]
    columns = {
        "voltage_house_v": clean.columns["voltage_house_v"],
        "current_house_a": -total,
    }
    rec = make_record(clean.time, columns)
    rig = replace(clean.rig, sources=())
    result = estimate_loads(rec, rig, Battery(rec, half=0.005), ())
    standby = next(x for x in result.loads if x.name == "standby")
    assert standby.word is Word.WORKED_OUT
    assert standby.energy.value == pytest.approx(true_energy(clean, "standby"), rel=0.1)


def test_quick_leaves_the_unmetered_out(made, record):
    result = estimate_loads(record, made.rig, Battery(record), (), quick=True)
    assert {x.word for x in result.loads} == {Word.MISSING}
    assert result.loads[0].energy.reason == "not asked for"


def test_without_a_house_shunt_nothing_is_guessed(made):
    columns = {"voltage_house_v": made.columns["voltage_house_v"]}
    rec = make_record(made.time, columns)
    battery = Battery(make_record(made.time, made.columns))
    result = estimate_loads(rec, made.rig, battery, ())
    assert {x.word for x in result.loads} == {Word.MISSING}
    assert "no current of the house battery" in result.loads[0].energy.reason


def test_a_circuit_metered_for_a_while_is_joined(made):
    current = made.truth["fridge"] / made.columns["voltage_house_v"]
    half = len(current) // 2
    columns = made.columns | {
        "current_fridge_a": np.where(np.arange(len(current)) < half, current, np.nan)
    }
    rec = make_record(made.time, columns)
    fridge = estimate_loads(rec, made.rig, Battery(rec), ()).loads[0]
    assert fridge.word is Word.WORKED_OUT
    assert "metered for part of the trip" in fridge.notes
    assert fridge.energy.value == pytest.approx(true_energy(made, "fridge"), rel=0.03)


def test_sixty_second_means_keep_the_fridge(made, record):
    ends = np.arange(np.ceil(made.time[0] / 60) + 1, made.time[-1] // 60) * 60
    columns = {n: to_minutes(s, ends).mean for n, s in record.channels.items()}
    rec = make_record(ends, columns, sampling="mean")
    fridge = estimate_loads(rec, made.rig, Battery(rec), ()).loads[0]
    # laptop and fridge of this trip use the same watts: some runs change hands
    assert fridge.energy.value == pytest.approx(true_energy(made, "fridge"), rel=0.15)


def test_sources_that_no_meter_sees_leave_out_the_time_of_charging(made, record):
    channels = {
        k: v
        for k, v in record.channels.items()
        if k in {"voltage_house_v", "current_house_a"}
    }
    rec = replace(
        record, channels=channels, minutes=LazyMinutes(channels, record.minute_utc)
    )
    fridge = estimate_loads(rec, made.rig, Battery(rec), ()).loads[0]
    if fridge.word is Word.MISSING:
        assert "not measured apart" in fridge.energy.reason
    else:
        assert np.isnan(fridge.power).any()
