"""Estimates carried on by newer readings stay those of the same trip."""

import numpy as np
import pytest

from campledger.estimate.extend import extend_trip
from campledger.estimate.trip import estimate_trip
from campledger.model.rig import House, Load, Rig, Source
from support.cases import make_record

RIG = Rig(
    name="van",
    timezone="UTC",
    house=House(chemistry="lfp", capacity_rated=100.0, floor=0.2),
    sources=(Source(name="alternator", kind="dcdc", current_rated=25.0),),
    loads=(Load(name="fridge", kind="fridge", current_on=4.0),),
)


def trip(hours):
    t = 1.75e9 + np.arange(1, int(hours * 360)) * 10.0
    fridge = np.where((t // 60) % 20 < 8, 4.2, 0.02)
    drive = np.where((t - 1.75e9) % 86400 < 5400, 20.0, 0.0)
    house = drive - fridge - 0.2
    return make_record(
        t,
        {
            "voltage_house_v": 13.1 + 0.01 * house,
            "current_house_a": house,
            "current_alternator_a": drive,
            "current_fridge_a": fridge,
        },
    )


@pytest.fixture(scope="module")
def kept():
    return estimate_trip(trip(30), RIG)


def test_the_new_minutes_are_counted(kept):
    longer = trip(32)
    made = extend_trip(kept, longer)
    m = len(kept.battery.soc)
    counted = longer.minutes["current_house_a"].charge[m:].sum() / 3600
    moved = (
        made.battery.soc[-1] - made.battery.soc[m - 1]
    ) * kept.battery.capacity.value
    # The offset found and a hidden drain may take up to 0.1 A for two hours.
    assert moved == pytest.approx(counted, abs=0.25)


def test_the_interval_never_shrinks_without_news(kept):
    made = extend_trip(kept, trip(32)).battery
    width = made.soc_hi - made.soc_lo
    assert width[-1] >= width[len(kept.battery.soc) - 1] - 1e-9


def test_the_old_minutes_are_untouched(kept):
    made = extend_trip(kept, trip(32))
    m = len(kept.battery.soc)
    assert np.array_equal(made.battery.soc[:m], kept.battery.soc)
    assert np.array_equal(
        made.loads[0].charge[:m], kept.loads[0].charge, equal_nan=True
    )


def test_metered_loads_go_on(kept):
    longer = trip(32)
    made = extend_trip(kept, longer)
    m = len(kept.battery.soc)
    want = longer.minutes["current_fridge_a"].charge[m:].sum() / 3600
    got = np.nansum(made.load("fridge").charge[m:])
    assert got == pytest.approx(want, rel=0.01)  # the first minute was cut in two


def test_nothing_new_gives_the_same(kept):
    assert extend_trip(kept, trip(30)) is kept


def test_another_trip_is_refused(kept):
    with pytest.raises(ValueError, match="expected minutes of a trip"):
        extend_trip(kept, trip(5))


SUNNY = Rig(
    name="van",
    timezone="UTC",
    house=House(chemistry="lfp", capacity_rated=100.0, floor=0.2),
    latitude=-30.0,
    longitude=0.0,
    sources=(Source(name="solar", kind="solar", power_panel=160.0),),
    loads=(Load(name="fridge", kind="fridge", current_on=4.0),),
)


def sunny(hours, *, metered):
    t = 1.75e9 // 86400 * 86400 + np.arange(1, int(hours * 360)) * 10.0
    fridge = np.where((t // 60) % 20 < 8, 4.2, 0.02)
    hour = np.mod(t, 86400) / 3600
    sun = np.maximum(np.sin((hour - 6.5) / 11 * np.pi), 0.0) * 6.0 * (hour < 17.5)
    columns = {
        "voltage_house_v": np.full(len(t), 13.1),
        "current_house_a": sun - fridge - 0.2,
        "current_fridge_a": fridge,
    }
    if metered:
        columns["current_solar_a"] = sun
    return make_record(t, columns)


def test_possible_sun_never_falls_behind_what_came():
    kept = estimate_trip(sunny(33, metered=True), SUNNY, quick=True)
    made = extend_trip(kept, sunny(35, metered=True)).sources[0]
    assert made.possible_is_lower_bound
    given = np.nansum(made.power) / 60
    assert made.energy_possible.lo <= made.energy_possible.value
    assert made.energy_possible.value >= given * 0.99  # the meter's own zero
    series = np.nansum(made.possible) / 60
    assert series == pytest.approx(made.energy_possible.value, rel=0.001)


def test_sources_without_a_meter_go_on_as_the_least():
    kept = estimate_trip(sunny(33, metered=False), SUNNY, quick=True)
    made = extend_trip(kept, sunny(35, metered=False))
    whole = estimate_trip(sunny(35, metered=False), SUNNY, quick=True)
    m = len(kept.battery.soc)
    got, want = (x.sources[0].charge[m:].sum() for x in (made, whole))
    assert made.sources[0].kind == "net"
    assert got == pytest.approx(want, rel=0.05)  # the offset found may differ a little
    assert np.nanmin(made.not_itemised[m:]) >= -0.06  # the meter's own zero
