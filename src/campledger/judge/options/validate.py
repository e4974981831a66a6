"""
Does the replay give the measured trip back? If not, its answers are refused.

Daily: bias of net charge over mean daily charge out. Hourly: RMSE of net charge over
the mean absolute hourly net charge. These are not ASHRAE Guideline 14's divisors.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options.engine import STEP
from campledger.judge.options.types import Validation

if TYPE_CHECKING:
    from campledger.judge.options.replay import Days
    from campledger.model.series import FloatArray

BIAS_MOST = 0.10
"""ASHRAE Guideline 14's limit for hourly models, as told in a secondary text. [1]"""
RMSE_MOST = 0.50
"""Hours near full scatter. Tuning trips come to 0.07 to 0.28. Common practice. [1]"""
LOW_MOST = 0.08
"""Own low point against the counted one: twice what is asked. No source. [1]"""
STEPS_HOUR = int(3600.0 / STEP)
STEPS_DAY = 24 * STEPS_HOUR
KNOWN_LEAST = 0.9


def validate(days: Days, net: FloatArray, soc: FloatArray) -> Validation:
    """
    Compare the replay of the unchanged rig with the record.

    Parameters
    ----------
    days : Days
        The measured days.
    net, soc : (n,) float64
        Replayed current into the battery [A] and state of charge [1].

    Returns
    -------
    validation : Validation
        NaN where less than a day was recorded.

    References
    ----------
    .. [1] ASHRAE Guideline 14-2014, limits for calibrated models (secondary text).
    """
    hours = STEP / 3600.0
    hourly = _sums(days.net, days.known, STEPS_HOUR, hours)
    replayed = _sums(net, days.known, STEPS_HOUR, hours)
    good = np.isfinite(hourly) & np.isfinite(replayed)
    out = np.where(days.known, np.minimum(np.nan_to_num(days.net), 0.0), 0.0)
    known_days = days.known.sum() / STEPS_DAY
    if known_days < 1.0 or not good.any():
        nan = float("nan")
        return Validation(
            bias_daily=nan,
            rmse_hourly=nan,
            accepted=False,
            reason="less than a day was recorded",
        )
    daily_out = -float(out.sum()) * hours / known_days
    error = replayed[good] - hourly[good]
    bias = float(error.sum()) / known_days / daily_out if daily_out > 0 else np.nan
    rmse = float(np.sqrt(np.mean(error**2)) / np.mean(np.abs(hourly[good])))
    seen = np.isfinite(days.soc)
    low = abs(float(soc[seen].min() - days.soc[seen].min())) if seen.any() else 1.0
    accepted = abs(bias) <= BIAS_MOST and rmse <= RMSE_MOST and low <= LOW_MOST
    reason = ""
    if not accepted:
        reason = (
            f"replaying the unchanged rig misses the record (daily {bias:+.0%}, "
            f"hourly {rmse:.0%}, low point {low:.0%})"
        )
    return Validation(
        bias_daily=bias,
        rmse_hourly=rmse,
        accepted=accepted,
        reason=reason,
    )


def _sums(
    value: FloatArray, known: np.ndarray, length: int, hours: float
) -> FloatArray:
    n = len(value) // length
    block = np.where(known, np.nan_to_num(value), 0.0)[: n * length].reshape(n, length)
    share = known[: n * length].reshape(n, length).mean(axis=1)
    return np.where(share >= KNOWN_LEAST, block.sum(axis=1) * hours, np.nan)
