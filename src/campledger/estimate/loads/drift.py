"""How the powers of running loads drift while nothing is switched."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.habits import HOUR

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

BASE_DRIFT = 0.15
"""Drift of the standing draw and of shunt zeros, W an hour**0.5. Common practice, no
source."""
SOURCE_LEAK = 0.003
"""Share of a change of the sources that leaks into the remainder. Common practice, no
source."""
VOLTS_SHARE = 0.8
"""How uncertain a power's dependence on the volts is, as an exponent. Common practice,
no source."""
EARLY = 300.0
EARLY_DRIFT = 0.04
"""A run settles within this time, s, by about this share. Common practice, no
source."""
CALM = 0.03
"""Share by which a steady load drifts in an hour. Common practice, no source."""
FLOOR_DRIFT = 0.02
"""Drift of any running load, W squared an hour. Common practice, no source."""


def drift_variance(
    x: FloatArray,
    age: FloatArray,
    wander: FloatArray,
    duration: float,
    volts_change: float,
    source_change: float,
) -> FloatArray:
    """
    Variance that the power of each load gains over a stretch.

    Parameters
    ----------
    x : (..., n) float64
        Powers, standing draw first. [W]
    age : (..., n) float64
        Time since switched. [s]
    wander : (n,) float64
        Share by which each drifts in an hour. [1]
    duration : float
        Length of the stretch. [s]
    volts_change : float
        Relative change of the volts. [1]
    source_change : float
        Change of the sources. [W]

    Returns
    -------
    variance : (..., n) float64
        To be added for loads that are on (W squared).

    References
    ----------
    Common practice, no source.
    """
    hours = duration / HOUR
    early = np.exp(-age / EARLY) - np.exp(-(age + duration) / EARLY)
    share = wander**2 * hours + EARLY_DRIFT**2 * early
    out = x**2 * (share + (VOLTS_SHARE * volts_change) ** 2 * (wander > 0))
    out = out + FLOOR_DRIFT * hours
    out[..., 0] = BASE_DRIFT**2 * hours + (SOURCE_LEAK * source_change) ** 2
    return np.asarray(out, dtype=np.float64)


def calm_and_wild(
    x: FloatArray,
    age: FloatArray,
    wander: FloatArray,
    duration: float,
    volts_change: float,
    source_change: float,
) -> tuple[FloatArray, FloatArray]:
    """
    Split drift in what every load does and what a wandering load may do besides.

    Parameters
    ----------
    x : (..., n) float64
        Powers, standing draw first. [W]
    age : (..., n) float64
        Time since switched. [s]
    wander : (n,) float64
        Share by which each drifts in an hour. [1]
    duration : float
        Length of the stretch. [s]
    volts_change : float
        Relative change of the volts. [1]
    source_change : float
        Change of the sources. [W]

    Returns
    -------
    calm, wild : (..., n) float64
        Variance while steady, and what comes on top while wandering (W squared).

    References
    ----------
    Common practice, no source.
    """
    least = np.minimum(wander, CALM)
    calm = drift_variance(x, age, least, duration, volts_change, source_change)
    full = drift_variance(x, age, wander, duration, volts_change, source_change)
    return calm, full - calm
