"""What a fitted cooling load uses in hours and days to come."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.model.estimates import FridgeModel
    from campledger.model.series import FloatArray

DAY = 24.0


def charge_an_hour(model: FridgeModel, difference: FloatArray) -> FloatArray:
    """
    Predict the charge of each hour from the difference in it.

    Parameters
    ----------
    model : FridgeModel
        Fitted.
    difference : (n,) float64
        Air minus inside. [K]

    Returns
    -------
    charge : (n,) float64
        In one hour, between 0 and what the machine takes flat out. [A.h]

    References
    ----------
    .. [1] Common practice, no source.
    """
    rate = np.maximum(model.base + model.slope * difference, 0.0) / DAY
    most = model.current_running
    return np.minimum(rate, most) if np.isfinite(most) and most > 0 else rate


def duty_at(model: FridgeModel, difference: float) -> float:
    """
    Predict the duty of a day.

    Parameters
    ----------
    model : FridgeModel
        Fitted.
    difference : float
        Mean air minus inside. [K]

    Returns
    -------
    duty : float
        0..1; NaN where no running current is known. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    if not model.current_running > 0:
        return float("nan")
    rate = model.charge_a_day(difference).value / DAY
    return min(rate / model.current_running, 1.0)
