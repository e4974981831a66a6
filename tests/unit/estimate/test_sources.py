"""Sources: measured apart, measured together, not measured."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.sources import estimate_sources
from campledger.model.rig import House, Load, Rig, Source
from campledger.model.words import Word

START = 1_717_200_000.0 // 86400 * 86400
N = 2880
TIME = START + 60.0 * (1 + np.arange(N))
HOUR = np.mod(TIME, 86400) / 3600
SUN = np.maximum(np.sin((HOUR - 6) / 12 * np.pi), 0) * 8
DRIVE = ((HOUR > 20) & (HOUR < 22)).astype(float)
SOLAR = Source(name="solar", kind="solar", power_panel=160.0)
DCDC = Source(name="alternator", kind="dcdc", current_rated=25.0)
MAINS = Source(name="shore", kind="mains")


def minute_record(columns, **more):
    """Minute means; a row before the first minute, so that the grid holds all of it."""
    time = np.concatenate(([START], TIME))
    first = {k: np.concatenate(([v[0]], v)) for k, v in columns.items()}
    return make_record(time, first, **more)


def make_rig(*sources, latitude=0.0):
    return Rig(
        name="t",
        timezone="UTC",
        house=House(chemistry="lfp", capacity_rated=100.0),
        latitude=latitude,
        longitude=0.0,
        sources=sources,
    )


def record(**columns):
    base = {"voltage_house_v": np.full(N, 13.0)}
    return minute_record({**base, **columns}, sampling="mean")


def test_each_measured_source_by_its_own_meter():
    rec = record(current_solar_a=SUN, current_alternator_a=20 * DRIVE)
    sun, charger = estimate_sources(rec, make_rig(SOLAR, DCDC))
    assert (sun.name, charger.name) == ("solar", "alternator")
    assert sun.word is Word.MEASURED
    assert np.nansum(sun.charge) == pytest.approx(SUN.sum() / 60, rel=1e-9)
    assert np.nansum(charger.power) / 60 == pytest.approx(2 * 2 * 20 * 13, rel=0.02)
    assert np.isnan(charger.energy_possible.value)


def test_taper_is_not_weakness():
    current = np.where(HOUR < 21, 20.0, 8.0) * DRIVE
    full = record(current_alternator_a=current, state_engine=DRIVE)
    full.channels["voltage_house_v"].value[1:] = np.where(HOUR < 21, 13.6, 14.4)
    weak = record(current_alternator_a=current, state_engine=DRIVE)
    weak.channels["voltage_house_v"].value[1:] = 13.2
    late = (HOUR > 21.1) & (HOUR < 21.9)
    (use,) = estimate_sources(full, make_rig(DCDC))
    assert (use.state[late] == 2).all()
    (use,) = estimate_sources(weak, make_rig(DCDC))
    assert (use.state[late] == 1).all()


def test_sum_of_sources_is_split_where_only_one_can_have_given_it():
    total = SUN + 20 * DRIVE
    rec = record(current_charge_a=total, state_engine=DRIVE)
    uses = {u.name: u for u in estimate_sources(rec, make_rig(SOLAR, DCDC))}
    assert uses["solar"].word is Word.WORKED_OUT
    day = SUN > 0.5
    assert uses["solar"].charge[day] == pytest.approx(SUN[day] / 60, rel=0.01)
    assert np.nansum(uses["alternator"].charge) == pytest.approx(80, rel=0.02)
    everything = sum(np.nansum(u.charge) for u in uses.values())
    assert everything == pytest.approx(total.sum() / 60, rel=1e-9)  # nothing lost


def test_sum_stays_together_without_evidence():
    rec = record(current_charge_a=SUN + 20 * DRIVE)
    uses = {u.name: u for u in estimate_sources(rec, make_rig(SOLAR, DCDC))}
    assert "net" in uses
    assert "solar" not in uses  # the engine may have run in daylight
    assert uses["net"].kind == "charge"


def test_mains_can_always_have_given_it():
    rec = record(current_charge_a=SUN, state_engine=0 * DRIVE)
    uses = {u.name for u in estimate_sources(rec, make_rig(SOLAR, MAINS))}
    assert uses == {"net"}


def test_net_of_the_loads_when_nothing_is_measured():
    rec = record(current_house_a=SUN - 2.0, state_engine=DRIVE)
    (use,) = estimate_sources(rec, make_rig(SOLAR, DCDC))
    assert (use.name, use.kind, use.word) == ("net", "net", Word.WORKED_OUT)
    assert np.nansum(use.charge) == pytest.approx(np.maximum(SUN - 2, 0).sum() / 60)
    assert any("only the sun" in n for n in use.notes)


def test_metered_loads_count_into_the_least_that_was_given():
    fridge, lights = 4.0 * (np.mod(np.arange(N), 60) < 20), 1.0
    house = SUN - fridge - lights
    rec = record(current_house_a=house, current_fridge_a=fridge)
    rig = replace(make_rig(SOLAR), loads=(Load(name="fridge", kind="fridge"),))
    (use,) = estimate_sources(rec, rig)
    given, told = SUN / 60.0, np.nan_to_num(use.charge)
    assert np.all(told <= given + 1e-9)  # never more than was given
    bright = (SUN - fridge - lights) > 0
    assert told[bright] == pytest.approx(given[bright] - lights / 60, abs=1e-9)
    rest = told * 60 - house - fridge
    assert rest.min() >= -1e-9  # nothing is used backwards
    assert "at least" in use.notes[0]


def test_volts_alone_give_no_source():
    assert estimate_sources(record(), make_rig(SOLAR)) == ()


def test_power_channel_serves_as_well():
    (use,) = estimate_sources(record(power_shore_w=np.full(N, 130.0)), make_rig(MAINS))
    assert np.nansum(use.charge) == pytest.approx(480.0, rel=0.01)
    assert np.nanmean(use.power) == pytest.approx(130.0)


def test_a_reading_that_stands_still_is_not_recorded():
    current = SUN + np.random.default_rng(1).normal(0, 0.01, N)
    current[700:900] = current[700]  # noon to afternoon of one day
    (use,) = estimate_sources(record(current_solar_a=current), make_rig(SOLAR))
    assert (use.state[705:895] == 5).all()
    assert np.isnan(use.charge[705:895]).all()
    assert any("stood still" in n for n in use.notes)


CHANNELS = {
    "voltage_house_v": (11, 15),
    "current_house_a": (-10, 10),
    "current_solar_a": (-0.1, 9),
    "current_alternator_a": (0, 25),
    "current_charge_a": (0, 30),
    "voltage_start_v": (12, 14.5),
    "state_engine": (0, 1),
    "power_shore_w": (0, 300),
    "temp_air_c": (-5, 40),
}


@pytest.mark.parametrize("seed", range(25))
def test_any_record_gives_arrays_of_its_length(seed):
    # warnings are errors here: no division by nothing, no mean of nothing
    rng = np.random.default_rng(seed)
    n = int(rng.choice([2, 5, 60, 700, 3000]))
    time = START + float(rng.choice([1, 10, 60, 300])) * np.arange(n)
    columns = {}
    for name, (low, high) in CHANNELS.items():
        value = rng.uniform(low, high, n)
        value[rng.random(n) < rng.random() * 0.3] = np.nan
        value = np.full(n, np.nan) if rng.random() < 0.1 else value
        if rng.random() < 0.6:
            columns[name] = value
    if not columns:
        columns = {"voltage_house_v": np.full(n, 13.0)}
    rec = make_record(time, columns, utc_offset=3600.0)
    rig = make_rig(SOLAR, DCDC, MAINS, latitude=float(rng.uniform(-89, 89)))
    for use in estimate_sources(rec, rig):
        assert len(use.power) == len(use.state) == len(rec.minute_utc)
        assert set(np.unique(use.state)) <= {0.0, 1.0, 2.0, 3.0, 4.0, 5.0}
