"""Steps and slopes: closed cases first, then noise with a known answer."""

from __future__ import annotations

import numpy as np
import pytest

from campledger.estimate.steps import (
    fill_short_gaps,
    find_steps,
    loop_slope,
    runs,
    slope_through_zero,
    slope_with_intercept,
)


def switched(n=4000, period=200, dt=1.0):
    t = dt * np.arange(n)
    return t, ((t // (period / 2)) % 2).astype(float)


def test_clean_square_gives_every_edge():
    t, on = switched()
    steps = find_steps(t, 4.0 * on, [12.0 - 0.1 * 4.0 * on])
    assert len(steps) == 39  # 4000 s with an edge each 100 s
    np.testing.assert_allclose(np.abs(steps.current), 4.0)
    np.testing.assert_allclose(steps.others[0] / steps.current, -0.1, rtol=1e-9)


def test_small_steps_and_ramps_are_left_out():
    t, on = switched()
    assert len(find_steps(t, 1.5 * on, [on])) == 0
    assert len(find_steps(t, 0.01 * t, [t])) == 0


def test_inrush_does_not_set_the_step():
    t, on = switched()
    amps = 4.0 * on
    first = np.flatnonzero(np.diff(on) > 0) + 1
    amps[first] = 20.0
    steps = find_steps(t, amps, [on])
    np.testing.assert_allclose(np.abs(steps.current), 4.0)


def test_no_step_across_a_hole():
    t, on = switched(n=400)
    keep = (t < 90) | (t > 130)
    steps = find_steps(t[keep], 4.0 * on[keep], [on[keep]])
    assert not np.any(np.abs(steps.time_utc - 100) < 40)


def test_means_leave_out_the_mixed_reading():
    t = 60.0 * np.arange(200)
    on = ((t // 900) % 2).astype(float)
    edge = np.flatnonzero(np.diff(on) != 0) + 1
    amps = 4.0 * on
    amps[edge] = 1.3
    steps = find_steps(t, amps, [amps], mean=True)
    assert len(steps) >= 10
    np.testing.assert_allclose(np.abs(steps.current), 4.0)


def test_slope_through_zero_is_exact_without_noise():
    x = np.array([1.0, -2.0, 3.0, -4.0])
    line = slope_through_zero(x, 0.05 * x)
    assert line.value == pytest.approx(0.05)
    assert line.count == 4


def test_too_few_points_give_nothing():
    line = slope_through_zero(np.array([1.0]), np.array([1.0]))
    assert np.isnan(line.value)
    assert np.isnan(slope_with_intercept(np.ones(5), np.ones(5)).value)


def test_outliers_do_not_pull():
    rng = np.random.default_rng(2)
    x = rng.choice([-4.0, 4.0], 60)
    y = 0.05 * x + rng.normal(0, 0.004, 60)
    y[:6] += 0.5
    assert slope_through_zero(x, y).value == pytest.approx(0.05, rel=0.05)


def test_intercept_is_found():
    x = np.linspace(0, 10, 50)
    line = slope_with_intercept(x, 2.0 + 0.3 * x)
    assert (line.intercept, line.value) == pytest.approx((2.0, 0.3))


def test_interval_is_true_about_nine_times_in_ten():
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(300):
        x = rng.choice([-4.0, 4.0], 24)
        line = slope_through_zero(x, 0.05 * x + rng.normal(0, 0.006, 24))
        inside += line.lo <= 0.05 <= line.hi
    assert 0.85 <= inside / 300 <= 0.95  # asked 85 to 95 %


def test_runs():
    assert runs(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert runs(np.zeros(3, dtype=bool)) == []


def test_short_gaps_are_bridged_with_their_doubt():
    amps = np.full(100, 2.0)
    amps[40:46] = np.nan
    filled, doubt = fill_short_gaps(amps)
    np.testing.assert_allclose(filled, 2.0)
    assert doubt == 0.0
    amps[:40] = 0.0
    assert fill_short_gaps(amps)[1] == pytest.approx(0.1)  # 6 min, half of 2 A
    assert fill_short_gaps(np.full(5, np.nan))[1] == float("inf")


def test_loop_interval_holds_the_scale_of_the_voltmeters():
    amps = np.array([4.0, -4.0] * 12)
    near, far = -0.012 * amps, -0.062 * amps
    loop = loop_slope(amps, 1.015 * near, far)
    assert loop.value == pytest.approx(0.05, abs=2e-4)
    assert loop.lo <= 0.05 <= loop.hi
