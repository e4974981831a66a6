"""
Scores of forecasts against a scoring library and worked figures.

Sources: facts S9-01 to S9-10 as computed by scoringrules 0.10 (crps_ensemble with the
estimators nrg and fair, crps_normal, interval_score, brier_score); P(17 or fewer of 20)
from the binomial distribution (scipy).
"""

import sys
from pathlib import Path

import numpy as np
import pytest
import scoringrules as sr
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "bench"))

from enough_scores import brier, crps, crps_fair, exact_band, interval_score, pinball

ENSEMBLE = np.array([20.0, 25.0, 30.0, 35.0, 45.0])
Y = np.array([30.0, 42.0, 25.0, 38.0, 55.0])
Q10 = np.array([22.0, 30.0, 27.0, 28.0, 35.0])
Q50 = np.array([31.0, 38.0, 33.0, 36.0, 45.0])
Q90 = np.array([40.0, 47.0, 41.0, 45.0, 52.0])


def test_s9_01_crps_of_an_ensemble():
    assert crps(ENSEMBLE, 28.0) == pytest.approx(2.600, abs=5e-4)
    library = float(sr.crps_ensemble(28.0, ENSEMBLE, estimator="nrg"))
    assert crps(ENSEMBLE, 28.0) == pytest.approx(library, rel=1e-12)


def test_s9_02_fair_crps():
    assert crps_fair(ENSEMBLE, 28.0) == pytest.approx(1.400, abs=5e-4)
    library = float(sr.crps_ensemble(28.0, ENSEMBLE, estimator="fair"))
    assert crps_fair(ENSEMBLE, 28.0) == pytest.approx(library, rel=1e-12)


def test_s9_03_and_04_crps_of_a_normal_by_many_quantiles():
    quantiles = stats.norm.ppf((np.arange(20000) + 0.5) / 20000)
    # 20,000 members leave about 1e-4 of the closed form.
    assert crps(31 + 5 * quantiles, 28.0) == pytest.approx(1.865779, abs=5e-4)
    assert crps(quantiles, 0.0) == pytest.approx(0.233695, abs=2e-4)
    assert float(sr.crps_normal(28.0, 31.0, 5.0)) == pytest.approx(1.865779, abs=1e-6)


def test_s9_05_and_06_pinball():
    assert pinball(Y, Q10, 0.1) == pytest.approx(1.36)
    assert pinball(Y, Q50, 0.5) == pytest.approx(2.5)


def test_s9_07_coverage_and_width():
    inside = (Y >= Q10) & (Y <= Q90)
    assert inside.sum() == 3
    assert np.mean(Q90 - Q10) == pytest.approx(16.6)


def test_s9_08_interval_score():
    ours = interval_score(Y, Q10, Q90, 0.2)
    assert ours == pytest.approx([18, 17, 34, 17, 47])
    assert ours.mean() == pytest.approx(26.6)
    assert ours == pytest.approx(sr.interval_score(Y, Q10, Q90, 0.2))


def test_s9_09_seventeen_of_twenty_is_no_evidence():
    assert stats.binom.cdf(17, 20, 0.9) == pytest.approx(0.323, abs=5e-4)
    lo, hi = exact_band(17, 20, 0.95)
    assert lo == pytest.approx(0.621, abs=5e-4)
    assert hi == pytest.approx(0.968, abs=5e-4)


def test_s9_10_brier():
    p, o = np.array([0.9, 0.7, 0.2, 0.4]), np.array([1.0, 1.0, 0.0, 1.0])
    assert brier(p, o) == pytest.approx(0.125)
    assert brier(p, o) == pytest.approx(float(np.mean(sr.brier_score(o, p))))
