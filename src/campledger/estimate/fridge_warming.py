"""How a stopped fridge warms, and what switching it off really saves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sun_camps import runs

if TYPE_CHECKING:
    from campledger.model.estimates import LoadUse
    from campledger.model.series import BoolArray, FloatArray

REST_LONG = 150
"""A stop this long shows the contents, not only the air inside. [minutes]"""
SETTLE = 75
"""In this time the air inside finds its balance with the contents. Common practice, no
source. [minutes]"""
RISE_LEAST = 0.4
"""A rise below this drowns in the steps of the thermometer. [K]"""
TAU_BOUNDS = (1.0 * 3600.0, 72.0 * 3600.0)
"""Believable time constants of an insulated box. Common practice, no source. [s]"""


def hidden_minutes(use: LoadUse) -> BoolArray:
    """
    Give the minutes in which a load could not run.

    Parameters
    ----------
    use : LoadUse
        An empty ``censored`` means none.

    Returns
    -------
    hidden : (m,) bool
        No power to it. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    if use.censored.size == len(use.charge):
        return use.censored
    return np.zeros(len(use.charge), dtype=np.bool_)


def time_constant(
    use: LoadUse, inside: FloatArray, air: FloatArray | None
) -> tuple[float, str]:
    """
    Learn how fast the inside follows the air when the machine stands still.

    Only long stops (power cuts, switched off) show the whole box: in the thermostat's
    own stops the air inside warms, several times faster than the food.

    Parameters
    ----------
    use : LoadUse
        Of the cooling load.
    inside, air : (m,) float64
        Temperatures. [Cel]

    Returns
    -------
    tau : float
        NaN if it cannot be told. [s]
    note : str
        How it was learned.

    References
    ----------
    .. [1] Newton's law of cooling, T = T_air - (T_air - T0) exp(-t / tau).
    """
    if air is None:
        return float("nan"), ""
    stopped = np.nan_to_num(use.on_share, nan=1.0) < 0.02
    dark = ~np.isfinite(use.on_share)
    stopped |= hidden_minutes(use) & np.isfinite(inside)
    dark &= ~stopped
    found = _rates(stopped & ~dark, inside, air)
    if not found:
        return float("nan"), (
            "no stop of hours was seen: how fast it warms cannot be told, since the "
            "thermostat's short stops show only the air inside, not the food"
        )
    tau = _middle(found)
    return tau, f"warming time {tau / 3600:.0f} h: from {len(found)} long stops"


def _rates(
    stopped: BoolArray, inside: FloatArray, air: FloatArray
) -> list[tuple[float, float]]:
    """Time constant and weight of each long stop."""
    found = []
    for first, last in runs(stopped):
        if last - first < REST_LONG:
            continue
        start = first + SETTLE
        t = np.arange(start, last)
        gap = air[start:last] - inside[start:last]
        good = np.isfinite(gap) & (gap > 2.0)
        if good.sum() < 4 or inside[t[good][-1]] - inside[t[good][0]] < RISE_LEAST:
            continue
        rate = -float(np.polyfit(t[good] * 60.0, np.log(gap[good]), 1)[0])
        if rate > 0:
            found.append((1.0 / rate, float(good.sum())))
    return [f for f in found if TAU_BOUNDS[0] <= f[0] <= TAU_BOUNDS[1]]


def _middle(found: list[tuple[float, float]]) -> float:
    values = np.array([f[0] for f in found])
    weights = np.array([f[1] for f in found])
    order = np.argsort(values)
    half = np.searchsorted(np.cumsum(weights[order]), 0.5 * weights.sum())
    return float(values[order][half])


def warming(
    duration: FloatArray, temp_start: float, temp_air: float, tau: float
) -> FloatArray:
    """
    Give the inside temperature of a fridge that stands still.

    Parameters
    ----------
    duration : (n,) float64
        Since it stopped. [s]
    temp_start, temp_air : float
        Inside when it stopped; air. [Cel]
    tau : float
        Time constant. [s]

    Returns
    -------
    temp_fridge : (n,) float64
        Inside. [Cel]

    References
    ----------
    .. [1] Newton's law of cooling.
    """
    return temp_air - (temp_air - temp_start) * np.exp(-np.asarray(duration) / tau)


def time_to_limit(
    temp_start: float, temp_air: float, limit: float, tau: float
) -> float:
    """
    Give how long a stopped fridge stays below a limit.

    Parameters
    ----------
    temp_start, temp_air, limit : float
        Inside when it stopped; air; the line. [Cel]
    tau : float
        Time constant. [s]

    Returns
    -------
    duration : float
        0 if it is above already, inf if the air never warms it so far. [s]

    References
    ----------
    .. [1] Newton's law of cooling.
    """
    if temp_start >= limit:
        return 0.0
    if temp_air <= limit:
        return float("inf")
    return float(tau * np.log((temp_air - temp_start) / (temp_air - limit)))


def saving_share(off: float, tau: float) -> float:
    """
    Give the share of an off period's use that is really saved.

    The rest must be made good when the inside is pulled down again.

    Parameters
    ----------
    off : float
        How long it stands still. [s]
    tau : float
        Time constant. [s]

    Returns
    -------
    share : float
        0..1 of what it would have used in that time. [1]

    References
    ----------
    .. [1] Derived from Newton's law: 1 - tau/h (1 - exp(-h/tau)).
    """
    if off <= 0:
        return 0.0
    ratio = off / tau
    return float(1.0 + np.expm1(-ratio) / ratio)
