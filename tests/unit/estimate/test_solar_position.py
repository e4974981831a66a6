"""Position, refraction, rise and set: published examples and closed forms."""

from datetime import UTC, date, datetime

import numpy as np
import pytest

from campledger.estimate.solar_position import (
    refraction,
    solar_noon,
    sun_position,
    sunrise_sunset,
)


def at(*parts):
    return np.array([datetime(*parts, tzinfo=UTC).timestamp()])


def test_example_of_the_nrel_report():
    # NREL/TP-560-34302, Table A5.1: apparent zenith 50.11162, azimuth 194.34024
    zenith, azimuth = sun_position(at(2003, 10, 17, 19, 30, 30), 39.742476, -105.1786)
    apparent = zenith - refraction(90 - zenith)
    assert apparent[0] == pytest.approx(50.1116, abs=0.01)  # class of the series
    assert azimuth[0] == pytest.approx(194.3402, abs=0.01)


@pytest.mark.parametrize(
    ("when", "place", "elevation", "azimuth", "within"),
    [
        # facts S5-04 and S5-05, values of pvlib 0.16.1, apparent elevation
        ((2024, 7, 4, 23, 15), (38.5733, -109.5498), 38.535, 269.867, 0.05),
        ((2024, 1, 15, 4, 0), (-31.95, 115.86), 77.845, 29.65, 0.05),
    ],
)
def test_places_and_hemispheres(when, place, elevation, azimuth, within):
    zenith, around = sun_position(at(*when), *place)
    high = 90 - zenith + refraction(90 - zenith)
    assert high[0] == pytest.approx(elevation, abs=within)
    assert around[0] == pytest.approx(azimuth, abs=3 * within)


@pytest.mark.parametrize(
    ("day", "place", "rise", "down"),
    [
        # facts S5-06: pvlib 0.16.1, +-60 s; UTC here
        (date(2024, 6, 21), (-23.70, 133.88), (20, 21, 46, 19), (21, 8, 26, 31)),
        (date(2024, 6, 21), (59.91, 10.75), (21, 1, 53, 51), (21, 20, 43, 55)),
    ],
)
def test_rise_and_set_of_two_places(day, place, rise, down):
    found = sunrise_sunset(day, *place)
    wanted = [datetime(2024, 6, *x, tzinfo=UTC).timestamp() for x in (rise, down)]
    assert found == pytest.approx(wanted, abs=60)  # asked


def test_no_rise_and_no_set_near_the_poles():
    assert np.isnan(sunrise_sunset(date(2024, 6, 21), 78.2, 15.6)).all()
    assert np.isnan(sunrise_sunset(date(2024, 12, 21), 78.2, 15.6)).all()


def test_the_day_is_the_local_one_on_both_sides_of_the_date_line():
    for longitude in (-179.0, -100.0, 0.0, 100.0, 179.0):
        rise, down = sunrise_sunset(date(2024, 3, 20), 10.0, longitude)
        noon = solar_noon(date(2024, 3, 20), longitude)
        assert noon - 43200 < rise < noon < down < noon + 43200
        assert down - rise == pytest.approx(43200 + 500, abs=300)  # equinox, upper limb


def test_refraction_lifts_the_horizon_by_half_a_degree():
    # Meeus, example 16: 0.5 deg at apparent 0; nothing far below the horizon
    assert refraction(np.array([-0.55]))[0] == pytest.approx(0.55, abs=0.06)
    assert refraction(np.array([-5.0]))[0] == 0
    assert refraction(np.array([90.0]))[0] == pytest.approx(0, abs=0.01)
