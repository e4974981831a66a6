"""Steps and level stretches of a made remainder."""

import numpy as np
import pytest

from campledger.estimate.loads.remainder import Remainder, gain_difference, source_zero
from campledger.estimate.loads.segments import (
    cut_segments,
    find_steps,
    local_noise,
    take_bursts,
)


def remainder(power, *, interval=1.0, averaged=False, time=None):
    n = len(power)
    time = interval * np.arange(n) if time is None else time
    return Remainder(
        time_utc=time,
        power=np.asarray(power, dtype=float),
        volts=np.full(n, 13.0),
        source_power=np.zeros(n),
        interval=interval,
        hole=max(5.0, 3 * interval),
        averaged=averaged,
        gains=(),
    )


def noisy(level, n, rng, noise=0.15):
    return level + rng.normal(0, noise, n)


def test_a_step_is_found_where_it_is():
    rng = np.random.default_rng(1)
    power = np.concatenate((noisy(2, 300, rng), noisy(47, 400, rng)))
    steps = find_steps(power, local_noise(power), averaged=False)
    assert steps.tolist() == [300]


def test_small_steps_are_found_and_single_wild_readings_are_not():
    rng = np.random.default_rng(2)
    power = np.concatenate((noisy(2, 300, rng), noisy(6, 300, rng)))
    power[100] = 60.0
    segments = cut_segments(remainder(power))
    assert len(segments) == 2
    assert segments.level_begin[1] - segments.level_end[0] == pytest.approx(4, abs=0.2)


def test_a_starting_surge_is_folded_into_its_step():
    rng = np.random.default_rng(3)
    power = np.concatenate(
        (noisy(2, 200, rng), noisy(100, 4, rng), noisy(45, 300, rng))
    )
    segments = cut_segments(remainder(power))
    assert len(segments) == 2
    assert segments.surge[1] == pytest.approx(55, abs=1)
    assert segments.level_begin[1] == pytest.approx(45, abs=0.3)


def test_a_short_burst_keeps_both_steps():
    rng = np.random.default_rng(4)
    power = np.concatenate((noisy(2, 200, rng), noisy(60, 6, rng), noisy(2, 200, rng)))
    segments = cut_segments(remainder(power))
    assert [round(v) for v in segments.level_begin] == [2, 60, 2]


def test_a_hole_parts_stretches_and_is_marked():
    rng = np.random.default_rng(5)
    time = np.concatenate((np.arange(200.0), 4000.0 + np.arange(200.0)))
    segments = cut_segments(remainder(noisy(5, 400, rng), time=time))
    assert segments.hole.tolist() == [False, True]
    assert segments.end[0] < 201
    assert segments.begin[1] > 3999


def test_a_switch_within_a_mean_is_one_step():
    power = np.array([3.0] * 10 + [20.0] + [45.0] * 12 + [30.0] + [3.0] * 10)
    segments = cut_segments(remainder(power, interval=60.0, averaged=True))
    assert len(segments) == 3
    assert segments.level_begin[1] == pytest.approx(45.0)
    assert segments.level_begin[2] == pytest.approx(3.0)


def test_bursts_within_a_mean_are_taken_off():
    power = np.array([5.0] * 5 + [18.0] + [5.0] * 5)
    calm, burst = take_bursts(power)
    assert calm.tolist() == [5.0] * 11
    assert burst.sum() == pytest.approx(13.0)


def test_the_zero_of_a_source_is_read_while_it_is_off():
    rng = np.random.default_rng(6)
    current = np.concatenate(
        (0.031 + rng.normal(0, 0.004, 4000), np.linspace(0.3, 8.0, 4000))
    )
    assert source_zero(current) == pytest.approx(0.031, abs=0.003)
    assert source_zero(np.full(1000, 3.0)) == 0.0


def test_the_gain_of_a_charger_comes_from_its_own_steps():
    rng = np.random.default_rng(7)
    n = 40_000
    charger = np.where((np.arange(n) // 3000) % 2, 25.0, 0.0)
    loads = np.where((np.arange(n) // 700) % 3 == 0, 3.4, 0.0)
    rest = loads + 0.014 * charger + rng.normal(0, 0.02, n)
    # within the prior's pull of 1 % towards zero
    assert gain_difference(rest, charger, 10) == pytest.approx(0.014, abs=0.001)


def test_no_steps_no_gain():
    assert gain_difference(np.zeros(100), np.full(100, 5.0), 10) == 0.0
