"""Integration against closed forms and the published cases of handbook arithmetic."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from campledger.model.integrate import (
    cumulative,
    integral,
    resample_previous,
    to_minutes,
)
from campledger.model.series import Series, minute_grid


def series(time, value, sampling="point"):
    return Series(
        time_utc=np.asarray(time, float),
        value=np.asarray(value, float),
        sampling=sampling,
    )


def test_a_constant_ampere_for_an_hour_is_one_ampere_hour():
    # Source: definition of the ampere hour.
    s = series(np.arange(0, 3601.0), np.ones(3601))
    total, covered = integral(s, 0, 3600)
    assert total / 3600 == pytest.approx(1.0, rel=1e-12)  # same algebra
    assert covered == 3600


def test_a_ramp_is_integrated_exactly():
    # Source: closed form; a left rule gives 45, a right rule 55 (0..10 A over 10 h).
    s = series(np.arange(11) * 3600.0, np.arange(11.0))
    assert integral(s, 0, 36000)[0] / 3600 == pytest.approx(50.0, rel=1e-12)


def test_a_bell_shaped_day_has_the_trapezoid_error():
    # Source: closed form 160/pi = 50.93 A.h; ten intervals give 50.51 (-0.82 %).
    t = np.arange(11) * 3600.0
    s = series(t, 8 * np.sin(np.pi * t / 36000.0))
    assert integral(s, 0, 36000)[0] / 3600 == pytest.approx(50.51, abs=0.005)


def test_nothing_is_integrated_across_a_hole():
    # Source: arithmetic; trapezoid over the hole would give 4.30, left rule 2.30.
    s = series(np.array([0, 1, 2, 3, 63, 64, 65]) * 60.0, [2, 2, 2, 2, 6, 6, 6])
    total, covered = integral(s, 0, 3900)
    assert total / 3600 == pytest.approx(0.30, rel=1e-12)
    assert covered == 300.0


def test_one_lost_reading_is_no_hole():
    s = series([0, 5, 10, 15, 20], [1, 1, np.nan, 1, 1])
    assert integral(s, 0, 20) == (20.0, 20.0)


def test_a_cycling_load_is_exact_when_edges_fall_on_samples():
    # Source: 4.6 A for 7 min, 0.05 A for 13 min over 24 h = 39.42 A.h; means of a
    # minute keep the charge exactly.
    t = np.arange(1, 1441) * 60.0
    on = (np.arange(1440) % 20) < 7
    s = series(t, np.where(on, 4.6, 0.05), "mean")
    assert integral(s, 0, 86400)[0] / 3600 == pytest.approx(39.42, abs=1e-9)


def test_mean_of_products_is_not_product_of_means():
    # Source: half the time 100 A at 12.0 V, half 0 A at 13.0 V: 600 W, not 625 W.
    t = np.arange(1, 3601.0)
    current = np.where(t <= 1800, 100.0, 0.0)
    volts = np.where(t <= 1800, 12.0, 13.0)
    s = series(t, current * volts, "mean")
    assert integral(s, 0, 3600)[0] / 3600 == pytest.approx(600.0, rel=1e-12)


def test_a_mean_after_a_hole_stands_for_one_usual_interval():
    s = series([10, 20, 30, 100, 110, 120], [1, 1, 1, 5, 5, np.nan], "mean")
    assert integral(s, 0, 1000) == (130.0, 50.0)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.1, 50.0), min_size=3, max_size=60),
    st.floats(0.01, 0.99),
    st.sampled_from(["point", "mean"]),
)
def test_splitting_a_period_changes_no_sum(steps, share, sampling):
    time = np.cumsum(steps)
    s = series(time, np.sin(time), sampling)
    run = cumulative(s)
    cut = time[0] + share * (time[-1] - time[0])
    total, _ = run.at(np.array([time[0] - 60, cut, time[-1]]))
    whole = total[2] - total[0]
    parts = (total[1] - total[0]) + (total[2] - total[1])
    assert parts == pytest.approx(whole, abs=1e-9)  # float64 sums of < 3000 A.s


def test_minutes_add_up_to_the_integral():
    rng = np.random.default_rng(7)
    t = np.cumsum(rng.uniform(0.5, 3.0, 5000))
    s = series(t, rng.normal(size=5000))
    grid = minute_grid(t[0], t[-1])
    minutes = to_minutes(s, grid)
    assert minutes.charge.sum() == pytest.approx(
        integral(s, grid[0] - 60, grid[-1])[0], abs=1e-8
    )
    inside = (t > grid[10]) & (t <= grid[11])
    assert minutes.low[11] == s.value[inside].min()
    assert minutes.high[11] == s.value[inside].max()


def test_times_that_fall_are_refused_with_their_place():
    with pytest.raises(ValueError, match="index 2"):
        cumulative(series([0, 5, 4], [1, 1, 1]))


def test_the_newest_reading_counts_until_it_is_too_old():
    s = series([0, 10, 20], [1, np.nan, 3])
    got = resample_previous(s, np.array([5.0, 12.0, 25.0, 90.0]))
    assert np.array_equal(got, [1, 1, 3, np.nan], equal_nan=True)


def test_empty_series_have_no_charge():
    minutes = to_minutes(series([], []), minute_grid(0, 300))
    assert minutes.covered.sum() == 0
    assert np.isnan(minutes.mean).all()
