"""All estimates of a trip in one call: shapes, demand, the quick way."""

import sys
from pathlib import Path

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.trip import estimate_trip
from campledger.model.words import Word

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "bench"))
from loads_maker import make_trip


@pytest.fixture(scope="module")
def estimates():
    made = make_trip(3, days=1.0)
    columns = made.columns | {
        "current_fridge_a": made.truth["fridge"] / made.columns["voltage_house_v"]
    }
    time, keep = made.time, slice(None, None, 5)
    dark = (np.arange(len(time)) > 40_000) & (np.arange(len(time)) < 47_000)
    time = time[~dark][keep]
    columns = {k: v[~dark][keep] for k, v in columns.items()}
    record = make_record(time, columns)
    return record, estimate_trip(record, made.rig, opening=0.8, quick=True)


def test_everything_is_on_the_minute_grid(estimates):
    record, trip = estimates
    m = len(record.minute_utc)
    assert trip.not_itemised.shape == (m,)
    assert trip.censored.shape == (m,)
    assert all(x.power.shape == (m,) for x in trip.loads)
    assert all(x.censored.shape == (m,) for x in trip.loads)
    assert set(trip.demand) == {x.name for x in trip.loads}


def test_demand_fills_the_dark_hours_and_leaves_the_rest(estimates):
    record, trip = estimates
    fridge = trip.load("fridge")
    dark = ~(record.minutes["voltage_house_v"].covered > 0)
    assert trip.censored[dark].all()
    assert np.isfinite(trip.demand["fridge"]).all()
    lit = np.isfinite(fridge.power) & ~dark
    assert trip.demand["fridge"][lit] == pytest.approx(fridge.power[lit])


def test_quick_names_only_the_metered(estimates):
    _, trip = estimates
    words = {x.name: x.word for x in trip.loads}
    assert words["fridge"] is Word.MEASURED
    assert words["lights"] is Word.MISSING


def test_the_balance_holds_minute_by_minute(estimates):
    # out = sources - battery = loads + not itemised (contract 0)
    _, trip = estimates
    out = -trip.battery.current_corrected
    for source in trip.sources:
        out = out + source.charge * 60
    itemised = sum(
        np.nan_to_num(x.charge) * 60 for x in trip.loads if x.word is not Word.MISSING
    )
    rest = out - itemised - trip.not_itemised
    assert np.nanmax(np.abs(rest)) < 1e-9
