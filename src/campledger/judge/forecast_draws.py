"""
Possible futures of one quantity, drawn from the trip's own days.

The complete history is the ensemble: each future day repeats a recorded day, a decaying
share of the present anomaly bridges from now to it, and what few days cannot show
(days unlike them, an uncertain mean) is added from a prior that fades with the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.forecast_history import SLOTS, STEP, rows_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from campledger.model.series import FloatArray

RECENT = 4
"""Half hours that tell the present anomaly. Common practice, no source."""
ROW_LEAST = 0.3
"""Share of a day that must be known for it to be repeated. Common practice."""
BRIDGE = 0.4
"""Share of the present anomaly that lasts beyond the moment. Common practice."""
TAIL = 4.0
"""Freedom of Student's t for days unlike the recorded ones. Common practice."""
LEAST_SHARE = 0.15
"""No path draws less than this share of the usual. Common practice, no source."""
SMOOTH = 3
"""Half width, in half hours, of the neighbours that steady a slot. Common practice."""


@dataclass(frozen=True, kw_only=True)
class Prior:
    """
    What is believed before the trip tells.

    ``profile`` (48,) and ``weight`` (in days) stand for a plan; ``spread`` is the
    day-to-day share of the mean and ``freedom`` how many days it is worth; ``memory``
    [s] is how fast the present anomaly fades.
    """

    profile: FloatArray | None = None
    weight: float = 0.0
    spread: float = 0.30
    freedom: float = 2.0
    memory: float = 3 * 3600.0


@dataclass(frozen=True, kw_only=True)
class Pool:
    """
    Recorded days ready to be repeated: mean (48,), anomalies (d, 48), newest first.

    ``before`` (d,) is the anomaly just before each row, ``now`` the present one.
    ``spread_extra`` and ``spread_mean`` are what the anomalies do not show.
    """

    mean: FloatArray
    anomaly: FloatArray
    before: FloatArray
    now: float
    weight: FloatArray
    spread_extra: float
    spread_mean: float
    days: float


def slot_means(rows: FloatArray, prior: Prior) -> FloatArray:
    """
    Give the mean of each clock slot, steadied by its neighbours and the prior.

    Parameters
    ----------
    rows : (d, 48) float64
        Days, NaN where unknown.
    prior : Prior
        May carry a profile.

    Returns
    -------
    mean : (48,) float64
        NaN only if nothing is known at all.
    """
    known = np.isfinite(rows)
    count = known.sum(axis=0).astype(float)
    total = np.where(known, rows, 0.0).sum(axis=0)
    overall = total.sum() / count.sum() if count.sum() else np.nan
    near_count, near_total = np.zeros(SLOTS), np.zeros(SLOTS)
    for shift in range(-SMOOTH, SMOOTH + 1):
        near_count += np.roll(count, shift)
        near_total += np.roll(total, shift)
    near = np.where(near_count > 0, near_total / np.maximum(near_count, 1), overall)
    weight = prior.weight
    if prior.profile is not None and weight > 0:
        near = np.where(np.isfinite(near), near, prior.profile)
        level = near_count / (2 * SMOOTH + 1)
        near = (level * near + weight * prior.profile) / (level + weight)
        mean = (total + (0.5 + weight) * near) / (count + 0.5 + weight)
        return np.asarray(mean, dtype=np.float64)
    return np.asarray((total + 0.5 * near) / (count + 0.5), dtype=np.float64)


def _unsteadiness(rows: FloatArray) -> float:
    """Tell a constant draw (0) from one that comes and goes (1)."""
    values = rows[np.isfinite(rows)]
    if values.size < 2:
        return 1.0
    mean = abs(float(values.mean()))
    return min(1.0, 2.0 * float(values.std()) / mean) if mean > 0 else 1.0


def pool_of(values: FloatArray, prior: Prior) -> Pool:
    """
    Prepare a quantity's recorded days.

    Parameters
    ----------
    values : (n,) float64
        Half-hour means, oldest first, ending now; NaN = unknown.
    prior : Prior
        What is believed beside them.

    Returns
    -------
    pool : Pool
        Ready for `draw`.
    """
    rows = rows_of(values)
    mean = slot_means(rows, prior)
    mean = np.nan_to_num(mean)
    known = np.isfinite(rows)
    share = known.mean(axis=1)
    anomaly = np.where(known, rows - mean, 0.0)
    keep = share >= ROW_LEAST
    days = float(share.sum())
    level = float(np.abs(mean).mean())
    unsteady = _unsteadiness(rows) if days > 0.25 else 1.0
    prior_var = (prior.spread * level * unsteady) ** 2
    totals = np.where(keep, anomaly.sum(axis=1) / np.maximum(known.sum(axis=1), 1), 0.0)
    used = float((share * keep).sum())
    square = float((share * totals**2).sum())
    var = (prior.freedom * prior_var + square) / (prior.freedom + max(0.0, used - 1.0))
    shown = square / used if used > 0 else 0.0
    tail = np.where(known[:, -RECENT:], anomaly[:, -RECENT:], np.nan)
    recent = np.array([_mean_or_zero(x) for x in tail])
    return Pool(
        mean=mean,
        anomaly=anomaly[keep],
        before=np.append(recent[1:], 0.0)[keep],
        now=float(recent[0]),
        weight=share[keep],
        spread_extra=float(np.sqrt(max(0.0, var - shown))),
        spread_mean=float(np.sqrt(var / max(0.5, days + prior.weight))),
        days=days,
    )


def _bridge(anomaly: FloatArray, mean: FloatArray) -> FloatArray:
    """Let an anomaly last in part, never below half of the usual draw."""
    return np.maximum(BRIDGE * anomaly[None, :], -0.5 * np.abs(mean))


def _mean_or_zero(values: FloatArray) -> float:
    good = values[np.isfinite(values)]
    return float(good.mean()) if good.size else 0.0


def choose_rows(
    weight: FloatArray,
    days: int,
    paths: int,
    rng: np.random.Generator,
    *,
    follow: float = 0.0,
) -> NDArray[np.int64]:
    """
    Choose which recorded day each future day of each path repeats.

    Each path weighs the rows anew (Bayesian bootstrap), so that paths differ lastingly
    by as much as few days leave the mean unknown.

    Parameters
    ----------
    weight : (d,) float64
        Weight of each row, newest first.
    days, paths : int
        Future days and paths.
    rng : numpy Generator
        Source of chance.
    follow : float
        Probability that the next day is like the one before it. [1]

    Returns
    -------
    index : (days, paths) int64
        Row numbers.

    References
    ----------
    .. [1] D. B. Rubin, "The Bayesian bootstrap", Annals of Statistics 9 (1981) 130-134.
    """
    shares = rng.standard_gamma(np.repeat(weight[:, None], paths, axis=1))
    shares = np.cumsum(shares + 1e-12, axis=0)
    shares /= shares[-1]
    index = np.zeros((days, paths), dtype=np.int64)
    for day in range(days):
        drawn = (rng.random(paths) > shares).sum(axis=0)
        keep = (rng.random(paths) < follow) if day else np.zeros(paths, dtype=bool)
        index[day] = np.where(keep, index[day - 1], drawn)
    return index


def draw(
    pool: Pool,
    prior: Prior,
    steps: int,
    paths: int,
    rng: np.random.Generator,
    *,
    signed: bool = False,
) -> FloatArray:
    """
    Draw futures of a demand.

    Parameters
    ----------
    pool : Pool
        Of the quantity.
    prior : Prior
        The same as made the pool.
    steps, paths : int
        Half hours ahead, and how many futures.
    rng : numpy Generator
        Source of chance.
    signed : bool
        It may be negative (sources are not measured apart).

    Returns
    -------
    values : (steps, paths) float64
        Never below 0 unless signed.
    """
    days = -(-steps // SLOTS)
    slot = np.arange(steps) % SLOTS
    day = np.arange(steps) // SLOTS
    mean = pool.mean[slot][:, None]
    out = np.repeat(mean, paths, axis=1)
    fade = np.exp(-(np.arange(steps) + 0.5) * STEP / prior.memory)[:, None]
    if len(pool.weight):
        index = choose_rows(pool.weight, days, paths, rng)
        out += pool.anomaly[index[day], slot[:, None]]
        out += fade * _bridge(pool.now - pool.before[index[0]], mean)
    else:
        out += fade * _bridge(np.full(paths, pool.now), mean)
    size = np.abs(mean)
    shape = size / max(1e-9, float(np.abs(pool.mean).mean()))
    unlike = rng.standard_t(TAIL, (days, paths)) / np.sqrt(TAIL / (TAIL - 2.0))
    daily = unlike * pool.spread_extra
    whole = rng.standard_normal(paths) * pool.spread_mean
    out += shape * (daily[day] + whole)
    if signed:
        return out
    # Cutting at nothing must not add to a path's total.
    above = np.maximum(out, 0.0)
    whole = np.maximum(out.sum(axis=0), LEAST_SHARE * mean.sum())
    return np.asarray(
        above * (whole / np.maximum(above.sum(axis=0), 1e-9)), dtype=np.float64
    )
