"""
Steps and the level stretches between them, found robustly in the remainder.

A step is a lasting change of the median; single wild readings make none. The surge of
a starting motor is folded into its step.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from campledger.estimate.loads.remainder import Remainder
    from campledger.model.series import BoolArray, FloatArray

IntArray: TypeAlias = NDArray[np.int64]

STEP_LEAST = 0.8
"""Smallest step looked for, W. Common practice, no source."""
STEP_SIGMAS = 5.0
"""A step stands this many noise widths clear. Common practice, no source."""
NOISE_LEAST = 0.05
"""Noise is never taken as less, W. Common practice, no source."""
BLOCK = 60
"""Readings in a block in which the noise is taken as constant. Common practice, no
source."""
WIDTHS = (3, 10)
"""Readings on each side of a step: narrow for bursts, wide for small steps. Common
practice, no source."""
LEVEL_READINGS = 12
"""Readings from which the level at an end of a stretch is taken. Common practice, no
source."""
SURGE_LONGEST = 10.0
"""A starting surge lasts no longer, s. Common practice, no source."""
BURST_LEAST = 1.5
BURST_BETWEEN = 1.0
"""A mean that stands out by this, W, between neighbours this alike is a burst. Common
practice, no source."""
MINOR_JUMP = 0.15
"""A jump of slow means beside one so much larger is drift. Common practice, no
source."""
SLOW = 20.0
"""Means over more than this hide bursts and switch within a reading, s. Common
practice, no source."""
LONE_SHARE = 0.3
"""A slow mean between two steps is off by about this share of the smaller one. Common
practice, no source."""
LEVEL_FLOOR = 0.2
"""Uncertainty of any level, W. Common practice, no source."""
LEVEL_SHARE = 0.004
"""Uncertainty of any level as a share of it. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Segments:
    """
    Level stretches, arrays (k,).

    ``first`` and ``last`` are indices of readings (``last`` exclusive); ``begin`` and
    ``end`` times; ``level_begin``, ``level_end`` W with variances ``var_begin`` and
    ``var_end``; ``surge`` W by which the step into the stretch overshot; ``hole`` marks
    a stretch that follows a hole in the record.
    """

    first: IntArray
    last: IntArray
    begin: FloatArray
    end: FloatArray
    level_begin: FloatArray
    level_end: FloatArray
    var_begin: FloatArray
    var_end: FloatArray
    surge: FloatArray
    hole: BoolArray

    def __len__(self) -> int:
        """Count the stretches."""
        return len(self.begin)


def local_noise(power: FloatArray) -> FloatArray:
    """
    Estimate the noise around each reading from successive differences.

    Parameters
    ----------
    power : (n,) float64
        Readings without NaN. [W]

    Returns
    -------
    noise : (n,) float64
        Standard deviation, constant over blocks. [W]

    References
    ----------
    .. [1] Median absolute successive difference. Common practice, no source.
    """
    n = len(power)
    step = np.abs(np.diff(power, append=power[-1:]))
    blocks = max(1, n // BLOCK)
    size = n // blocks
    medians = np.median(step[: blocks * size].reshape(blocks, size), axis=1)
    per_block = np.maximum(medians / 0.954, NOISE_LEAST)
    noise: FloatArray = per_block[np.minimum(np.arange(n) // size, blocks - 1)]
    return noise


def _median_shift(power: FloatArray, width: int) -> FloatArray:
    """Median of the next readings minus median of those before, at each reading."""
    n = len(power)
    out = np.zeros(n)
    if n < 2 * width:
        return out
    view = np.lib.stride_tricks.sliding_window_view(power, width)
    medians = np.empty(len(view))
    chunk = 100_000
    for a in range(0, len(view), chunk):
        medians[a : a + chunk] = np.median(view[a : a + chunk], axis=1)
    out[width : n - width + 1] = medians[width:] - medians[: n - 2 * width + 1]
    return out


def _pick_steps(
    jump: FloatArray, shift: FloatArray, limit: FloatArray, width: int
) -> IntArray:
    """Take the sharpest reading of each stretch over the limit."""
    sign = np.where(np.abs(shift) > limit, np.sign(shift), 0.0)
    change = np.flatnonzero(np.diff(sign) != 0) + 1
    bounds = np.concatenate(([0], change, [len(shift)]))
    piece = 2 * width + 1
    found = []
    for a, b in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        if sign[a] == 0:
            continue
        for c in range(a, b, piece):
            part = jump[c : min(b, c + piece)] * sign[a]
            found.append(c + int(np.argmax(part)))
    return np.unique(np.asarray(found, dtype=np.int64))


def _mean_steps(jump: FloatArray, limit: FloatArray) -> IntArray:
    """Take steps of slow means: a switch within a mean makes two jumps of one sign."""
    sign = np.where(np.abs(jump) > limit, np.sign(jump), 0.0)
    change = np.flatnonzero(np.diff(sign) != 0) + 1
    bounds = np.concatenate(([0], change, [len(sign)])).tolist()
    found = []
    for a, b in pairwise(bounds):
        if sign[a] == 0:
            continue
        size = np.abs(jump[a:b])
        big = (np.flatnonzero(size >= MINOR_JUMP * size.max()) + a).tolist()
        while big:
            k = big.pop(0)
            found.append(k)
            if big and big[0] == k + 1:
                big.pop(0)
    return np.asarray(found, dtype=np.int64)


def find_steps(power: FloatArray, noise: FloatArray, *, averaged: bool) -> IntArray:
    """
    Find the readings at which the level changes for good.

    Parameters
    ----------
    power : (n,) float64
        Readings without NaN and without holes. [W]
    noise : (n,) float64
        Noise of each. [W]
    averaged : bool
        Whether readings are means over a slow interval; then each difference is a step.

    Returns
    -------
    steps : (k,) int64
        Indices of the first reading of each new level.

    References
    ----------
    .. [1] Difference of medians. Common practice, no source.
    """
    jump = np.diff(power, prepend=power[:1])
    limit = np.maximum(STEP_LEAST, STEP_SIGMAS * noise)
    if averaged:
        return _mean_steps(jump, limit)
    narrow, wide = WIDTHS
    steps = _pick_steps(
        jump, _median_shift(power, narrow), np.maximum(2.0, 1.2 * limit), narrow
    )
    shift = _median_shift(power, wide)
    shift[: wide // 2] = 0.0
    near = np.zeros(len(power), dtype=bool)
    for k in steps.tolist():
        near[max(0, k - wide) : k + wide] = True
    shift[near] = 0.0
    small = _pick_steps(jump, shift, np.maximum(STEP_LEAST, 0.55 * limit), wide)
    return np.unique(np.concatenate((steps, small)))


def _levels(
    power: FloatArray, first: IntArray, last: IntArray, *, averaged: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Median of the first and of the last readings of each stretch, edges spared."""
    k = len(first)
    begin, end = np.empty(k), np.empty(k)
    spare = 0 if averaged else 1
    for i, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        if b - a > 6:
            inner = power[a + 1 : b - spare]
            begin[i] = np.median(inner[:LEVEL_READINGS])
            end[i] = np.median(inner[-LEVEL_READINGS:])
        else:
            begin[i] = end[i] = np.median(power[a + (averaged and b - a > 1) : b])
    return begin, end


def take_bursts(power: FloatArray) -> tuple[FloatArray, FloatArray]:
    """
    Take single readings that stand out off slow means: bursts shorter than a mean.

    Parameters
    ----------
    power : (n,) float64
        Means, NaN allowed. [W]

    Returns
    -------
    calm, burst : (n,) float64
        The means without bursts, and what the bursts stood out by. [W]

    References
    ----------
    Common practice, no source.
    """
    before = np.concatenate(([np.nan], power[:-1]))
    after = np.concatenate((power[1:], [np.nan]))
    over = power - np.fmax(before, after)
    with np.errstate(invalid="ignore"):
        alone = (over > BURST_LEAST) & (np.abs(after - before) < BURST_BETWEEN)
    level = 0.5 * (before + after)
    burst = np.where(alone, power - level, 0.0)
    return np.where(alone, level, power), burst


def _fold_surges(
    cuts: list[int], begin: FloatArray, end: FloatArray, duration: FloatArray
) -> tuple[list[int], dict[int, float]]:
    """Join a short overshoot after an upward step to the stretch that follows."""
    kept, surge = [cuts[0]], {}
    i = 1
    while i < len(cuts):
        before, here = end[i - 1], begin[i]
        after = begin[i + 1] if i + 1 < len(cuts) else np.nan
        up, net = here - before, after - before
        if (
            i + 1 < len(cuts)
            and duration[i] <= SURGE_LONGEST
            and up > 0
            and net > max(0.15 * up, 2.0)
            and after < here - max(0.05 * up, 1.0)
        ):
            kept.append(cuts[i])
            surge[cuts[i]] = float(here - after)
            i += 2
            continue
        kept.append(cuts[i])
        i += 1
    return kept, surge


def _stretch(
    rest: Remainder, a: int, b: int
) -> tuple[list[int], list[int], dict[int, float]]:
    """Cut one stretch without holes; give first and last indices and surges."""
    power = rest.power[a:b]
    if b - a < 4:
        return [a], [b], {}
    noise = local_noise(power)
    slow = rest.interval > SLOW
    steps = find_steps(power, noise, averaged=slow)
    cuts = [0, *[s for s in steps.tolist() if s > 0]]
    if slow:
        return [a + c for c in cuts], [a + c for c in [*cuts[1:], b - a]], {}
    ends = [*cuts[1:], b - a]
    first = np.asarray(cuts, dtype=np.int64)
    last = np.asarray(ends, dtype=np.int64)
    begin, end = _levels(power, first, last)
    time = rest.time_utc[a:b]
    duration = time[last - 1] - time[first] + rest.interval
    kept, surge = _fold_surges(cuts, begin, end, duration)
    ends = [*kept[1:], b - a]
    return (
        [a + c for c in kept],
        [a + c for c in ends],
        {a + c: v for c, v in surge.items()},
    )


def _between(level: FloatArray, count: IntArray) -> FloatArray:
    """Variance of a lone slow mean: part of it may be the level before or after."""
    jump = np.abs(np.diff(level))
    before, after = np.append(0.0, jump), np.append(jump, 0.0)
    var = (LONE_SHARE * np.minimum(before, after)) ** 2
    return np.asarray(np.where(count == 1, var, 0.0))


def cut_segments(rest: Remainder) -> Segments:
    """
    Cut the remainder into level stretches.

    Parameters
    ----------
    rest : Remainder
        The remainder.

    Returns
    -------
    segments : Segments
        In order of time, holes left out.

    References
    ----------
    Common practice, no source.
    """
    good = np.isfinite(rest.power)
    index = np.flatnonzero(good)
    gap = np.diff(rest.time_utc[index]) > rest.hole
    starts = np.concatenate(([0], np.flatnonzero(gap | (np.diff(index) > 1)) + 1))
    ends = np.concatenate((starts[1:], [len(index)]))
    first: list[int] = []
    last: list[int] = []
    surges: dict[int, float] = {}
    holes: list[bool] = []
    for s, e in zip(starts.tolist(), ends.tolist(), strict=True):
        a, b, surge = _stretch(rest, int(index[s]), int(index[e - 1]) + 1)
        broken = s > 0 and bool(
            rest.time_utc[index[s]] - rest.time_utc[index[s - 1]] > rest.hole
        )
        first += a
        last += b
        surges |= surge
        holes += [broken, *[False] * (len(a) - 1)]
    f, g = np.asarray(first, dtype=np.int64), np.asarray(last, dtype=np.int64)
    skip = np.array(
        [round(SURGE_LONGEST / rest.interval) if k in surges else 0 for k in first],
        dtype=np.int64,
    )
    level_first = np.minimum(f + skip, np.maximum(f, g - 3))
    begin, end = _levels(rest.power, level_first, g, averaged=rest.interval > SLOW)
    noise = np.ones(len(rest.power))
    noise[good] = local_noise(rest.power[good])
    count = np.minimum(np.maximum(g - f, 1), LEVEL_READINGS)
    var = (1.5 * noise[f]) ** 2 / count + LEVEL_FLOOR**2
    if rest.interval > SLOW:
        var = var + _between(begin, g - f)
    return Segments(
        first=f,
        last=g,
        begin=rest.time_utc[f] - 0.5 * rest.interval,
        end=rest.time_utc[g - 1] + 0.5 * rest.interval,
        level_begin=begin,
        level_end=end,
        var_begin=var + (LEVEL_SHARE * begin) ** 2,
        var_end=var + (LEVEL_SHARE * end) ** 2,
        surge=np.array([surges.get(k, 0.0) for k in first]),
        hole=np.asarray(holes, dtype=bool),
    )
