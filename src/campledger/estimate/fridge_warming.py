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
GAP_LEAST = 3.0
"""A smaller difference to the air drives too little. Common practice. [K]"""
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
    found = _stops(stopped & ~dark, inside, air)
    if found:
        tau = _middle(found)
        return tau, f"warming time {tau / 3600:.0f} h: from {len(found)} long stops"
    found = _pull_downs(use, inside, air)
    if found:
        tau = _middle(found)
        return tau, (
            f"warming time about {tau / 3600:.0f} h: from {len(found)} long runs of "
            "cooling down, weighed with the duty of steady hours"
        )
    return float("nan"), (
        "no stop or pull-down of hours was seen: how fast it warms cannot be told, "
        "since the thermostat's short cycles show only the air inside, not the food"
    )


def _stops(
    stopped: BoolArray, inside: FloatArray, air: FloatArray
) -> list[tuple[float, float]]:
    """Time constant and weight of each long stop: gap over time, over the rise."""
    found = []
    for first, last in runs(stopped):
        if last - first < REST_LONG:
            continue
        cut = slice(first + SETTLE, last)
        gap = air[cut] - inside[cut]
        known = np.flatnonzero(np.isfinite(gap))
        if len(known) < REST_LONG - SETTLE or np.mean(gap[known]) < GAP_LEAST:
            continue
        rise = float(inside[cut][known[-1]] - inside[cut][known[0]])
        if rise >= RISE_LEAST:
            seconds = 60.0 * float(known[-1] - known[0])
            found.append((float(np.mean(gap[known])) * seconds / rise, seconds))
    return _believable(found)


def _pull_downs(
    use: LoadUse, inside: FloatArray, air: FloatArray
) -> list[tuple[float, float]]:
    """
    Time constant of long runs of the machine.

    In steady hours duty times cooling equals the leak, so flat out it could hold a gap
    of (mean gap / mean duty); what is left of that beyond the gap pulls the box down.
    """
    on = np.nan_to_num(use.on_share)
    gap = air - inside
    known = np.isfinite(gap) & np.isfinite(use.on_share)
    long = np.zeros(len(on), dtype=np.bool_)
    stretches = [r for r in runs(on > 0.95) if r[1] - r[0] >= REST_LONG]
    for first, last in stretches:
        long[first:last] = True
    steady = known & ~long & ~hidden_minutes(use)
    if not stretches or steady.sum() < 1440 or on[steady].mean() < 0.05:
        return []
    most = float(np.mean(gap[steady]) / np.mean(on[steady]))
    found = []
    for first, last in stretches:
        at = np.arange(first + SETTLE, last)
        at = at[known[at]]
        if len(at) < REST_LONG - SETTLE:
            continue
        fall = float(inside[at[0]] - inside[at[-1]])
        spare = most - float(np.mean(gap[at]))
        if fall >= RISE_LEAST and spare > GAP_LEAST:
            seconds = 60.0 * float(at[-1] - at[0])
            found.append((spare * seconds / fall, seconds))
    return _believable(found)


def _believable(found: list[tuple[float, float]]) -> list[tuple[float, float]]:
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
