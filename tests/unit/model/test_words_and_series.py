"""Words of totals, channel names, and the glossary they are made from."""

import numpy as np
import pytest

from campledger.model.series import Series, minute_grid, parse_channel
from campledger.model.words import Word, weakest


@pytest.mark.parametrize(
    ("parts", "word"),
    [
        ([(95, Word.MEASURED), (5, Word.ASSUMED)], Word.MEASURED),
        ([(85, Word.MEASURED), (15, Word.ASSUMED)], Word.ASSUMED),
        ([(50, Word.TYPED), (50, Word.WORKED_OUT)], Word.WORKED_OUT),
        ([], Word.MISSING),
    ],
)
def test_a_total_inherits_the_weakest_word_above_a_tenth(parts, word):
    # Source: the project's contract, section 0.
    assert weakest(parts) is word


@pytest.mark.parametrize(
    ("name", "quantity", "place", "qualifier"),
    [
        ("voltage_house_v", "voltage", "house", ""),
        ("voltage_solar_panel_v", "voltage", "solar", "panel"),
        ("temp_fridge_space_c", "temp", "fridge", "space"),
        ("voltage_house_cell12_v", "voltage", "house", "cell12"),
        ("current_house_battery2_a", "current", "house", "battery2"),
        ("state_engine", "state", "engine", ""),
        ("speed_vehicle_mps", "speed", "vehicle", ""),
        ("voltage_alternator_in_v", "voltage", "alternator", "in"),
    ],
)
def test_channel_names_are_taken_apart(name, quantity, place, qualifier):
    got = parse_channel(name)
    assert (got.quantity, got.place, got.qualifier) == (quantity, place, qualifier)


@pytest.mark.parametrize(
    "name",
    ["voltage_house", "voltage_house_a", "volts_house_v", "current_House_a", "x"],
)
def test_other_names_are_no_channels(name):
    assert parse_channel(name) is None


def test_a_hole_is_three_intervals_but_at_least_five_seconds():
    quick = Series(time_utc=np.arange(10.0), value=np.zeros(10))
    slow = Series(time_utc=np.arange(10) * 60.0, value=np.zeros(10))
    assert (quick.hole, slow.hole) == (5.0, 180.0)


def test_between_excludes_the_start_and_includes_the_end():
    s = Series(time_utc=np.arange(5.0), value=np.arange(5.0))
    assert list(s.between(1.0, 3.0).value) == [2.0, 3.0]


def test_the_minute_grid_covers_the_trip():
    grid = minute_grid(61.0, 180.5)
    assert list(grid) == [120.0, 180.0, 240.0]
