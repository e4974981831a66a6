"""Censored minutes and demand filled from like hours."""

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.loads.censored import fill_like_hours, find_censored, runs
from campledger.estimate.loads.metered import metered_load
from campledger.model.rig import House, Load, Rig

T0 = 1_750_032_000.0


def trip(days=4, off=(0, 0), volts_off=10.2):
    n = days * 8640
    time = T0 + 10.0 + 10.0 * np.arange(n)
    hour = (time - T0) / 3600
    current = np.where((np.arange(n) % 180) < 60, 3.9, 0.0)
    volts = np.full(n, 12.6)
    hidden = (hour > off[0]) & (hour <= off[1])
    current[hidden] = 0.0
    near = (hour > off[0] - 0.1) & (hour <= off[0] + 0.02)
    if off[1] > off[0]:
        volts[near] = volts_off
    record = make_record(time, {"voltage_house_v": volts, "current_fridge_a": current})
    rig = Rig(
        name="x",
        timezone="UTC",
        house=House(chemistry="agm", capacity_rated=100, voltage_cutoff=10.0),
        loads=(
            Load(name="fridge", kind="fridge", current_on=4.0, voltage_cut_out=10.4),
        ),
    )
    return record, rig


def censored(record, rig):
    use = metered_load(record, "fridge")
    out = np.full(len(record.minute_utc), np.nan)
    return use, find_censored(record, rig, (use,), out)


def test_a_tripped_fridge_is_censored_and_demand_is_filled():
    # story O5: tripped 02:10-07:40 on night 2; what-if uses what other days used
    record, rig = trip(off=(26.17, 31.67))
    use, found = censored(record, rig)
    marked = found.loads["fridge"].sum()
    assert marked == pytest.approx(330, abs=25)
    demand = fill_like_hours(use.power, found.loads["fridge"], record.minute_utc, 0.0)
    per_day = demand[: 4 * 1440].reshape(4, 1440).sum(axis=1) / 60
    assert per_day[1] == pytest.approx(per_day[2], rel=0.04)
    used = np.nansum(use.power[1440:2880]) / 60
    assert used < 0.85 * per_day[1]


def test_a_good_trip_has_nothing_censored():
    record, rig = trip()
    _, found = censored(record, rig)
    assert not found.trip.any()


def test_a_long_pause_with_good_volts_is_a_switch_not_a_cut_out():
    record, rig = trip(off=(26.0, 31.0), volts_off=12.6)
    _, found = censored(record, rig)
    assert not found.loads["fridge"].any()


def test_the_house_cut_off_hides_all_loads():
    n = 3 * 1440
    time = T0 + 60.0 * (1 + np.arange(n))
    out = np.where(np.arange(n) % 40 < 15, 4.0, 0.2)
    volts = np.full(n, 12.4)
    out[2000:2500] = 0.1
    volts[1990:2000] = 11.7
    record = make_record(
        time,
        {"voltage_house_v": volts, "current_house_a": -out},
        sampling="mean",
    )
    rig = Rig(
        name="x",
        timezone="UTC",
        house=House(chemistry="agm", capacity_rated=100, voltage_cutoff=11.7),
    )
    laid = np.interp(record.minute_utc, time, out)
    found = find_censored(record, rig, (), laid)
    # the pauses of the cycle before and after cannot be told from it: 26 + 500 + 20
    assert found.house.sum() == pytest.approx(546, abs=3)


def test_a_dark_logger_is_censored():
    time = T0 + np.concatenate((np.arange(7200.0), 20_000 + np.arange(7200.0)))
    record = make_record(time, {"voltage_house_v": 0 * time + 12.5})
    rig = Rig(name="x", timezone="UTC", house=House(chemistry="agm", capacity_rated=9))
    found = find_censored(record, rig, (), np.full(len(record.minute_utc), np.nan))
    assert found.dark.sum() == pytest.approx((20_000 - 7200) / 60, abs=2)
    assert found.trip.sum() == found.dark.sum()


def test_filling_uses_the_same_hour_and_leaves_the_rest():
    m = 2880
    minute = T0 + 60.0 * (1 + np.arange(m))
    power = np.where((np.arange(m) // 60) % 24 < 12, 10.0, 30.0)
    hidden = np.zeros(m, dtype=bool)
    hidden[800:860] = True
    filled = fill_like_hours(np.where(hidden, 0.0, power), hidden, minute, 0.0)
    assert filled == pytest.approx(power)
    nothing = fill_like_hours(np.full(3, np.nan), np.ones(3, bool), minute[:3], 0.0)
    assert np.isnan(nothing).all()


def test_runs_of_flags():
    assert runs(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert runs(np.zeros(3, bool)) == []
