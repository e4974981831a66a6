"""
What the sun could have given in minutes that were held back.

Nothing measures the sky then. What is known: the output that was delivered (the sky
gave at least that), the sky before and after, the same hour of other days in the same
camp (shade comes back), and how the sky of this trip varies. The clearness index of a
held minute is drawn together from those, with an interval that grows with the distance
to the last free minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.estimate.sun_camps import Camp
    from campledger.model.series import BoolArray, FloatArray

BLOCK = 10
"""Length of the steps in which the sky is described. [minutes]"""
MEMORY = 150.0
"""How long the sky resembles itself within a day. Common practice, no source. [min]"""
CAMP_WEIGHT = 0.5
"""What the same hour of another day in the same camp is worth. Common practice."""
CAMP_HOURS = 45.0
"""Width of 'the same hour'. [minutes]"""
TRIP_WEIGHT = 0.03
"""What any other block of the trip is worth, at most. Common practice, no source."""
PRIOR_MEAN, PRIOR_WEIGHT, PRIOR_VAR = 0.85, 0.15, 0.06
"""A sky about which nothing is known but that a battery got full under it."""
INDEX_MOST = 1.08
"""Above a clear sky only beside a cloud, and briefly. Common practice, no source."""
INDEX_LEAST = 0.03
NEAR_STD = 0.05
"""How well the sky is known right beside a free minute. Common practice, no source."""
NODES = (np.arange(21) + 0.5) / 21.0


@dataclass(frozen=True, kw_only=True)
class Possible:
    """
    Possible output, arrays (m,), W; and of the whole trip in W.h.

    ``index`` is the clearness index used, measured in free minutes.
    """

    power: FloatArray
    power_lo: FloatArray
    power_hi: FloatArray
    index: FloatArray
    energy: float
    energy_std: float


def _blocks(value: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    count = -(-len(value) // BLOCK)
    pad = count * BLOCK - len(value)
    w = np.pad(np.where(np.isfinite(value), weight, 0.0), (0, pad))
    v = np.pad(np.nan_to_num(value), (0, pad))
    total = w.reshape(count, BLOCK).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (w * v).reshape(count, BLOCK).sum(axis=1) / total
    return mean, total


def _kernel(
    minute: FloatArray, clock: FloatArray, camp: FloatArray, target: FloatArray
) -> FloatArray:
    """Weights (targets, blocks) of what one block tells of another."""
    apart = np.abs(minute[target][:, None] - minute[None, :])
    within = np.exp(-apart / MEMORY) * (apart < 14 * 60)
    round_ = np.abs(clock[target][:, None] - clock[None, :])
    same_hour = np.minimum(round_, 1440.0 - round_) < CAMP_HOURS
    same_camp = camp[target][:, None] == camp[None, :]
    other_day = apart > 14 * 60
    return within + other_day * (CAMP_WEIGHT * (same_hour & same_camp) + TRIP_WEIGHT)


def _truncated(
    mean: FloatArray, std: FloatArray, low: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Nodes (n, 21) of a logistic law cut to [low, INDEX_MOST], and their mean."""
    width = np.maximum(std, 1e-3) * np.sqrt(3.0) / np.pi

    def share(x: FloatArray) -> FloatArray:
        return 1.0 / (1.0 + np.exp(-np.clip((x - mean) / width, -40, 40)))

    low = np.minimum(low, INDEX_MOST - 0.01)
    a, b = share(low), share(np.full_like(low, INDEX_MOST))
    p = a[:, None] + (b - a)[:, None] * NODES[None, :]
    p = np.clip(p, 1e-12, 1 - 1e-12)
    nodes = mean[:, None] + width[:, None] * np.log(p / (1.0 - p))
    nodes = np.clip(nodes, low[:, None], INDEX_MOST)
    return nodes, nodes.mean(axis=1)


def possible_output(
    power: FloatArray,
    clear: FloatArray,
    free: BoolArray,
    held: BoolArray,
    camps: tuple[Camp, ...],
    minute_utc: FloatArray,
    scale_std: float,
) -> Possible:
    """
    Give what the panel could have given in every minute.

    Parameters
    ----------
    power : (m,) float64
        Output. [W]
    clear : (m,) float64
        Output of this panel under a cloudless sky. [W]
    free, held : (m,) bool
        Measured and not held back; held back. [1]
    camps : tuple of Camp
        Stays.
    minute_utc : (m,) float64
        Ends of the minutes. [s]
    scale_std : float
        Relative standard uncertainty of ``clear``. [1]

    Returns
    -------
    possible : Possible
        Free minutes as measured, held ones worked out, the rest from the clear sky and
        the neighbours too (wide).

    References
    ----------
    .. [1] Kernel-weighted persistence and climatology: after Yang, "A universal
       benchmarking method for probabilistic solar irradiance forecasting", Solar
       Energy 184, 2019, 410-416; the weights: common practice, no source.
    """
    up = clear > 0.01 * np.nanmax(clear, initial=1e-9)
    with np.errstate(invalid="ignore", divide="ignore"):
        index = np.where(up & np.isfinite(power), power / clear, np.nan)
    seen = np.where(free & up, np.clip(index, 0.0, INDEX_MOST), np.nan)
    sky, weight = _blocks(seen, clear)
    strength, _ = _blocks(np.where(up, 1.0, np.nan), clear)
    floor = _floor(index, held, power)
    unknown = up & ~free
    mean, std = _sky(sky, weight, unknown, camps, minute_utc)
    m = len(power)
    block = np.arange(m) // BLOCK
    pick = np.flatnonzero(unknown)
    nodes, middle = _truncated(mean[block[pick]], std[block[pick]], floor[pick])
    out = np.where(free, power, 0.0)
    lo, hi = out.copy(), out.copy()
    best = clear[pick]
    wide = 1.645 * scale_std
    base = np.where(held[pick], np.nan_to_num(power[pick]), 0.0)
    out[pick] = np.maximum(base, best * middle)
    lo[pick] = np.maximum(base, best * nodes[:, 1] * (1 - wide))
    hi[pick] = np.maximum(base, best * nodes[:, -2] * (1 + wide))
    seen[pick] = middle
    spread = np.zeros(m)
    spread[pick] = best * nodes.std(axis=1)
    del strength
    return Possible(
        power=out,
        power_lo=lo,
        power_hi=hi,
        index=seen,
        energy=float(np.nansum(out)) / 60.0,
        energy_std=_energy_std(spread, out * unknown, scale_std, m),
    )


def _floor(index: FloatArray, held: BoolArray, power: FloatArray) -> FloatArray:
    """
    Lowest index that a held minute can have had.

    A battery that stays at its set point through minutes of high delivery shows that
    the sky held that long: the edge of the neighbourhood counts, not the minute alone.
    """
    low = np.where(held & np.isfinite(power), np.nan_to_num(index), 0.0)
    m = len(low)
    count = -(-m // BLOCK)
    padded = np.pad(low, (0, count * BLOCK - m)).reshape(count, BLOCK).max(axis=1)
    near = np.stack([np.roll(padded, k) for k in range(-4, 5)])
    edge = np.sort(near, axis=0)[-3] * 0.8
    return np.clip(np.maximum(low, edge[np.arange(m) // BLOCK]), INDEX_LEAST, 1.0)


def _sky(
    sky: FloatArray,
    weight: FloatArray,
    unknown: BoolArray,
    camps: tuple[Camp, ...],
    minute_utc: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of the index of each block."""
    count = len(sky)
    first = np.minimum(np.arange(count) * BLOCK + BLOCK // 2, len(minute_utc) - 1)
    minute = minute_utc[first] / 60.0
    camp = np.zeros(count)
    for k, c in enumerate(camps):
        camp[(first >= c.first) & (first < c.last)] = k
    informed = (weight > 0) & np.isfinite(sky)
    target = np.unique(np.flatnonzero(unknown) // BLOCK)
    mean, std = np.full(count, PRIOR_MEAN), np.full(count, np.sqrt(PRIOR_VAR))
    if target.size == 0:
        return mean, std
    kernel = _kernel(minute, np.mod(minute, 1440.0), camp, target)
    kernel = kernel * informed[None, :] * (weight / (weight.max() + 1e-12))[None, :]
    value = np.nan_to_num(sky)
    total = kernel.sum(axis=1) + PRIOR_WEIGHT
    centre = (kernel @ value + PRIOR_WEIGHT * PRIOR_MEAN) / total
    square = kernel @ value**2 + PRIOR_WEIGHT * (PRIOR_MEAN**2 + PRIOR_VAR)
    mean[target] = centre
    std[target] = np.sqrt(np.maximum(square / total - centre**2, 0.0) + NEAR_STD**2)
    return mean, std


def _energy_std(
    spread: FloatArray, unknown: FloatArray, scale_std: float, m: int
) -> float:
    """Errors of a day's sky hang together; those of the panel's strength all do."""
    sky = 0.0
    for first in range(0, m, 1440):
        part = spread[first : first + 1440 : BLOCK] * BLOCK
        place = np.arange(len(part)) * BLOCK
        linked = np.exp(-np.abs(place[:, None] - place[None, :]) / (2 * MEMORY))
        sky += float(part @ linked @ part)
    return float(np.sqrt(sky + (scale_std * np.nansum(unknown)) ** 2)) / 60.0
