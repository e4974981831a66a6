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
