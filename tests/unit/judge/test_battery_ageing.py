"""A battery beside earlier trips: what may be compared, and the words for it."""

import numpy as np
import pytest

from campledger.estimate.capacity import TripBattery
from campledger.judge.ageing import judge_ageing
from campledger.model.estimates import Estimate
from campledger.present.battery_age import ageing_json, ageing_lines

DAY = 86400.0
NONE = Estimate.missing("can't tell yet: no swing was seen")


def near(value, half, reason=""):
    return Estimate(value=value, lo=value - half, hi=value + half, reason=reason)


def battery(day, capacity=NONE, ohms=0.010, *, interval=10.0):
    return TripBattery(
        start_utc=(day - 4) * DAY,
        end_utc=day * DAY,
        capacity=capacity,
        resistance=near(ohms, 0.0002, "from 40 load steps"),
        interval=interval,
        swings=1,
    )


def test_the_earliest_trip_that_knows_is_the_one_to_compare_with():
    earlier = (battery(9000), battery(9100, near(100, 4)), battery(9200, near(96, 4)))
    got = judge_ageing(battery(9300, near(82, 4, "from 2 swings")), earlier)
    assert got.capacity.then.value == 100
    assert got.capacity.changed
    # Spreads of a ratio in quadrature: 0.82 * hypot(4/82, 4/100).
    assert got.capacity.ratio.give_or_take == pytest.approx(0.0518, abs=1e-3)
    capacity, ohms = ageing_lines(got, 0.0)
    assert capacity == (
        "What the battery holds: 82 Ah, give or take 4, from 2 swings; 100 Ah, give or "
        "take 4, on 1994-12-01: 18 % less, give or take 5."
    )
    assert "no change that can be told" in ohms


def test_a_trip_without_a_swing_cannot_tell_but_recalls():
    got = judge_ageing(battery(9300), (battery(9100, near(100, 4)),))
    line = ageing_lines(got, 0.0)[0]
    assert line == (
        "What the battery holds: can't tell yet, because no swing was seen (100 Ah, "
        "give or take 4, on 1994-12-01)."
    )
    assert not got.capacity.changed


def test_an_earlier_trip_without_a_swing_is_said():
    got = judge_ageing(battery(9300, near(82, 4)), (battery(9100),))
    assert (
        "not compared, because no earlier trip had such a swing"
        in (ageing_lines(got, 0.0)[0])
    )


def test_resistance_is_compared_only_at_a_like_interval():
    got = judge_ageing(battery(9300, ohms=0.02), (battery(9100, interval=60.0),))
    assert not got.resistance.changed
    assert "another interval" in ageing_lines(got, 0.0)[1]
    alike = judge_ageing(battery(9300, ohms=0.02), (battery(9100, interval=15.0),))
    assert alike.resistance.changed
    assert "100 % more" in ageing_lines(alike, 0.0)[1]


def test_steps_that_agree_too_well_are_widened():
    # 5 % each: less than 7 % apart is no change.
    got = judge_ageing(battery(9300, ohms=0.0106), (battery(9100),))
    assert got.resistance.ratio.lo < 1.0
    assert not got.resistance.changed


def test_the_first_trip_says_nothing_and_json_holds_nulls():
    got = judge_ageing(battery(9300, near(82, 4)), ())
    assert ageing_lines(got, 0.0) == []
    told = ageing_json(got, 0.0)
    assert told["capacity_ah"]["now"]["value"] == 82
    assert told["capacity_ah"]["then"]["value"] is None
    assert told["capacity_ah"]["then_end"] is None
    assert told["resistance_mohm"]["now"]["value"] == 10.0
    assert ageing_json(None, 0.0) is None
    assert np.isnan(got.capacity.then_utc)
