"""
Minute summaries of one block: made when it is sealed, checked against the clock later.

A summary is tied to the dating of its boot and to the reading before the block. When
either has changed since, the reader makes it again from the block; readings stay.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.integrate import cumulative
from campledger.model.series import MINUTE, FloatArray, Series
from campledger.store.blocks import MIN_SPARSE
from campledger.store.codec import decode, encode
from campledger.store.types import SAMPLING

if TYPE_CHECKING:
    from campledger.model.clock import BootClock

QUANTUM = 1e-6
"""Charges (value x s) and seconds of a minute are kept to this. [s]"""


@dataclass(frozen=True, kw_only=True)
class Carry:
    """The reading before a block: its uptime and value."""

    uptime: float
    value: float


@dataclass(frozen=True, kw_only=True)
class Summary:
    """
    One channel of one block, by minute.

    Arrays (k,): ``charge`` value x s, ``covered`` s, ``low``, ``high`` NaN where there
    is no reading. ``first_minute`` is the end of the first minute / 60. ``total`` and
    ``total_covered`` are over uptime, untouched by any clock.
    """

    origin: float
    rate: float
    carry: float | None
    tail: float | None
    first_minute: int
    charge: FloatArray
    covered: FloatArray
    low: FloatArray
    high: FloatArray
    total: float
    total_covered: float


@dataclass(frozen=True, kw_only=True)
class Extremes:
    """Lowest and highest poll of each stored interval, where they were kept."""

    low: FloatArray | None = None
    high: FloatArray | None = None


def own_pace(
    uptime: FloatArray, value: FloatArray, extremes: Extremes
) -> tuple[FloatArray, FloatArray, Extremes]:
    """Leave out empty rows of a channel that is slower than its time axis."""
    good = np.isfinite(value)
    if good.mean() >= MIN_SPARSE:
        return uptime, value, extremes
    thin = Extremes(
        low=None if extremes.low is None else extremes.low[good],
        high=None if extremes.high is None else extremes.high[good],
    )
    return uptime[good], value[good], thin


def summarise(
    uptime: FloatArray,
    value: FloatArray,
    *,
    clock: BootClock,
    sampling: int,
    carry: Carry | None = None,
    extremes: Extremes | None = None,
) -> Summary:
    """
    Condense one channel of one block.

    Parameters
    ----------
    uptime, value : (n,) float64
        Readings, uptime increasing strictly; value NaN where missing.
    clock : BootClock
        Dates the boot; origin 0 for a boot that nothing dates.
    sampling : int
        0 point, 1 mean.
    carry : Carry, optional
        The reading before the block; used if no hole lies between.
    extremes : Extremes, optional
        Take low and high from these.
    """
    extremes = extremes or Extremes()
    uptime, value, extremes = own_pace(uptime, value, extremes)
    good = np.isfinite(value)
    tail = None
    if good.any():
        tail = float(uptime[-1] if sampling else uptime[np.flatnonzero(good)[-1]])
    own = Series(time_utc=uptime, value=value, sampling=SAMPLING[sampling])
    start = -np.inf
    series = own
    if carry is not None and len(uptime) and uptime[0] - carry.uptime <= own.hole:
        start = carry.uptime
        series = Series(
            time_utc=np.concatenate(([carry.uptime], uptime)),
            value=np.concatenate(([carry.value], value)),
            sampling=own.sampling,
        )
    running = cumulative(series)
    begin = running.time[0] if len(running.time) else 0.0
    begin = max(start, begin)
    end = uptime[-1] if len(uptime) else begin
    first, last = np.ceil(clock.at(np.array([begin, end])) / MINUTE)
    edges = np.arange(first - 1, max(first, last) + 1) * MINUTE
    inner = np.clip((edges - clock.origin) / clock.rate, begin, None)
    total, covered = running.at(inner)
    low, high = _extremes(clock.at(uptime), value, extremes, edges)
    ends, seconds = running.at(np.array([begin, end]))
    return Summary(
        origin=clock.origin,
        rate=clock.rate,
        carry=None if start == -np.inf else start,
        tail=tail,
        first_minute=int(first),
        charge=_round(np.diff(total) * clock.rate),
        covered=_round(np.diff(covered) * clock.rate),
        low=low,
        high=high,
        total=float(ends[1] - ends[0]),
        total_covered=float(seconds[1] - seconds[0]),
    )


def _round(values: FloatArray) -> FloatArray:
    out: FloatArray = np.rint(values / QUANTUM) / round(1 / QUANTUM) + 0.0
    return out


def _extremes(
    time: FloatArray, value: FloatArray, extremes: Extremes, edges: FloatArray
) -> tuple[FloatArray, FloatArray]:
    count = len(edges) - 1
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    index = np.searchsorted(time, edges, side="right")
    filled = np.flatnonzero(np.diff(index) > 0)
    if filled.size:
        starts, stop = index[:-1][filled], index[-1]
        lows = value if extremes.low is None else np.fmin(extremes.low, value)
        highs = value if extremes.high is None else np.fmax(extremes.high, value)
        low[filled] = np.fmin.reduceat(lows[:stop], starts)
        high[filled] = np.fmax.reduceat(highs[:stop], starts)
    return low, high


def pack_summary(summary: Summary) -> bytes:
    """Pack the arrays of a summary."""
    parts = []
    for values in (summary.charge, summary.covered, summary.low, summary.high):
        blob = encode(values)[1]
        parts.append(struct.pack("<I", len(blob)) + blob)
    return b"".join(parts)


def unpack_arrays(blob: bytes) -> tuple[FloatArray, ...]:
    """Give charge, covered, low and high of a packed summary."""
    at, out = 0, []
    for _ in range(4):
        (size,) = struct.unpack_from("<I", blob, at)
        out.append(decode(blob[at + 4 : at + 4 + size]))
        at += 4 + size
    return tuple(out)
