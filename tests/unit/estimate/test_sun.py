"""Possible harvest: held back, shaded, silent, placeless; made-up clear days."""

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.clear_sky import panel_normal
from campledger.estimate.sun import estimate_sun, sun_elevation
from campledger.estimate.sun_camps import engine_minutes, find_camps, runs
from campledger.estimate.sun_reference import clear_reference
from campledger.model.rig import House, Rig, Source

LAT, LON, OFFSET = -25.0, 135.0, 9 * 3600.0
START = 1_717_200_000.0 // 86400 * 86400 - OFFSET  # local midnight
DAYS = 4
N = DAYS * 1440
TIME = START + 60.0 * (1 + np.arange(N))
HOUR = np.mod(TIME - 30 + OFFSET, 86400) / 3600
SOLAR = Source(
    name="solar",
    kind="solar",
    power_panel=160.0,
    voltage_absorption=14.4,
    voltage_float=13.6,
)


def minute_record(columns, **more):
    """Minute means; a row before the first minute, so that the grid holds all of it."""
    time = np.concatenate(([START], TIME))
    first = {k: np.concatenate(([v[0]], v)) for k, v in columns.items()}
    return make_record(time, first, **more)


def make_rig(latitude=LAT, longitude=LON, **more):
    house = House(chemistry="lfp", capacity_rated=100.0)
    return Rig(
        name="t",
        timezone="UTC",
        house=house,
        latitude=latitude,
        longitude=longitude,
        sources=(SOLAR, *more.pop("others", ())),
        **more,
    )


def clear(tilt=0.0, azimuth=0.0, watts=130.0):
    return np.nan_to_num(
        clear_reference(TIME - 30, LAT, LON).panel(watts * panel_normal(tilt, azimuth))
    )


def trip(power, voltage=None, load=2.0, **more):
    voltage = np.full(N, 13.1) if voltage is None else voltage
    sun = power / voltage
    columns = {
        "voltage_house_v": voltage,
        "current_solar_a": sun,
        "current_house_a": sun - load,
        **more,
    }
    return minute_record(columns, utc_offset=OFFSET, sampling="mean")


def full_after(possible, hour_full, rng):
    """Hold at 13.60 V from an hour on: the current follows a load that steps."""
    load = np.where(np.mod(np.arange(N), 40) < 15, 4.0, 0.5)
    held = (hour_full < HOUR) & (possible > 13.6 * load + 3)
    power = np.where(held, 13.6 * load, possible)
    voltage = np.where(held, 13.6, 13.25) + rng.normal(0, 0.001, N)
    return power, voltage, load, held


def test_free_sun_is_possible_as_measured():
    power = clear()
    sun = estimate_sun(trip(power), make_rig(), SOLAR)
    assert not sun.held.any()
    assert sun.possible == pytest.approx(power, abs=1e-6)
    assert sun.energy_possible.value == pytest.approx(power.sum() / 60, rel=1e-6)
    assert set(np.unique(sun.state)) <= {0.0, 1.0}


def test_held_back_sun_is_found_and_filled():
    rng = np.random.default_rng(5)
    possible = clear()
    power, voltage, load, held = full_after(possible, 11.0, rng)
    sun = estimate_sun(trip(power, voltage, load), make_rig(), SOLAR)
    wrong = np.sum(sun.held != held)
    assert wrong < 0.08 * held.sum()  # the turns into and out of holding
    truth = possible.sum() / 60
    assert sun.energy_possible.value == pytest.approx(truth, rel=0.06)
    assert sun.energy_possible.lo <= truth <= sun.energy_possible.hi
    assert (sun.state[sun.held] == 2).all()
    assert any("consistent with" in n for n in sun.notes)
    assert not any("lost" in n for n in sun.notes)


def test_the_series_adds_up_to_the_energy():
    rng = np.random.default_rng(5)
    power, voltage, load, _ = full_after(clear(), 11.0, rng)
    sun = estimate_sun(trip(power, voltage, load), make_rig(), SOLAR)
    total = np.nansum(sun.possible) / 60
    assert total == pytest.approx(sun.energy_possible.value, rel=1e-6)  # same minutes
    assert np.all(np.nan_to_num(sun.possible) >= np.nan_to_num(sun.power) - 1e-6)


def test_low_volts_are_never_held_back():
    # taper told from weakness: half the sun, volts far below the set point
    sun = estimate_sun(trip(0.5 * clear()), make_rig(), SOLAR)
    assert not sun.held.any()


def test_heading_of_a_tilted_panel_is_learned():
    power = clear(20.0, 90.0)  # tilted to the east; the rig file says flat
    sun = estimate_sun(trip(power), make_rig(), SOLAR)
    east, _, up = sun.model.facing
    assert np.degrees(np.arctan2(east, up)) == pytest.approx(20.0, abs=8.0)
    bright = power > 20
    assert sun.clear[bright] == pytest.approx(power[bright], rel=0.15)


def test_shade_comes_back_and_cloud_does_not():
    power = clear()
    power = np.where((HOUR > 9) & (HOUR < 10), 0.3 * power, power)
    day3 = np.arange(N) // 1440 == 2
    power = np.where(day3 & (HOUR > 13) & (HOUR < 15), 0.3 * power, power)
    sun = estimate_sun(trip(power), make_rig(), SOLAR)
    assert np.mean(sun.state[(HOUR > 9.2) & (HOUR < 9.8)] == 3) > 0.9
    assert np.mean(sun.state[day3 & (HOUR > 13.2) & (HOUR < 14.8)] == 4) > 0.9


def test_silent_panel_is_off_not_cloudy_and_not_held():
    day2 = np.arange(N) // 1440 == 1
    power = np.where(day2, 0.0, clear())
    sun = estimate_sun(trip(power), make_rig(), SOLAR)
    noon = day2 & (HOUR > 11) & (HOUR < 14)
    assert (sun.state[noon] == 0).all()
    assert any("gave nothing" in n for n in sun.notes)


def test_holes_are_not_recorded_and_stay_out_of_free_time():
    power = clear()
    power[2000:2300] = np.nan
    sun = estimate_sun(trip(power), make_rig(), SOLAR)
    assert (sun.state[2010:2290] == 5).all()


def test_no_latitude_gives_a_lower_bound():
    power = clear()
    sun = estimate_sun(trip(power), make_rig(latitude=None), SOLAR)
    assert sun.is_lower_bound
    assert np.isnan(sun.possible).all()
    assert sun.energy_possible.lo == pytest.approx(power.sum() / 60)
    assert "least" in sun.energy_possible.reason
    assert np.isnan(sun_elevation(trip(power), make_rig(latitude=None))).all()


def test_unmeasured_panel_is_missing():
    record = minute_record({"voltage_house_v": np.full(N, 13.0)})
    sun = estimate_sun(record, make_rig(), SOLAR)
    assert np.isnan(sun.energy_possible.value)


def test_history_by_day_and_hour():
    power = clear()
    power[1440:2880] *= 0.5
    sun = estimate_sun(trip(power), make_rig(), SOLAR)
    assert sun.day_index.shape == (DAYS + 1, 3) or sun.day_index.shape == (DAYS, 3)
    ratio = sun.day_index[1, 1] / sun.day_index[0, 1]
    assert ratio == pytest.approx(0.5, abs=0.02)
    assert sun.hour_index.shape[1] == 24
    assert np.isnan(sun.hour_index[0, 0])


def test_model_gives_clear_power_of_days_to_come():
    sun = estimate_sun(trip(clear()), make_rig(), SOLAR)
    later = sun.model.clear_power(TIME - 30)
    assert later == pytest.approx(sun.clear, rel=0.02, abs=0.5)


def test_runs_and_camps():
    assert runs(np.array([False, True, True, False, True])) == [(1, 3), (4, 5)]
    engine = np.zeros(N)
    engine[3000:3060] = 1
    record = trip(clear(), state_engine=engine)
    rig = make_rig()
    camps = find_camps(record, rig, engine_minutes(record, rig))
    assert [c.first for c in camps] == [0, pytest.approx(3000, abs=2)]


def test_nothing_says_when_the_engine_ran():
    assert np.isnan(engine_minutes(trip(clear()), make_rig())).all()
