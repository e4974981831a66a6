"""
Steps of a switched current, and slopes through them.

A resistance is read from differences, never from absolute pairs: two voltmeters that
disagree by more than the drop still agree about its change. Nothing here judges.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from campledger.model.series import BoolArray, FloatArray

SETTLE = 4.0
"""Left out after a step, so that an inrush is over. Common practice, no source. [s]"""
WINDOW = 8.0
"""Readings on each side that are averaged. Common practice, no source. [s]"""
STEADY_SHARE = 0.25
"""Largest spread on each side, as a share of the step. Common practice, no source."""
HUBER = 2.0
"""Residuals beyond this many scales lose weight. Common practice, no source."""
NORMAL_90 = 1.645
VOLTMETER_SCALE = 0.010
"""Standard deviation of the ratio of two cheap voltmeters. Common practice."""
MAD_TO_STD = 1.4826


@dataclass(frozen=True, kw_only=True)
class Steps:
    """
    Steps of one current and what others did at the same moments, all (k,).

    ``current`` is the change (A, signed); ``before`` the current before it (A);
    ``others`` (c, k) are the changes of the other channels.
    """

    time_utc: FloatArray
    current: FloatArray
    before: FloatArray
    others: FloatArray

    def __len__(self) -> int:
        """Count the steps."""
        return len(self.time_utc)

    def where(self, mask: BoolArray) -> Steps:
        """Keep some of the steps."""
        return Steps(
            time_utc=self.time_utc[mask],
            current=self.current[mask],
            before=self.before[mask],
            others=self.others[:, mask],
        )


@dataclass(frozen=True, kw_only=True)
class Slope:
    """A slope with its 90 % interval; ``count`` is how many points carried weight."""

    value: float
    lo: float
    hi: float
    count: int
    intercept: float = 0.0


def _windows(
    value: FloatArray, index: NDArray[np.int64], first: int, width: int
) -> tuple[FloatArray, FloatArray]:
    """Give median and spread of ``width`` readings from ``index + first``."""
    rows = index[:, None] + np.arange(first, first + width)[None, :]
    picked = value[rows]
    return np.median(picked, axis=1), np.ptp(picked, axis=1)


def _edges(current: FloatArray, lag: int, least: float) -> NDArray[np.int64]:
    """Find the sample just before each jump of at least ``least``."""
    jump = np.abs(current[lag:] - current[:-lag])
    hot = np.flatnonzero(jump >= 0.8 * least)
    if hot.size == 0:
        return hot
    runs = np.split(hot, np.flatnonzero(np.diff(hot) > 1) + 1)
    single = np.abs(np.diff(current))
    found = []
    for run in runs:
        a, b = int(run[0]), min(int(run[-1]) + lag, len(single))
        found.append(a + int(np.argmax(single[a:b])))
    return np.unique(np.array(found))


def find_steps(
    time_utc: FloatArray,
    current: FloatArray,
    others: Sequence[FloatArray],
    *,
    least: float = 2.0,
    mean: bool = False,
) -> Steps:
    """
    Find where a current switched between two steady levels.

    Parameters
    ----------
    time_utc : (n,) float64
        Sample times, increasing. [s]
    current : (n,) float64
        The switched current. [A]
    others : sequence of (n,) float64
        Channels on the same times whose change is wanted; NaN drops the step.
    least : float
        Smallest step that counts. [A]
    mean : bool
        The readings are means, so the one that holds the edge is left out.

    Returns
    -------
    steps : Steps
        In time order.

    References
    ----------
    .. [1] Common practice, no source.
    """
    columns = [np.asarray(x, dtype=np.float64) for x in (current, *others)]
    empty = np.zeros(0)
    none = Steps(
        time_utc=empty,
        current=empty,
        before=empty,
        others=np.zeros((len(others), 0)),
    )
    if len(time_utc) < 8:
        return none
    interval = float(np.median(np.diff(time_utc)))
    width = int(np.clip(round(WINDOW / interval), 2, 8))
    skip = max(1, int(np.ceil(SETTLE / interval)) if interval < SETTLE else 1)
    early = 1 if mean or interval > SETTLE else 0
    index = _edges(np.nan_to_num(columns[0], nan=0.0), skip + 1, least)
    reach_back, reach_on = width + early + 1, skip + width + 1
    index = index[(index >= reach_back) & (index + reach_on < len(time_utc))]
    if index.size == 0:
        return none
    span = time_utc[index + reach_on - 1] - time_utc[index - reach_back + 1]
    index = index[span <= 1.6 * interval * (reach_back + reach_on)]
    if index.size == 0:
        return none
    before, wobble_a = _windows(columns[0], index, 1 - width - early, width)
    after, wobble_b = _windows(columns[0], index, 1 + skip, width)
    delta = after - before
    changes = np.array(
        [
            _windows(x, index, 1 + skip, width)[0]
            - _windows(x, index, 1 - width - early, width)[0]
            for x in columns[1:]
        ]
    ).reshape(len(others), len(index))
    steady = np.maximum(wobble_a, wobble_b) <= STEADY_SHARE * np.abs(delta) + 0.05
    good = (np.abs(delta) >= least) & steady & np.isfinite(changes).all(axis=0)
    return Steps(
        time_utc=time_utc[index],
        current=delta,
        before=before,
        others=changes,
    ).where(good)


def slope_through_zero(x: FloatArray, y: FloatArray) -> Slope:
    """
    Fit ``y = slope * x`` robustly; the interval comes from the scatter.

    Parameters
    ----------
    x, y : (k,) float64
        Changes of two quantities at the same steps.

    Returns
    -------
    slope : Slope
        NaN for fewer than three points.

    References
    ----------
    .. [1] P. J. Huber, "Robust Estimation of a Location Parameter", Annals of
       Mathematical Statistics 35, 1964, 73-101, from memory.
    """
    nan = float("nan")
    use = np.isfinite(x) & np.isfinite(y) & (np.abs(x) > 0)
    x, y = x[use], y[use]
    if len(x) < 3:
        return Slope(value=nan, lo=nan, hi=nan, count=len(x))
    value = float(np.median(y / x))
    weight = np.ones(len(x))
    for _ in range(20):
        residual = y - value * x
        scale = MAD_TO_STD * float(np.median(np.abs(residual))) + 1e-9
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-12))
        value = float(np.sum(weight * x * y) / np.sum(weight * x * x))
    residual = y - value * x
    clipped = weight * residual
    freedom = max(1.0, float(np.sum(weight)) - 1.0)
    bread = float(np.sum(weight * x * x))
    meat = float(np.sum((clipped * x) ** 2)) * len(x) / freedom
    spread = NORMAL_90 * (1 + 1.3 / freedom) * np.sqrt(meat) / bread
    return Slope(value=value, lo=value - spread, hi=value + spread, count=len(x))


def loop_slope(current: FloatArray, near: FloatArray, far: FloatArray) -> Slope:
    """
    Fit the resistance between two voltmeters from load steps.

    Parameters
    ----------
    current : (k,) float64
        Steps of the current. [A]
    near, far : (k,) float64
        Change of volts at the battery and at the load. [V]

    Returns
    -------
    slope : Slope
        Resistance of the loop (Ohm); the interval holds the scatter and what an
        unequal scale of the two voltmeters makes of the battery's own sag.

    References
    ----------
    .. [1] A public issue thread on a cheap board that read volts 1.5 % high; the
       standard deviation of 1 % is common practice, no source.
    """
    base = slope_through_zero(current, near - far)
    sag = slope_through_zero(current, near).value
    extra = NORMAL_90 * VOLTMETER_SCALE * abs(sag)
    half = float(np.hypot(0.5 * (base.hi - base.lo), extra))
    return Slope(
        value=base.value,
        lo=base.value - half,
        hi=base.value + half,
        count=base.count,
    )


def slope_with_intercept(x: FloatArray, y: FloatArray) -> Slope:
    """
    Fit ``y = intercept + slope * x`` robustly.

    Parameters
    ----------
    x, y : (k,) float64
        Two quantities at the same moments.

    Returns
    -------
    slope : Slope
        NaN for fewer than four points or no spread of x.

    References
    ----------
    .. [1] P. J. Huber, "Robust Estimation of a Location Parameter", Annals of
       Mathematical Statistics 35, 1964, 73-101, from memory.
    """
    nan = float("nan")
    use = np.isfinite(x) & np.isfinite(y)
    x, y = x[use], y[use]
    if len(x) < 4 or float(np.std(x)) <= 1e-9:
        return Slope(value=nan, lo=nan, hi=nan, count=len(x), intercept=nan)
    weight = np.ones(len(x))
    value, start = 0.0, 0.0
    for _ in range(20):
        total = float(np.sum(weight))
        mid_x = float(np.sum(weight * x)) / total
        mid_y = float(np.sum(weight * y)) / total
        spread_x = float(np.sum(weight * (x - mid_x) ** 2))
        value = float(np.sum(weight * (x - mid_x) * (y - mid_y))) / spread_x
        start = mid_y - value * mid_x
        residual = y - start - value * x
        scale = MAD_TO_STD * float(np.median(np.abs(residual))) + 1e-9
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-12))
    residual = y - start - value * x
    freedom = max(1.0, float(np.sum(weight)) - 2.0)
    spread_x = float(np.sum(weight * (x - float(np.average(x, weights=weight))) ** 2))
    variance = float(np.sum(weight * residual**2)) / freedom / spread_x
    spread = NORMAL_90 * (1 + 1.3 / freedom) * float(np.sqrt(variance))
    return Slope(
        value=value, lo=value - spread, hi=value + spread, count=len(x), intercept=start
    )


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """
    Give the stretches where a mask is true.

    Parameters
    ----------
    mask : (n,) bool
        Any mask.

    Returns
    -------
    spans : list of (int, int)
        First index and the index after the last.
    """
    padded = np.concatenate(([False], np.asarray(mask, dtype=bool), [False]))
    change = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True)]


def fill_short_gaps(amps: FloatArray) -> tuple[FloatArray, float]:
    """
    Bridge gaps of minutes by the mean of both sides.

    Parameters
    ----------
    amps : (m,) float64
        Current by minute, NaN in gaps. [A]

    Returns
    -------
    filled : (m,) float64
        Without NaN. [A]
    doubt : float
        Charge that may be wrong: half the spread beside each gap times its length.
        [A.h]

    References
    ----------
    .. [1] Common practice, no source.
    """
    filled = amps.copy()
    doubt = 0.0
    for a, b in runs(~np.isfinite(amps)):
        beside = np.concatenate((amps[max(0, a - 30) : a], amps[b : b + 30]))
        beside = beside[np.isfinite(beside)]
        if len(beside) == 0:
            return np.nan_to_num(amps), float("inf")
        filled[a:b] = float(np.mean(beside))
        doubt += (b - a) / 120.0 * float(np.ptp(np.percentile(beside, [5, 95])))
    return filled, doubt
