"""The start battery is judged while nobody asks (job map B12, story T6)."""

import math

import pytest

from campledger.app.startwatch import StartWatch
from campledger.model.rig import House, Rig, StartBattery

RIG = Rig(
    name="r",
    timezone="UTC",
    house=House(chemistry="agm", capacity_rated=100.0),
    start=StartBattery(),
)


def watched(volts, *, hours=5.0, every=20.0, house=None, **states):
    """Feed a watch for some hours; ``volts`` and ``house`` are functions of hours."""
    watch, said = StartWatch(RIG), []
    for k in range(int(hours * 3600 / every)):
        now = (k + 1) * every / 3600.0
        values = {"voltage_start_v": volts(now), **states}
        if house is not None:
            values["voltage_house_v"] = house(now)
        text = watch.take((k + 1) * every, values)
        if text:
            said.append((now, text))
    return said


def test_joined_and_falling_together_is_told():
    fall = lambda h: 12.40 - 0.05 * h  # noqa: E731
    said = watched(fall, house=lambda h: fall(h) + 0.02)
    assert said
    assert said[-1][1].startswith("Act: The two batteries are joined and falling")


def test_a_rested_battery_that_falls_is_told_after_two_hours():
    said = watched(lambda h: 12.45 - 0.05 * h, house=lambda _: 13.1)
    assert said
    assert said[0][0] >= 2.0
    assert "falling 0.05 V an hour" in said[-1][1]


@pytest.mark.parametrize(
    ("volts", "house"),
    [
        (lambda _: 12.62, lambda _: 12.4),
        (lambda _: 13.8, lambda _: 13.8),
        (lambda _: math.nan, lambda h: 12.4 - 0.05 * h),
    ],
)
def test_sound_charged_or_unmeasured_is_not_told(volts, house):
    assert watched(volts, house=house) == []


def test_a_hole_in_the_readings_is_no_rest():
    watch = StartWatch(RIG)
    assert watch.take(60.0, {"voltage_start_v": 12.3}) == ""
    assert watch.take(9 * 3600.0, {"voltage_start_v": 12.1}) == ""
