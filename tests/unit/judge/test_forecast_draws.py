"""Futures of a demand from recorded days: steady stays steady, few days stay wide."""

import numpy as np
import pytest

from campledger.judge.forecast_draws import (
    Prior,
    choose_rows,
    draw,
    pool_of,
    slot_means,
)
from campledger.judge.forecast_history import rows_of


def rng():
    return np.random.default_rng(3)


def test_rows_end_now_and_are_filled_in_front():
    rows = rows_of(np.arange(60.0))
    assert rows.shape == (2, 48)
    assert rows[0, -1] == 59.0  # newest day first, ending now
    assert np.isnan(rows[1, 0])
    assert rows[1, -1] == 11.0


def test_a_steady_draw_has_no_spread():
    prior = Prior()
    made = draw(pool_of(np.full(240, 2.0), prior), prior, 144, 50, rng())
    np.testing.assert_allclose(made, 2.0, rtol=1e-9)


def test_the_mean_and_the_clock_are_kept():
    clock = np.tile(np.where(np.arange(48) < 12, 6.0, 1.0), 8)
    noise = np.random.default_rng(1).normal(1.0, 0.1, 8)
    values = clock * np.repeat(noise, 48)
    prior = Prior(memory=60.0)
    made = draw(pool_of(values, prior), prior, 48, 4000, rng())
    assert made.mean() == pytest.approx(values.mean(), rel=0.03)  # 8 days, 10 % each
    assert made[:10].mean() > 4 * made[20:40].mean()


def test_few_days_are_wider_than_many():
    def spread(days):
        daily = np.random.default_rng(5).normal(2.0, 0.3, days)
        shape = np.tile([0.5, 1.5], 24)
        values = (daily[:, None] * shape).ravel()
        prior = Prior()
        return draw(pool_of(values, prior), prior, 48, 2000, rng()).sum(axis=0).std()

    assert spread(1) > spread(8) > 0


def test_never_negative_unless_signed():
    values = np.random.default_rng(2).normal(0.3, 0.6, 240)
    prior = Prior()
    pool = pool_of(values, prior)
    assert draw(pool, prior, 48, 200, rng()).min() >= 0.0
    assert draw(pool, prior, 48, 200, rng(), signed=True).min() < 0.0


def test_a_plan_fills_what_is_not_recorded():
    prior = Prior(profile=np.full(48, 3.0), weight=0.5)
    rows = rows_of(np.full(12, 1.0))
    mean = slot_means(rows, prior)
    assert mean[4:30] == pytest.approx(3.0, abs=0.1)
    assert np.all(mean[-12:] < 2.5)


def test_nothing_known_is_nan():
    assert np.isnan(slot_means(rows_of(np.full(96, np.nan)), Prior())).all()


def test_rows_are_chosen_by_weight():
    index = choose_rows(np.array([3.0, 1.0]), 40, 4000, rng())
    assert np.mean(index == 0) == pytest.approx(0.75, abs=0.02)
    same = choose_rows(np.ones(9), 2, 4000, rng(), follow=1.0)
    assert np.array_equal(same[0], same[1])


def test_gaps_do_not_count_as_nothing():
    values = np.full(240, 2.0)
    values[100:130] = np.nan
    prior = Prior()
    made = draw(pool_of(values, prior), prior, 48, 50, rng())
    np.testing.assert_allclose(made, 2.0, rtol=1e-9)


def test_a_net_that_changes_its_sign_stays_in_bounds():
    day = np.where(np.arange(48) < 24, 3.0, -3.0)  # as much in as out
    values = np.tile(day, 6) + np.random.default_rng(6).normal(0.0, 0.5, 288)
    prior = Prior()
    made = draw(pool_of(values, prior), prior, 48, 500, rng(), signed=True)
    assert np.abs(made).max() < 30.0
    assert abs(made.mean()) < 0.5
