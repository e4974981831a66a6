"""
Charge and minute means from readings: real intervals, gaps as gaps.

A reading stands for the interval that ends at its time. Point readings are joined by
straight lines (trapezoid); means are summed over their interval. A step longer than the
hole limit is never integrated across, whatever lies on both sides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from campledger.model.series import MINUTE, BoolArray, FloatArray, Minutes, Series


@dataclass(frozen=True, kw_only=True)
class Cumulative:
    """
    Running integral of a channel, exact at any time.

    ``time`` (n,) are the knots, ``total`` the integral up to each (value x s),
    ``covered`` the seconds covered up to each. Between knots the value runs from
    ``left[k]`` to ``right[k]`` (n - 1,), and is unknown where ``known`` is False.
    """

    time: FloatArray
    total: FloatArray
    covered: FloatArray
    left: FloatArray
    right: FloatArray
    known: BoolArray

    def at(self, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
        """
        Evaluate at times.

        Parameters
        ----------
        edges : (k,) float64
            Times, any order. [s]

        Returns
        -------
        total : (k,) float64
            Integral up to each time (value x s).
        covered : (k,) float64
            Seconds covered up to each time. [s]
        """
        if len(self.time) == 0:
            return np.zeros(len(edges)), np.zeros(len(edges))
        last = len(self.time) - 1
        k = np.clip(np.searchsorted(self.time, edges, side="right") - 1, 0, last)
        total, covered = self.total[k], self.covered[k]
        inside = (k < last) & (edges > self.time[k])
        i = k[inside]
        i, pick = i[self.known[i]], np.flatnonzero(inside)[self.known[i]]
        x = edges[pick] - self.time[i]
        slope = (self.right[i] - self.left[i]) / (self.time[i + 1] - self.time[i])
        total[pick] += x * (self.left[i] + 0.5 * slope * x)
        covered[pick] += x
        return total, covered


Knots: TypeAlias = tuple[FloatArray, FloatArray, FloatArray, BoolArray]


def _point_knots(series: Series) -> Knots:
    good = np.isfinite(series.value)
    time, value = series.time_utc[good], series.value[good]
    return time, value[:-1], value[1:], np.diff(time) <= series.hole


def _mean_knots(series: Series) -> Knots:
    """Lay each mean over its own interval; after a hole over one median interval."""
    time, value = series.time_utc, series.value
    if len(time) == 0:
        empty = np.zeros(0)
        return empty, empty, empty, np.zeros(0, dtype=bool)
    usual = series.interval if len(time) > 1 else MINUTE
    step = np.concatenate(([usual], np.diff(time)))
    whole = step <= series.hole
    whole[0] = False
    starts = time - usual
    extra = np.flatnonzero(~whole)
    knots = np.concatenate((time, starts[extra]))
    order = np.argsort(knots, kind="stable")
    knots = knots[order]
    owner = np.concatenate((np.arange(len(time)), np.full(len(extra), -1)))[order]
    ends = owner[1:]
    known = ends >= 0
    level = np.where(known, value[np.maximum(ends, 0)], np.nan)
    known &= np.isfinite(level)
    level = np.where(known, level, 0.0)
    return knots, level, level, known


def cumulative(series: Series) -> Cumulative:
    """
    Build the running integral of a channel.

    Parameters
    ----------
    series : Series
        Times increase strictly; NaN values are left out.

    Returns
    -------
    running : Cumulative
        Evaluate it at any times; differences are exact for any split of a period.

    Raises
    ------
    ValueError
        Times do not increase.

    References
    ----------
    .. [1] Trapezoid and rectangle rules. Common practice, no source.
    """
    if np.any(np.diff(series.time_utc) <= 0):
        at = int(np.argmax(np.diff(series.time_utc) <= 0)) + 1
        msg = f"integrating: time_utc does not increase at index {at}, expected later"
        raise ValueError(msg)
    knots = _mean_knots if series.sampling == "mean" else _point_knots
    time, left, right, known = knots(series)
    step = np.where(known, np.diff(time), 0.0)
    area = np.where(known, 0.5 * (left + right) * step, 0.0)
    zero = np.zeros(min(1, len(time)))
    return Cumulative(
        time=time,
        total=np.concatenate((zero, np.cumsum(area))),
        covered=np.concatenate((zero, np.cumsum(step))),
        left=left,
        right=right,
        known=known.astype(bool),
    )


def integral(series: Series, start: float, end: float) -> tuple[float, float]:
    """
    Integrate a channel over (start, end].

    Parameters
    ----------
    series : Series
        One channel.
    start, end : float
        Bounds. [s]

    Returns
    -------
    total, covered : float
        Integral (value x s) and the seconds it covers.
    """
    total, covered = cumulative(series).at(np.array([start, end]))
    return float(total[1] - total[0]), float(covered[1] - covered[0])


def to_minutes(series: Series, minute_utc: FloatArray) -> Minutes:
    """
    Condense a channel onto a minute grid.

    Parameters
    ----------
    series : Series
        One channel.
    minute_utc : (m,) float64
        Ends of consecutive minutes. [s]

    Returns
    -------
    minutes : Minutes
        Arrays (m,); charges of a longer period are sums of these.
    """
    m = len(minute_utc)
    edges = np.concatenate(([minute_utc[0] - MINUTE], minute_utc))
    total, covered = cumulative(series).at(edges)
    charge, seconds = np.diff(total), np.diff(covered)
    mean = np.full(m, np.nan)
    some = seconds > 0
    mean[some] = charge[some] / seconds[some]
    good = np.isfinite(series.value)
    time, value = series.time_utc[good], series.value[good]
    index = np.searchsorted(time, edges, side="right")
    low, high = np.full(m, np.nan), np.full(m, np.nan)
    filled = np.flatnonzero(np.diff(index) > 0)
    if filled.size:
        value = value[: index[-1]]
        low[filled] = np.minimum.reduceat(value, index[:-1][filled])
        high[filled] = np.maximum.reduceat(value, index[:-1][filled])
        lone = filled[~some[filled]]
        mean[lone] = value[index[:-1][lone]]
    return Minutes(mean=mean, low=low, high=high, charge=charge, covered=seconds)


def resample_previous(
    series: Series, time_utc: FloatArray, *, age_max: float | None = None
) -> FloatArray:
    """
    Lay a channel on other times: the newest good reading not older than ``age_max``.

    Parameters
    ----------
    series : Series
        One channel.
    time_utc : (n,) float64
        Wanted times, increasing. [s]
    age_max : float, optional
        Largest age; default the hole limit of the channel. [s]

    Returns
    -------
    value : (n,) float64
        NaN where nothing young enough exists.
    """
    good = np.isfinite(series.value)
    time, value = series.time_utc[good], series.value[good]
    out = np.full(len(time_utc), np.nan)
    if len(time) == 0:
        return out
    k = np.searchsorted(time, time_utc, side="right") - 1
    limit = series.hole if age_max is None else age_max
    fresh = (k >= 0) & (time_utc - time[np.maximum(k, 0)] <= limit)
    out[fresh] = value[k[fresh]]
    return out
