"""
Learn from the trip's own past answers how wide the next one must be.

Each past answer used only what was known then; what happened is in the record by now.
With few answers little is changed: a prior holds the spread at 1. The mean is left
alone: on trips with known truth a correction of it made the answers worse.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.forecast_history import STEP

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.judge.forecast import Forecast
    from campledger.judge.forecast_history import History
    from campledger.judge.forecast_walk import Paths
    from campledger.model.series import FloatArray

HOUR = 3600.0
HORIZONS = (6.0, 12.0, 24.0, 48.0, 72.0)
"""Hours ahead at which past answers are compared. [h]"""
FREEDOM = 4.0
"""Independent answers that the prior spread of 1 is worth. Common practice."""
SPREAD_LEAST, SPREAD_MOST = 0.6, 2.0
"""Bounds of the correction. Common practice, no source."""
COVERED = 0.9
"""Share of the half hours that must be known to say what happened."""


@dataclass(frozen=True, kw_only=True)
class PastAnswer:
    """
    What was expected at an origin for some hours ahead, and what happened.

    ``mean``, ``std`` and ``happened`` are net charge through the terminals [A.h].
    """

    origin: float
    horizon: float
    mean: float
    std: float
    happened: float


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Spread factor at each of `HORIZONS`; ``answers`` counts what it rests on."""

    spread: FloatArray
    answers: int


NONE = Calibration(spread=np.ones(len(HORIZONS)), answers=0)


def happened(history: History, origin: float, hours: float) -> float:
    """
    Give the net charge of the hours after an origin, from the record.

    Parameters
    ----------
    history : History
        Up to now.
    origin : float
        Start; the half hours are those of the history. [s]
    hours : float
        Length. [h]

    Returns
    -------
    charge : float
        NaN if it lies ahead or is not recorded. [A.h]
    """
    n = len(history.net)
    first = n - round((history.at - origin) / STEP)
    last = first + round(hours * HOUR / STEP)
    if first < 0 or last > n or last <= first:
        return float("nan")
    part = history.net[first:last]
    good = np.isfinite(part)
    if good.mean() < COVERED:
        return float("nan")
    return float(part[good].mean()) * hours


def answers_of(forecast: Forecast, origin: float) -> tuple[PastAnswer, ...]:
    """
    Keep what a forecast said, to be compared later.

    Parameters
    ----------
    forecast : Forecast
        Made at the origin, not recalibrated.
    origin : float
        When. [s]

    Returns
    -------
    answers : tuple of PastAnswer
        ``happened`` is NaN as yet.
    """
    out = []
    for hours in HORIZONS:
        k = round(hours * HOUR / STEP)
        if k < len(forecast.paths.net):
            net = forecast.paths.net[k]
            out.append(
                PastAnswer(
                    origin=origin,
                    horizon=hours,
                    mean=float(net.mean()),
                    std=float(net.std()),
                    happened=float("nan"),
                )
            )
    return tuple(out)


def compare(answers: Sequence[PastAnswer], history: History) -> tuple[PastAnswer, ...]:
    """
    Fill in what happened for the answers that have come due.

    Parameters
    ----------
    answers : sequence of PastAnswer
        Past answers, any order.
    history : History
        Up to now.

    Returns
    -------
    due : tuple of PastAnswer
        Only those that the record can judge.
    """
    out = []
    for answer in answers:
        if answer.origin + answer.horizon * HOUR > history.at + 1.0:
            continue
        value = happened(history, answer.origin, answer.horizon)
        if np.isfinite(value):
            out.append(replace(answer, happened=value))
    return tuple(out)


def calibrate(due: Sequence[PastAnswer]) -> Calibration:
    """
    Weigh past answers into a spread factor at each horizon.

    Answers whose hours overlap are not independent: together they count as many as
    fit side by side.

    Parameters
    ----------
    due : sequence of PastAnswer
        With what happened.

    Returns
    -------
    calibration : Calibration
        `NONE` without answers.

    References
    ----------
    .. [1] Scaled inverse chi-square posterior of a variance, prior mean 1; A. Gelman
       et al., "Bayesian Data Analysis", 3rd ed., 2013, section 2.6 (from memory).
    """
    if not due:
        return NONE
    spread = np.ones(len(HORIZONS))
    for k, hours in enumerate(HORIZONS):
        group = [a for a in due if a.horizon == hours and a.std > 1e-6]
        if not group:
            continue
        span = max(a.origin for a in group) - min(a.origin for a in group)
        alone = min(len(group), 1.0 + span / (hours * HOUR))
        miss = np.array([a.happened - a.mean for a in group])
        width = np.array([a.std for a in group])
        ratio = float(((miss / width) ** 2).mean())
        spread[k] = np.sqrt((FREEDOM + alone * ratio) / (FREEDOM + alone))
    return Calibration(
        spread=np.clip(spread, SPREAD_LEAST, SPREAD_MOST), answers=len(due)
    )


def recalibrated(forecast: Forecast, calibration: Calibration) -> Forecast:
    """
    Widen or narrow a forecast's paths about their mean.

    Parameters
    ----------
    forecast : Forecast
        As drawn.
    calibration : Calibration
        Learned from past answers.

    Returns
    -------
    forecast : Forecast
        State of charge follows, never above full or below empty.
    """
    if calibration.answers == 0:
        return forecast
    paths = _spread(forecast.paths, forecast.capacity, calibration, 0.0)
    wanted = _spread(forecast.wanted, forecast.capacity, calibration, -np.inf)
    return replace(forecast, paths=paths, wanted=wanted)


def _spread(
    paths: Paths, capacity: FloatArray, calibration: Calibration, least: float
) -> Paths:
    hours = (paths.time_utc - paths.time_utc[0]) / HOUR
    knots = np.concatenate(([0.0], HORIZONS))
    spread = np.interp(hours, knots, np.concatenate(([1.0], calibration.spread)))
    middle = paths.net.mean(axis=1, keepdims=True)
    net = middle + spread[:, None] * (paths.net - middle)
    soc = paths.soc + (net - paths.net) / capacity
    return replace(paths, net=net, soc=np.clip(soc, least, 1.0))
