"""Bias and hourly error as the contract divides them; what is refused. No source."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from campledger.judge.options.validate import LOW_MOST, validate

N = 2 * 288


def days(net=None, soc=None, known=None):
    """Two days: 12 h of +4 A, 12 h of -4 A: 48 A.h out a day, 4 A.h an hour."""
    shape = np.where(np.arange(N) % 288 < 144, 4.0, -4.0)
    return SimpleNamespace(
        net=shape if net is None else net,
        soc=np.full(N, 0.5) if soc is None else soc,
        known=np.ones(N, dtype=bool) if known is None else known,
    )


def test_a_perfect_replay_has_no_error():
    made = validate(days(), days().net, np.full(N, 0.5), days().net)
    assert (made.bias_daily, made.rmse_hourly, made.rmse_held_out) == (0.0, 0.0, 0.0)
    assert made.accepted
    assert made.held_out_days == 2


def test_bias_is_over_the_mean_daily_charge_out():
    """0.1 A too much for 24 h is 2.4 A.h of 48."""
    made = validate(days(), days().net + 0.1, np.full(N, 0.5))
    assert made.bias_daily == pytest.approx(2.4 / 48.0)


def test_hourly_error_is_over_the_mean_absolute_net():
    """0.4 A.h off in every hour of 4 A.h: 10 %, whatever the sign."""
    wobble = np.where(np.arange(N) // 12 % 2, 0.4, -0.4)
    made = validate(days(), days().net + wobble, np.full(N, 0.5))
    assert made.rmse_hourly == pytest.approx(0.1)
    assert made.bias_daily == pytest.approx(0.0, abs=1e-12)


def test_a_replay_that_misses_too_much_is_refused_with_the_reason():
    off = days().net * 2.0
    made = validate(days(), off, np.full(N, 0.5))
    assert not made.accepted
    assert "hourly 100%" in made.reason


def test_a_replay_that_fails_only_on_held_out_days_is_refused():
    made = validate(days(), days().net, np.full(N, 0.5), days().net * 1.5)
    assert not made.accepted
    assert "held-out days 50%" in made.reason


def test_a_low_point_further_off_than_is_promised_is_refused():
    soc = np.full(N, 0.5)
    soc[100] -= LOW_MOST + 0.01
    assert not validate(days(), days().net, soc).accepted
    soc[100] += 0.02
    assert validate(days(), days().net, soc).accepted


def test_less_than_a_day_cannot_be_judged():
    known = np.zeros(N, dtype=bool)
    known[:200] = True
    made = validate(days(known=known), days().net, np.full(N, 0.5))
    assert not made.accepted
    assert np.isnan(made.bias_daily)
    assert "less than a day" in made.reason


def test_hours_with_gaps_do_not_count():
    known = np.ones(N, dtype=bool)
    known[:12] = False
    net = days().net.copy()
    net[:12] = 99.0
    assert validate(days(known=known), net, np.full(N, 0.5)).rmse_hourly == 0.0
