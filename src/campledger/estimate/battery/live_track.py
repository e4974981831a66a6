"""Run the live estimate over a stored trip: causal, on the minute grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.fit_data import UNMEASURED
from campledger.estimate.battery.live import LiveBattery
from campledger.estimate.battery.posterior import normal_share

if TYPE_CHECKING:
    from campledger.estimate.battery.inputs import BatteryInputs
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

REST_MINUTES_LEAST = 60
"""Minutes before what is in no circuit is known. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class LiveTrack:
    """Mean, 5 % and 95 % points on the minute grid, as known at the time."""

    soc: FloatArray
    lo: FloatArray
    hi: FloatArray


def run_live(
    inputs: BatteryInputs, rig: Rig, opening: tuple[float, float] | None = None
) -> LiveTrack:
    """
    Run the live estimate over a stored trip, causally.

    Parameters
    ----------
    inputs : BatteryInputs
        The record on its minute grid.
    rig : Rig
        The vehicle as described.
    opening : tuple of float, optional
        Mean and standard deviation of the opening state of charge. [1]

    Returns
    -------
    track : LiveTrack
        Arrays (m,).

    References
    ----------
    .. [1] See ``LiveBattery``.
    """
    unmeasured = 0.0 if inputs.has_current else UNMEASURED
    if opening == of_house(rig.house).opening:
        opening = None  # nobody told it: the live estimate has its own, wider guess
    live = LiveBattery(rig, opening, unmeasured=unmeasured)
    m = len(inputs.time)
    weights, means, stds, at = [], [], [], np.zeros(m, dtype=np.int64)
    weight, mean, std = live.parts()
    weights.append(weight)
    means.append(mean)
    stds.append(std)
    current, volts, temp = (
        inputs.current.tolist(),
        inputs.voltage.tolist(),
        inputs.temp.tolist(),
    )
    instead = _instead(inputs).tolist()
    counted = np.zeros(m)
    since = 0.0
    size = live.capacity().value
    for k in range(m):
        now = instead[k] if math.isnan(current[k]) else current[k]
        since += 0.0 if math.isnan(now) else now / 60.0
        if live.step(60.0, current[k], volts[k], temp[k], instead=instead[k]):
            weight, mean, std = live.parts()
            weights.append(weight)
            means.append(mean)
            stds.append(std)
            since = 0.0
        at[k] = len(means) - 1
        counted[k] = since / size
    all_means, all_stds = np.stack(means, axis=1), np.stack(stds, axis=1)
    all_weights = np.stack(weights, axis=1)
    lo = _quantile_each(all_weights, all_means, all_stds, 0.05)[at] + counted
    hi = _quantile_each(all_weights, all_means, all_stds, 0.95)[at] + counted
    soc = np.sum(all_weights * all_means, axis=0)[at] + counted
    return LiveTrack(
        soc=np.clip(soc, 0.0, 1.0),
        lo=np.clip(lo, 0.0, 0.999),
        hi=np.clip(hi, 0.001, 1.0),
    )


def _instead(inputs: BatteryInputs) -> FloatArray:
    """Circuits added up, less what is usually in none of them; causal."""
    net = inputs.charging - np.where(np.isfinite(inputs.loading), inputs.loading, 0.0)
    rest = inputs.current - net
    seen = np.isfinite(rest)
    total = np.cumsum(np.where(seen, rest, 0.0))
    count = np.cumsum(seen)
    enough = count >= REST_MINUTES_LEAST
    mean = np.where(enough, total / np.maximum(count, 1), np.nan)
    return net + mean


def _quantile_each(
    weight: FloatArray, mean: FloatArray, std: FloatArray, share: float
) -> FloatArray:
    """Quantile of a mixture whose weights change from column to column."""
    low = np.min(mean - 6.0 * std, axis=0)
    high = np.max(mean + 6.0 * std, axis=0)
    for _ in range(16):
        half = 0.5 * (low + high)
        below = np.sum(weight * normal_share((half - mean) / std), axis=0) < share
        low, high = np.where(below, half, low), np.where(below, high, half)
    out: FloatArray = 0.5 * (low + high)
    return out
