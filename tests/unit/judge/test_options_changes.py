"""Changes: a mended charger gives its rating, an inverter replaced loses its idle."""

import numpy as np
import pytest

from campledger.estimate.trip import estimate_trip
from campledger.judge.options.changes import apply_change, inverter_by_12v
from campledger.judge.options.replay import prepare_days
from campledger.judge.options.types import Change
from campledger.model.rig import House, Load, Rig, Source
from support.cases import make_record

RIG = Rig(
    name="van",
    timezone="UTC",
    house=House(chemistry="agm", capacity_rated=100.0),
    sources=(Source(name="alternator", kind="dcdc", current_rated=25.0),),
    loads=(Load(name="fridge", kind="fridge", current_on=4.0),),
)


@pytest.fixture(scope="module")
def trip():
    t = 1.75e9 + np.arange(1, 26 * 360) * 10.0
    fridge = np.where((t // 60) % 20 < 8, 4.2, 0.02)
    drive = np.where((t - 1.75e9) % 86400 < 5400, 12.0, 0.0)
    house = drive - fridge
    record = make_record(
        t,
        {
            "voltage_house_v": 12.6 + 0.01 * house,
            "current_house_a": house,
            "current_alternator_a": drive,
            "current_fridge_a": fridge,
        },
    )
    estimates = estimate_trip(record, RIG, quick=True)
    return estimates, prepare_days(record, RIG, estimates)


def test_a_starved_charger_that_is_mended_gives_its_rating(trip):
    estimates, days = trip
    mended = apply_change(Change(fixed="C9"), RIG, estimates, days)
    driving = days.drive > 2.0
    assert mended.drive[driving].min() >= 25.0 * RIG.house.voltage_nominal - 1e-9
    assert np.array_equal(mended.drive[~driving], days.drive[~driving])


def test_another_size_of_charger_scales_what_it_gave(trip):
    estimates, days = trip
    bigger = apply_change(Change(current_charger=50.0), RIG, estimates, days)
    assert np.allclose(bigger.drive, 2.0 * days.drive)


def test_sun_is_refused_where_none_was_recorded(trip):
    estimates, days = trip
    setup = apply_change(Change(power_panel=200.0), RIG, estimates, days)
    assert "no sun was recorded" in setup.refused


def test_idle_is_gone_with_the_inverter():
    # Source: arithmetic; 60 W into an inverter of 7.2 W idle and 85 % leaves 44.9 W.
    assert inverter_by_12v(np.array([60.0]), 7.2)[0] == pytest.approx(44.88)
