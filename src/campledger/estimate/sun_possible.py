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

from campledger.estimate.sun_held import around

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from campledger.estimate.sun_camps import Camp
    from campledger.model.series import BoolArray, FloatArray

BLOCK = 10
"""Length of the steps in which the sky is described. [minutes]"""
SKY_FAST, SKY_SLOW, SHADE, SKY_TRIP = 0.03, 0.10, 0.03, 0.05
"""Variance of the latent sky: passing clouds, the weather of the day, shade of the
camp, the season. Common practice, no source."""
FAST, SLOW, SHADE_HOURS = 15.0, 500.0, 40.0
"""How long each of the first three lasts. Common practice, no source. [min]"""
SKY_MEAN = 0.85
"""Mean of the latent sky under which batteries get full; above 1 is a clear sky with
room to spare, so this gives a clear sky four times in ten. Common practice."""
CLEAR_FROM = 0.93
"""A free block above this saw a clear sky: haze and model error. Common practice."""
LATENT_MOST = 2.0
SEEN_VAR = 0.002
"""How well a block's mean is known from its free minutes. Common practice."""
HORIZON, HORIZON_HEIGHT = 0.15, 0.30
"""Trees and hills near the horizon say little about the sky above: extra variance of a
low sun, and the height (share of the brightest clear sky) at which it has fallen to a
third. Common practice, no source."""
SKY_WIDER, UNSEEN = 1.35, 0.09
"""Weather is not this model's: factor on its standard deviation, and what share of the
unused energy stays uncertain however long the record. Set on trips of other worlds."""
SWEEPS = 4
DAMPING = 0.6
CHUNK = 12 * 144
"""Blocks that are solved together: twelve days."""
INDEX_MOST = 1.08
"""Above a clear sky only beside a cloud, and briefly. Common practice, no source."""
INDEX_LEAST = 0.03
CLEAR_MEAN = 1.0
"""What a clear sky gives beside the fitted one, on average."""
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


def _kernel(minute: FloatArray, camp: FloatArray) -> FloatArray:
    """Covariance of the latent sky between blocks."""
    apart = np.abs(minute[:, None] - minute[None, :])
    clock = np.mod(apart, 1440.0)
    clock = np.minimum(clock, 1440.0 - clock)
    same_camp = camp[:, None] == camp[None, :]
    covariance: FloatArray = (
        SKY_FAST * np.exp(-apart / FAST)
        + SKY_SLOW * np.exp(-apart / SLOW)
        + SHADE * same_camp * np.exp(-clock / SHADE_HOURS)
        + SKY_TRIP
    )
    return covariance


def _truncated(
    mean: FloatArray, std: FloatArray, low: FloatArray, high: float
) -> FloatArray:
    """Nodes (n, 21) of a logistic law cut to [low, high]."""
    width = np.maximum(std, 1e-3) * np.sqrt(3.0) / np.pi

    def share(x: FloatArray) -> FloatArray:
        part: FloatArray = 1.0 / (1.0 + np.exp(-np.clip((x - mean) / width, -40, 40)))
        return part

    low = np.minimum(low, high - 0.01)
    a, b = share(low), share(np.full_like(low, high))
    p = a[:, None] + (b - a)[:, None] * NODES[None, :]
    p = np.clip(p, 1e-12, 1 - 1e-12)
    nodes = mean[:, None] + width[:, None] * np.log(p / (1.0 - p))
    inside: FloatArray = np.clip(nodes, low[:, None], high)
    return inside


def possible_output(
    power: FloatArray,
    clear: FloatArray,
    free: BoolArray,
    held: BoolArray,
    doubtful: BoolArray,
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
    doubtful : (m,) bool
        Free minutes that say nothing sure about the sky. [1]
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
    floor = _floor(index, held, power)
    unknown = up & ~free
    sure = np.where(doubtful, np.nan, seen)
    blocks = _describe(sure, clear, held, unknown, floor, camps, minute_utc)
    sky_fit = _sky(blocks)
    mean, std = sky_fit.mean, sky_fit.std
    m = len(power)
    block = np.arange(m) // BLOCK
    pick = np.flatnonzero(unknown)
    latent = _truncated(mean[block[pick]], std[block[pick]], floor[pick], LATENT_MOST)
    nodes = np.minimum(latent, CLEAR_MEAN)
    middle = nodes.mean(axis=1)
    out = np.where(free, power, 0.0)
    lo, hi = out.copy(), out.copy()
    best = clear[pick]
    wide = 1.645 * scale_std
    base = np.where(held[pick], np.nan_to_num(power[pick]), 0.0)
    out[pick] = np.maximum(base, best * middle)
    lo[pick] = np.maximum(base, best * nodes[:, 1] * (1 - wide))
    hi[pick] = np.maximum(base, best * nodes[:, -2] * (1 + wide))
    seen[pick] = middle
    shrink = nodes.std(axis=1) / np.maximum(std[block[pick]], 1e-6)
    part = np.zeros(m)
    part[pick] = best * np.minimum(shrink, 1.0)
    sky_std = sky_fit.total_std(part)
    rest = float(np.nansum(out[pick]))
    unused = float(np.nansum(out[pick] - base))
    bias = np.hypot(scale_std * rest, UNSEEN * unused)
    return Possible(
        power=out,
        power_lo=lo,
        power_hi=hi,
        index=seen,
        energy=float(np.nansum(out)) / 60.0,
        energy_std=float(np.hypot(SKY_WIDER * sky_std, bias)) / 60.0,
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
    floor: FloatArray = np.clip(
        np.maximum(low, edge[np.arange(m) // BLOCK]), INDEX_LEAST, 1.0
    )
    return floor


@dataclass(frozen=True, kw_only=True)
class _Blocks:
    """
    The daylight blocks of a trip, arrays (n,); ``number`` of ``count`` on the grid.

    ``sky`` is the mean index of free minutes, NaN without any, ``noise`` its variance;
    ``unknown`` marks blocks with minutes to be filled, ``low`` the least index there.
    """

    count: int
    number: FloatArray
    minute: FloatArray
    camp: FloatArray
    sky: FloatArray
    noise: FloatArray
    low: FloatArray
    unknown: BoolArray


def _describe(
    seen: FloatArray,
    clear: FloatArray,
    held: BoolArray,
    unknown: BoolArray,
    floor: FloatArray,
    camps: tuple[Camp, ...],
    minute_utc: FloatArray,
) -> _Blocks:
    m = len(seen)
    near = around(held.astype(np.float64), 5) > 0
    apart = np.where(near, np.nan, seen)
    sky, weight = _blocks(apart, clear)
    count = len(sky)
    pad = (0, count * BLOCK - m)
    hidden = np.asarray(np.pad(unknown, pad).reshape(count, BLOCK).any(axis=1))
    low = np.pad(np.where(held, floor, 0.0), pad).reshape(count, BLOCK).max(axis=1)
    height = np.pad(clear, pad).reshape(count, BLOCK).max(axis=1)
    height = height / max(float(height.max(initial=0.0)), 1e-9)
    number = np.flatnonzero(hidden | ((weight > 0) & np.isfinite(sky)))
    first = np.minimum(number * BLOCK + BLOCK // 2, m - 1)
    camp = np.zeros(len(number))
    for k, c in enumerate(camps):
        camp[(first >= c.first) & (first < c.last)] = k
    tall = height[number]
    full = weight[number] / np.maximum(tall * weight.max(initial=1e-9), 1e-9)
    noise = SEEN_VAR / np.clip(full, 0.1, 1.0)
    noise = noise + HORIZON * np.exp(-((tall / HORIZON_HEIGHT) ** 2))
    return _Blocks(
        count=count,
        number=number.astype(np.float64),
        minute=minute_utc[first] / 60.0,
        camp=camp,
        sky=sky[number],
        noise=noise,
        low=np.maximum(low[number], INDEX_LEAST),
        unknown=hidden[number],
    )


@dataclass(frozen=True, kw_only=True)
class _Sky:
    """Latent sky of each block: mean, standard deviation; covariance in chunks."""

    mean: FloatArray
    std: FloatArray
    chunks: tuple[tuple[FloatArray, FloatArray], ...]

    def total_std(self, weight: FloatArray) -> float:
        """Standard deviation of the sum over minutes of weight times latent sky."""
        pad = np.pad(weight, (0, -len(weight) % BLOCK)).reshape(-1, BLOCK).sum(axis=1)
        total = 0.0
        for number, covariance in self.chunks:
            part = pad[number.astype(np.int64)]
            total += float(part @ covariance @ part)
        return float(np.sqrt(max(total, 0.0)))


def _sky(blocks: _Blocks) -> _Sky:
    """
    Krige the latent sky of all blocks.

    Free blocks below a clear sky are measurements. A clear block, and a held one, are
    inequalities: the latent sky lay above a bound (expectation propagation: Minka,
    "Expectation propagation for approximate Bayesian inference", UAI 2001).
    """
    mean = np.full(blocks.count, SKY_MEAN)
    std = np.full(blocks.count, np.sqrt(SKY_FAST + SKY_SLOW + SHADE + SKY_TRIP))
    chunks = []
    group = blocks.number // CHUNK
    for g in np.unique(group):
        k = np.flatnonzero(group == g)
        centre, covariance = _solve(blocks, k)
        where = blocks.number[k].astype(np.int64)
        mean[where] = centre
        std[where] = np.sqrt(np.maximum(np.diag(covariance), 1e-6))
        chunks.append((blocks.number[k], covariance))
    return _Sky(mean=mean, std=std, chunks=tuple(chunks))


def _solve(blocks: _Blocks, k: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of the latent sky of the blocks ``k``."""
    n = len(k)
    prior = _kernel(blocks.minute[k], blocks.camp[k]) + 1e-5 * np.eye(n)
    sky, noise = blocks.sky[k], blocks.noise[k]
    measured = np.isfinite(sky)
    exact = measured & (sky < CLEAR_FROM)
    gauss_p = np.where(exact, 1.0 / noise, 0.0)
    gauss_h = np.where(exact, np.nan_to_num(sky - SKY_MEAN) / noise, 0.0)
    bound = np.where(measured & ~exact, CLEAR_FROM, blocks.low[k])
    limited = (measured & ~exact) | (blocks.unknown[k] & ~exact)
    site_p, site_h = np.zeros(n), np.zeros(n)
    mean, covariance = _posterior(prior, gauss_p, gauss_h)
    for _ in range(SWEEPS):
        var = np.maximum(np.diag(covariance), 1e-6)
        cavity_p = np.maximum(1.0 / var - site_p, 0.5)
        cavity = (mean / var - site_h) / cavity_p
        nodes = _truncated(
            cavity + SKY_MEAN, np.sqrt(1.0 / cavity_p), bound, LATENT_MOST
        )
        inner = np.maximum(nodes.var(axis=1), 1e-4)
        new_p = np.where(limited, np.clip(1.0 / inner - cavity_p, 0.0, 300.0), 0.0)
        new_h = (nodes.mean(axis=1) - SKY_MEAN) * (new_p + cavity_p) - cavity * cavity_p
        new_h = np.where(new_p > 0, new_h, 0.0)
        site_p = (1 - DAMPING) * site_p + DAMPING * new_p
        site_h = (1 - DAMPING) * site_h + DAMPING * new_h
        mean, covariance = _posterior(prior, gauss_p + site_p, gauss_h + site_h)
    return mean + SKY_MEAN, covariance


def _posterior(
    prior: FloatArray, precision: FloatArray, pull: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gaussian posterior under independent sites, stable for precision 0."""
    root = np.sqrt(precision)
    inner = np.eye(len(prior)) + root[:, None] * prior * root[None, :]
    half = np.linalg.solve(inner, root[:, None] * prior)
    covariance = prior - (root[:, None] * prior).T @ half
    return covariance @ pull, covariance
