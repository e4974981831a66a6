"""Camp days: dawn to dawn, checked against an independent sunrise."""

from datetime import UTC, date, datetime, timedelta, timezone
from itertools import pairwise

import pandas as pd
import pvlib
import pytest

from campledger.judge.campday import camp_days, dawn_of
from campledger.model.rig import House, Rig
from campledger.model.words import Word


def rig(latitude=None, longitude=None):
    return Rig(
        name="van",
        timezone="UTC",
        house=House(chemistry="agm", capacity_rated=100.0),
        latitude=latitude,
        longitude=longitude,
    )


@pytest.mark.parametrize(
    ("when", "latitude", "longitude", "offset_h"),
    [
        (date(2024, 6, 21), -23.7, 133.88, 9.5),
        (date(2024, 6, 21), 59.91, 10.75, 2.0),
        (date(2026, 3, 10), -30.6, 138.4, 10.5),
    ],
)
def test_dawn_is_sunrise_within_a_minute(when, latitude, longitude, offset_h):
    # Source: pvlib, NREL solar position algorithm (sun_rise_set_transit_spa).
    dawn, dusk, word = dawn_of(when, rig(latitude, longitude), None, offset_h * 3600)
    zone = timezone(timedelta(hours=offset_h))
    times = pd.DatetimeIndex([pd.Timestamp(when, tz=zone)])
    ref = pvlib.solarposition.sun_rise_set_transit_spa(times, latitude, longitude)
    rises = ref["sunrise"].iloc[0].timestamp()
    falls = ref["sunset"].iloc[0].timestamp()
    assert abs(dawn - rises) <= 60
    assert abs(dusk - falls) <= 60
    assert word is Word.WORKED_OUT


def test_without_a_position_dawn_is_six_and_assumed():
    dawn, _, word = dawn_of(date(2026, 5, 1), rig(), None, 9.5 * 3600)
    assert datetime.fromtimestamp(dawn, tz=UTC).hour == 20  # 06:00 at UTC+9:30
    assert word is Word.ASSUMED


def test_without_a_sunrise_dawn_is_six_of_mean_solar_time_and_assumed():
    dawn, _, word = dawn_of(date(2024, 6, 21), rig(78.2, 15.6), None, 7200.0)
    local = (dawn + 15.6 / 15 * 3600) % 86400
    assert local == pytest.approx(21600, abs=60)
    assert word is Word.ASSUMED


def test_days_cover_a_trip_without_hole_or_overlap():
    start = datetime(2026, 3, 5, 21, 30, tzinfo=UTC).timestamp()
    end = start + 3.3 * 86400
    days = camp_days(start, end, rig(-34.3, 135.7), None, 10.5 * 3600)
    assert days[0].start == start
    assert days[-1].end == end
    for a, b in pairwise(days):
        assert a.end == b.start == b.dawn
    assert not days[0].whole
    assert days[1].whole
    assert 0 < days[0].share < 1
