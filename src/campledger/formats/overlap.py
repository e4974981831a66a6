"""
Lay files with different clocks together by what they both saw.

Two recordings of one trip share the battery's volts (or another channel). The lag at
which their changes agree best is how far their clocks are apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.model.series import FloatArray, Series

LAG_MOST = 26 * 3600.0
"""A clock may be in a wrong zone, not on a wrong day. [s]"""
OVERLAP_LEAST = 1800.0
"""Seconds that both must have seen at the lag found."""
AGREEMENT_LEAST = 0.8
"""Correlation of changes below which nothing is claimed."""
RUNNER_UP_MOST = 0.8
"""Another lag that fits nearly as well makes the answer open."""
POINTS_MOST = 2_000_000


@dataclass(frozen=True, kw_only=True)
class ClockOffset:
    """
    How far a file's clock is ahead of the reference, s; add ``-seconds`` to its times.

    ``agreement`` is the correlation at that lag, ``second`` the best one elsewhere.
    ``sure`` False: the files do not tell; give the offset by hand.
    """

    seconds: float
    agreement: float
    second: float
    overlap: float
    step: float
    sure: bool


def find_offset(
    reference: Series, other: Series, *, lag_max: float = LAG_MOST
) -> ClockOffset | None:
    """
    Find how far another recording's clock is ahead of a reference's.

    Parameters
    ----------
    reference, other : Series
        The same channel as each recorded it.
    lag_max : float
        Largest offset considered. [s]

    Returns
    -------
    offset : ClockOffset or None
        None if the two share too little even to try.

    Notes
    -----
    Both are laid on a common grid and high-passed by first differences; the normalised
    cross-correlation over the overlap is worked out by FFT.

    References
    ----------
    .. [1] J. P. Lewis, "Fast Normalized Cross-Correlation", 1995.
    """
    step = max(1.0, round(reference.interval), round(other.interval))
    if not np.isfinite(step):
        return None
    start = min(reference.time_utc[0], other.time_utc[0])
    end = max(reference.time_utc[-1], other.time_utc[-1])
    if (end - start) / step > POINTS_MOST:
        step = (end - start) / POINTS_MOST
    count = int((end - start) / step) + 1
    a, a_there = _changes(reference, start, step, count)
    b, b_there = _changes(other, start, step, count)
    lags, score, shared = _correlate(a, a_there, b, b_there, int(lag_max / step))
    usable = shared * step >= OVERLAP_LEAST
    if not usable.any():
        return None
    score = np.where(usable, score, -1.0)
    best = int(np.argmax(score))
    near = np.abs(np.arange(len(score)) - best) <= max(3, round(10 / step))
    second = float(np.max(np.where(near, -1.0, score), initial=-1.0))
    agreement = float(score[best])
    return ClockOffset(
        seconds=float(lags[best]) * step,
        agreement=agreement,
        second=second,
        overlap=float(shared[best]) * step,
        step=step,
        sure=agreement >= AGREEMENT_LEAST and second <= RUNNER_UP_MOST * agreement,
    )


def _changes(
    series: Series, start: float, step: float, count: int
) -> tuple[FloatArray, FloatArray]:
    """Give changes on the grid (0 where unknown) and where they are known."""
    good = np.isfinite(series.value)
    times, values = series.time_utc[good], series.value[good]
    grid = start + step * np.arange(count)
    if len(times) < 2:
        return np.zeros(count), np.zeros(count)
    after = np.clip(np.searchsorted(times, grid), 1, len(times) - 1)
    hole = (times[after] - times[after - 1]) > series.hole
    inside = (grid >= times[0]) & (grid <= times[-1]) & ~hole
    level = np.where(inside, np.interp(grid, times, values), np.nan)
    change = np.diff(level, prepend=np.nan)
    known = np.isfinite(change)
    return np.where(known, change, 0.0), known.astype(np.float64)


def _correlate(
    a: FloatArray, a_there: FloatArray, b: FloatArray, b_there: FloatArray, most: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give lags, correlation and shared points; b lags a by a positive lag."""
    size = 1 << int(np.ceil(np.log2(2 * len(a))))
    most = min(most, len(a) - 1)

    def cross(x: FloatArray, y: FloatArray) -> FloatArray:
        raw = np.fft.irfft(np.conj(np.fft.rfft(x, size)) * np.fft.rfft(y, size), size)
        both: FloatArray = np.concatenate((raw[-most:], raw[: most + 1]))
        return both

    product = cross(a, b)
    power = cross(a * a, b_there) * cross(a_there, b * b)
    score = product / np.sqrt(np.maximum(power, 1e-12))
    shared = np.round(cross(a_there, b_there))
    lags = np.arange(-most, most + 1, dtype=np.float64)
    return lags, np.clip(score, -1.0, 1.0), shared
