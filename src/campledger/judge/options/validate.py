"""
Does the replay give the measured trip back? If not, its answers are refused.

Daily: bias of net charge over mean daily charge out. Hourly: RMSE of net charge over
the mean absolute hourly net charge. These are not ASHRAE Guideline 14's divisors.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options.engine import HOURS, STEP
from campledger.judge.options.types import Validation

if TYPE_CHECKING:
    from campledger.judge.options.replay import Days
    from campledger.model.series import BoolArray, FloatArray

BIAS_MOST = 0.10
RMSE_MOST = 0.30
"""ASHRAE Guideline 14's limits for hourly models, as told in a secondary text; its
divisor, the mean, is near nought for a battery; the mean absolute stands instead. [1]
"""
LOW_MOST = 0.04
"""Low points are promised within 4 points: a replay that misses the known one by more
cannot promise that of another. Derived. [1]"""
STEPS_HOUR = int(3600.0 / STEP)
STEPS_DAY = 24 * STEPS_HOUR
KNOWN_LEAST = 0.9


def validate(
    days: Days, net: FloatArray, soc: FloatArray, held_out: FloatArray | None = None
) -> Validation:
    """
    Compare the replay of the unchanged rig with the record.

    Parameters
    ----------
    days : Days
        The measured days.
    net, soc : (n,) float64
        Replayed current into the battery [A] and state of charge [1].
    held_out : (n,) float64, optional
        The same current, each day replayed with what the other days taught. [A]

    Returns
    -------
    validation : Validation
        NaN where less than a day was recorded.

    References
    ----------
    .. [1] ASHRAE Guideline 14-2014, limits for calibrated models (secondary text).
    """
    known_days = days.known.sum() / STEPS_DAY
    hourly = _sums(days.net, days.known, STEPS_HOUR)
    if known_days < 1.0 or not np.isfinite(hourly).any():
        nan = float("nan")
        return Validation(
            bias_daily=nan,
            rmse_hourly=nan,
            accepted=False,
            reason=(
                "less than a day was recorded"
                if days.known.any()
                else "no battery current was recorded"
            ),
        )
    out = np.where(days.known, np.minimum(np.nan_to_num(days.net), 0.0), 0.0)
    daily_out = -float(out.sum()) * HOURS / known_days
    error = _sums(net, days.known, STEPS_HOUR) - hourly
    total = float(np.nansum(error)) / known_days
    bias = total / daily_out if daily_out > 0 else float("nan")
    rmse = _relative(error, hourly)
    held = rmse
    if held_out is not None:
        held = _relative(_sums(held_out, days.known, STEPS_HOUR) - hourly, hourly)
    seen = np.isfinite(days.soc)
    low = abs(float(soc[seen].min() - days.soc[seen].min())) if seen.any() else 1.0
    accepted = (
        abs(bias) <= BIAS_MOST and max(rmse, held) <= RMSE_MOST and low <= LOW_MOST
    )
    reason = ""
    if not accepted:
        reason = (
            f"replaying the unchanged rig misses the record (daily {bias:+.0%}, "
            f"hourly {rmse:.0%}, on held-out days {held:.0%}, low point {low:.0%})"
        )
    return Validation(
        bias_daily=bias,
        rmse_hourly=rmse,
        rmse_held_out=held,
        held_out_days=0 if held_out is None else int(known_days),
        accepted=accepted,
        reason=reason,
    )


def _relative(error: FloatArray, hourly: FloatArray) -> float:
    """RMSE of hourly net charge over its mean absolute value. [1]"""
    scale = float(np.nanmean(np.abs(hourly)))
    return float(np.sqrt(np.nanmean(error**2))) / scale if scale > 0 else float("nan")


def _sums(value: FloatArray, known: BoolArray, length: int) -> FloatArray:
    """Sum charge over so many steps, NaN where too little was recorded. [A.h]"""
    n = len(value) // length
    block = np.where(known, np.nan_to_num(value), 0.0)[: n * length].reshape(n, length)
    share = known[: n * length].reshape(n, length).mean(axis=1)
    return np.where(share >= KNOWN_LEAST, block.sum(axis=1) * HOURS, np.nan)
