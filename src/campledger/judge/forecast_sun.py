"""
Sun of the coming days from the trip's own clear-sky index: no network, no weather.

References
----------
.. [1] D. Yang, "A universal benchmarking method for probabilistic solar irradiance
   forecasting", Solar Energy 184 (2019) 410-416: complete-history persistence ensemble.
.. [2] D. Yang, "Making reference solar forecasts with climatology, persistence, and
   their optimal convex combination", Solar Energy 193 (2019) 981-985.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.forecast_draws import choose_rows
from campledger.judge.forecast_history import SLOTS, STEP, rows_of

if TYPE_CHECKING:
    from campledger.judge.forecast_history import History
    from campledger.model.series import FloatArray

DAYLIGHT = 0.02
"""Share of the highest clear-sky current that counts as day. Common practice."""
INDEX_MOST = 1.5
PRIOR_LEVELS = np.array([0.2, 0.55, 0.9])
PRIOR_SHARES = np.array([0.25, 0.3, 0.45])
"""Overcast, broken, clear: days before the trip has told. Common practice."""
PRIOR_DAYS = 3.0
"""How many recorded days the prior is worth. Common practice, no source."""
PRIOR_FADES = 16.0
"""Recorded days after which little is left of it. Common practice, no source."""
LEVEL_FADES = 4.0
"""Recorded days that show how a clear day is. Common practice, no source."""
MEMORY = 4 * 3600.0
"""How fast the present sky fades from the forecast. Common practice, no source. [s]"""
JITTER = 0.12
"""A day resembles a recorded one within this share. Common practice, no source."""
FOLLOW = 0.35
"""Chance that tomorrow's sky is like today's. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class SunPool:
    """
    Days of clear-sky index, newest first: ``index`` (d, 48) without NaN.

    ``before`` (d,) and ``now`` are the index just before each row and at present;
    ``age_now`` [s] how old the present one is. ``level`` is a clear day's index.
    ``harvest`` (d,) is each row's charge under its own sky [A.h].
    """

    index: FloatArray
    before: FloatArray
    now: float
    age_now: float
    weight: FloatArray
    level: float
    harvest: FloatArray


def clear_sky_index(history: History) -> FloatArray:
    """
    Give the clear-sky index of each half hour of the record.

    Parameters
    ----------
    history : History
        With what the panels could have given.

    Returns
    -------
    index : (n,) float64
        NaN at night and where neither it nor its day is known.
    """
    top = float(history.clear.max(initial=0.0))
    day = history.clear > DAYLIGHT * top if top > 0 else np.zeros(0, dtype=bool)
    index = np.full(len(history.sun), np.nan)
    if not day.any():
        return index
    known = day & np.isfinite(history.sun)
    index[known] = np.clip(history.sun[known] / history.clear[known], 0.0, INDEX_MOST)
    lone = np.flatnonzero(day & ~known)
    where = np.flatnonzero(known)
    if lone.size and where.size:
        near = np.searchsorted(where, lone)
        left = where[np.clip(near - 1, 0, len(where) - 1)]
        right = where[np.clip(near, 0, len(where) - 1)]
        far_left, far_right = np.abs(lone - left), np.abs(right - lone)
        source = np.where(far_left <= far_right, left, right)
        close = np.minimum(far_left, far_right) <= SLOTS // 4
        index[lone[close]] = index[source[close]]
    return index


def sun_pool(history: History) -> SunPool:
    """
    Prepare the trip's skies.

    Parameters
    ----------
    history : History
        The trip so far.

    Returns
    -------
    pool : SunPool
        Rows may be none.
    """
    index = clear_sky_index(history)
    rows, clear = rows_of(index), rows_of(history.clear)
    known = np.isfinite(rows)
    weight = np.where(known, np.nan_to_num(clear), 0.0).sum(axis=1)
    usual = float(np.nansum(clear[0])) or 1.0
    share = np.minimum(1.0, weight / usual)
    keep = share > 0.3
    mean = np.where(known, rows * np.nan_to_num(clear), 0.0).sum(axis=1)
    mean = mean / np.maximum(weight, 1e-9)
    filled = np.where(known, rows, mean[:, None])
    seen = index[np.isfinite(index)]
    level = float(np.quantile(seen, 0.9)) if seen.size >= 6 else 1.0
    level += max(0.0, 1.0 - level) * float(np.exp(-share.sum() / LEVEL_FADES))
    last = _last_known(rows)
    where = np.flatnonzero(np.isfinite(index))
    age = (len(index) - 1 - where[-1] + 0.5) * STEP if where.size else np.inf
    harvest = np.nansum(filled * np.nan_to_num(clear), axis=1) * STEP / 3600.0
    return SunPool(
        index=filled[keep],
        before=np.append(last[1:], np.nan)[keep],
        now=float(last[0]),
        age_now=float(age),
        weight=share[keep],
        level=level,
        harvest=harvest[keep],
    )


def _last_known(rows: FloatArray) -> FloatArray:
    """Give the mean of the last four known values of each row, NaN if none."""
    out = np.full(len(rows), np.nan)
    for k, row in enumerate(rows):
        good = row[np.isfinite(row)][-4:]
        if good.size:
            out[k] = good.mean()
    return out


def draw_sun(
    pool: SunPool,
    clear: FloatArray,
    paths: int,
    rng: np.random.Generator,
    planned: FloatArray | None = None,
) -> FloatArray:
    """
    Draw what the panels could give.

    Parameters
    ----------
    pool : SunPool
        The trip's skies.
    clear : (k,) float64
        Clear-sky current of the coming half hours. [A]
    paths : int
        How many futures.
    rng : numpy Generator
        Source of chance.
    planned : (days,) float64, optional
        Planned clearness of the coming days, NaN = not planned. [1]

    Returns
    -------
    current : (k, paths) float64
        [A]
    """
    steps = len(clear)
    days = -(-steps // SLOTS)
    day, slot = np.arange(steps) // SLOTS, np.arange(steps) % SLOTS
    made = len(PRIOR_LEVELS)
    total = float(pool.weight.sum())
    prior = PRIOR_SHARES * PRIOR_DAYS * np.exp(-total / PRIOR_FADES)
    weight = np.concatenate((pool.weight, prior))
    index = choose_rows(weight, days, paths, rng, follow=FOLLOW)
    level = np.concatenate((np.zeros(len(pool.weight)), PRIOR_LEVELS * pool.level))
    rows = np.concatenate((pool.index, np.zeros((made, SLOTS))))
    values = rows[index[day], slot[:, None]]
    values = values * (1.0 + JITTER * rng.standard_normal((days, paths)))[day]
    invented = index >= len(pool.weight)
    if invented.any():
        values += np.where(
            invented, _invent(level[index], pool.level, planned, rng), 0.0
        )[day]
    if np.isfinite(pool.now):
        before = np.concatenate((pool.before, np.full(made, np.nan)))[index[0]]
        before = np.where(np.isfinite(before), before, values[0])
        age = pool.age_now + (np.arange(steps) + 0.5) * STEP
        values += np.exp(-age / MEMORY)[:, None] * (pool.now - before)
    return np.clip(values, 0.0, INDEX_MOST) * clear[:, None]


def _invent(
    level: FloatArray,
    clear_level: float,
    planned: FloatArray | None,
    rng: np.random.Generator,
) -> FloatArray:
    """Give the index of days that are not from the record, (days, paths)."""
    noise = rng.normal(0.0, 0.08, level.shape)
    values = level + noise
    if planned is not None:
        known = np.isfinite(planned)[: len(level)]
        wide = rng.normal(0.0, 0.22, level.shape)
        typed = (planned[: len(level), None] + wide) * clear_level
        values = np.where(known[:, None], np.minimum(typed, clear_level), values)
    return np.asarray(np.clip(values, 0.05, INDEX_MOST), dtype=np.float64)
