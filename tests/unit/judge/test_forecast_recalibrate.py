"""Past answers that missed by more than they said make the next one wider."""

from types import SimpleNamespace

import numpy as np
import pytest

from campledger.judge.forecast import Forecast
from campledger.judge.forecast_recalibrate import (
    HORIZONS,
    NONE,
    PastAnswer,
    answers_of,
    calibrate,
    compare,
    happened,
    recalibrated,
)
from campledger.judge.forecast_walk import Paths

HOUR = 3600.0


def answers(miss, count=20, horizon=24.0):
    signs = np.where(np.arange(count) % 2, 1.0, -1.0)
    return [
        PastAnswer(
            origin=k * 6 * HOUR,
            horizon=horizon,
            mean=0.0,
            std=1.0,
            happened=float(miss * s),
        )
        for k, s in enumerate(signs)
    ]


def test_nothing_learned_from_nothing():
    assert calibrate([]) is NONE


def test_as_wide_as_said_stays():
    made = calibrate(answers(1.0))
    assert made.spread[HORIZONS.index(24.0)] == pytest.approx(1.0)
    assert made.spread[HORIZONS.index(72.0)] == 1.0


def test_misses_widen_and_hits_narrow_but_only_so_far():
    k = HORIZONS.index(24.0)
    assert 1.0 < calibrate(answers(2.0)).spread[k] < 2.0
    assert 0.6 <= calibrate(answers(0.1)).spread[k] < 1.0
    assert calibrate(answers(50.0)).spread[k] == 2.0


def test_overlapping_answers_count_less():
    k = HORIZONS.index(24.0)
    few = calibrate(answers(2.0, count=4)).spread[k]
    many = calibrate(answers(2.0, count=40)).spread[k]
    assert few < many


def history(net):
    return SimpleNamespace(net=np.asarray(net, dtype=float), at=len(net) * 1800.0)


def test_happened_sums_the_record():
    made = history(np.full(100, -2.0))
    assert happened(made, 0.0, 24.0) == pytest.approx(-48.0)
    assert np.isnan(happened(made, 0.0, 72.0))  # lies ahead
    assert np.isnan(happened(history(np.full(100, np.nan)), 0.0, 24.0))


def forecast_of(net):
    time = 1800.0 * np.arange(len(net))
    paths = Paths(time_utc=time, soc=0.5 + net / 100.0, net=net)
    zero = np.zeros(len(net) - 1)
    return Forecast(
        paths=paths,
        wanted=paths,
        capacity=np.full(net.shape[1], 100.0),
        demand=zero,
        cooling=zero,
        sun=zero,
        engine=zero,
        offer=zero,
    )


def test_answers_are_compared_when_due():
    net = np.cumsum(np.full((145, 2), -1.0), axis=0)
    said = answers_of(forecast_of(net), 0.0)
    assert [a.horizon for a in said] == list(HORIZONS)
    due = compare(said, history(np.full(60, -2.0)))
    assert [a.horizon for a in due] == [6.0, 12.0, 24.0]
    assert due[0].happened == pytest.approx(-12.0)


def test_recalibrated_keeps_the_mean_and_scales_the_spread():
    rng = np.random.default_rng(0)
    steps = rng.normal(0.0, 1.0, (49, 400))
    steps[0] = 0.0
    before = forecast_of(np.cumsum(steps, axis=0) / 4)
    wide = calibrate(answers(50.0))
    after = recalibrated(before, wide)
    ratio = after.paths.net[48].std() / before.paths.net[48].std()
    assert ratio == pytest.approx(2.0, rel=1e-9)
    np.testing.assert_allclose(
        after.paths.net.mean(axis=1), before.paths.net.mean(axis=1), atol=1e-9
    )
    assert after.paths.soc.max() <= 1.0
    assert recalibrated(before, NONE) is before
