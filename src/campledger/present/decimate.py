"""Thin a channel for drawing without losing its spikes; needs no chart library."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.model.series import FloatArray


@dataclass(frozen=True, kw_only=True)
class Trace:
    """
    A channel thinned for drawing: least and most of each column, NaN at holes.

    ``time_utc`` (n,) s; ``value`` (n,) in the channel's unit.
    """

    name: str
    time_utc: FloatArray
    value: FloatArray


def decimate(
    time_utc: FloatArray,
    value: FloatArray,
    *,
    start: float,
    end: float,
    columns: int,
    hole: float,
) -> tuple[FloatArray, FloatArray]:
    """
    Thin a channel to the least and most of each column, so that spikes stay.

    Parameters
    ----------
    time_utc, value : (n,) float64
        Times increase; NaN values are left out. [s]
    start, end : float
        Bounds of the drawing. [s]
    columns : int
        Columns of the drawing, at least 1.
    hole : float
        A longer step between readings breaks the line. [s]

    Returns
    -------
    time_utc, value : (k,) float64
        At most four entries a column (two of them breaks); extremes keep their own
        times and order.

    References
    ----------
    Common practice, no source.
    """
    use = np.isfinite(value) & (time_utc >= start) & (time_utc <= end)
    time, kept = time_utc[use], value[use]
    if len(time) == 0 or end <= start:
        return np.zeros(0), np.zeros(0)
    column = np.minimum(
        (columns * (time - start) / (end - start)).astype(np.int64), columns - 1
    )
    edge = np.flatnonzero(np.diff(column)) + 1
    first = np.concatenate(([0], edge))
    rank = np.repeat(np.arange(len(first)), np.diff(np.append(first, len(time))))
    low = _first_where(kept == np.minimum.reduceat(kept, first)[rank], rank)
    high = _first_where(kept == np.maximum.reduceat(kept, first)[rank], rank)
    last = np.append(first[1:], len(time)) - 1
    broken = np.flatnonzero(np.diff(time) > hole)
    index = np.unique(
        np.concatenate((low, high, broken, broken + 1, first[:1], last[-1:]))
    )
    out_time, out_value = time[index], kept[index]
    gap = np.flatnonzero(np.isin(index[:-1], broken))
    middle = 0.5 * (out_time[gap] + out_time[gap + 1])
    return (
        np.insert(out_time, gap + 1, middle),
        np.insert(out_value, gap + 1, np.nan),
    )


def _first_where(hit: np.ndarray, rank: np.ndarray) -> np.ndarray:
    at = np.flatnonzero(hit)
    _, first = np.unique(rank[at], return_index=True)
    return at[first]
