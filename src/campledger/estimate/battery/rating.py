"""
Ratings in other forms: rate, temperature and charge voltage of lead-acid.

Only for turning a user's or maker's figures into the capacity at the rated hours; the
estimators follow rate and temperature by their own model.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

HOUR = 3600.0
TEMPERATURES = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
CAPACITY_CHANGE = (-0.16, -0.12, -0.10, -0.06, -0.01, 0.0, 0.03, 0.04, 0.05)
"""Lead-acid, discharge longer than an hour: a battery maker's FAQ table."""


def peukert_duration(
    current: float, *, capacity: float, duration_rated: float, exponent: float
) -> float:
    """
    Give how long a lead-acid battery lasts at a constant current.

    Parameters
    ----------
    current : float
        Drawn, > 0. [A]
    capacity : float
        At the rated duration. [A.h]
    duration_rated : float
        Discharge time of the rating. [s]
    exponent : float
        Peukert's, 1 to 1.4. [1]

    Returns
    -------
    duration : float
        Time to empty. [s]

    Raises
    ------
    ValueError
        A current, capacity or duration that is not positive.

    References
    ----------
    .. [1] W. Peukert, 1897, in the form t = H (C / (I H))^k with the rated time H.
    """
    if min(current, capacity, duration_rated) <= 0.0:
        msg = (
            f"Peukert: current {current} A, capacity {capacity} A.h, duration "
            f"{duration_rated} s, expected all more than 0"
        )
        raise ValueError(msg)
    hours = duration_rated / HOUR
    return duration_rated * math.pow(capacity / (current * hours), exponent)


def peukert_capacity(
    current: float, *, capacity: float, duration_rated: float, exponent: float
) -> float:
    """
    Give the charge that comes out at a constant current.

    Parameters
    ----------
    current : float
        Drawn, > 0. [A]
    capacity : float
        At the rated duration. [A.h]
    duration_rated : float
        Discharge time of the rating. [s]
    exponent : float
        Peukert's. [1]

    Returns
    -------
    charge : float
        Current times time to empty. [A.h]

    References
    ----------
    .. [1] See ``peukert_duration``.
    """
    duration = peukert_duration(
        current, capacity=capacity, duration_rated=duration_rated, exponent=exponent
    )
    return current * duration / HOUR


def peukert_exponent(currents: Sequence[float], durations: Sequence[float]) -> float:
    """
    Give the exponent from two discharge tests.

    Parameters
    ----------
    currents : (2,) float
        Of the two tests. [A]
    durations : (2,) float
        Times to empty. [s]

    Returns
    -------
    exponent : float
        Question a value outside 1.0 to 1.4. [1]

    References
    ----------
    .. [1] k = ln(t2/t1) / ln(I1/I2), from Peukert's law.
    """
    return math.log(durations[1] / durations[0]) / math.log(currents[0] / currents[1])


def capacity_factor(temp: float) -> float:
    """
    Give the capacity of a lead-acid battery at a temperature over that at 25 Cel.

    Parameters
    ----------
    temp : float
        Of the battery; held at the table's ends. [Cel]

    Returns
    -------
    factor : float
        For discharges longer than an hour. [1]

    References
    ----------
    .. [1] A battery maker's FAQ, table of capacity change.
    """
    return 1.0 + float(np.interp(temp, TEMPERATURES, CAPACITY_CHANGE))


def capacity_factor_linear(
    temp: float, *, temp_reference: float, per_k: float = 0.006
) -> float:
    """
    Give the linear capacity factor of lead-acid.

    Parameters
    ----------
    temp, temp_reference : float
        Battery and reference. [Cel]
    per_k : float
        0.006 for 10 to 20 h rates, 0.01 for 1 to 3 h. [1/K]

    Returns
    -------
    factor : float
        Capacity over that at the reference. [1]

    References
    ----------
    .. [1] Coefficients of a battery maker's text; the form as in IEC 60896, from
       memory.
    """
    return 1.0 + per_k * (temp - temp_reference)


def compensated(voltage: float, temp: float, *, per_k: float) -> float:
    """
    Give a charge voltage compensated for temperature.

    Parameters
    ----------
    voltage : float
        At 25 Cel. [V]
    temp : float
        Of the battery. [Cel]
    per_k : float
        Whole battery, negative for lead-acid; 3 mV a cell is usual. [V/K]

    Returns
    -------
    voltage : float
        To hold at that temperature. [V]

    References
    ----------
    .. [1] A battery education text, 3 mV a cell and kelvin from 25 Cel.
    """
    return voltage + per_k * (temp - 25.0)
