"""
At which volts of the model the loads went off and came back, learned from the record.

In the model's own volts for means of a step: a dip of seconds that opened the
switch, or a table that is a little off, would else move a cut-off by hours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.simulate import RECONNECT_RISE, resistance_slow

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryModel, TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

LONG = 20
"""Off and on this long each, to count as a switching. Common practice. [minutes]"""
MEAN = 5
"""Minutes whose mean current counts, as the steps of the replay."""
STRAY = 0.6
"""Learned volts further than this from the rig file's are not believed. [V]"""
DIP_EMPTY = 2.0
"""Resistance of a nearly empty battery over that of one in its middle. Common practice,
no source. [1]"""
RESTING = 0.02
"""Current beyond which hysteresis is fully developed, of capacity. [1/h]"""


def model_volts(
    model: BatteryModel, soc: FloatArray, current: FloatArray, temp: FloatArray
) -> FloatArray:
    """
    Give the volts that a replay would show.

    Parameters
    ----------
    model : BatteryModel
        Fitted to the trip.
    soc, current, temp : (n,) float64
        State of charge [1], current into the battery [A] and temperature. [Cel]

    Returns
    -------
    volts : (n,) float64
        As in `simulate`. [V]

    References
    ----------
    Common practice, no source.
    """
    rest = np.interp(soc, model.soc_table, model.voltage_open_table)
    sign = np.clip(current / (RESTING * model.capacity), -1.0, 1.0)
    out: FloatArray = (
        rest + model.hysteresis * sign + current * resistance_slow(model, temp)
    )
    return out


def learned_switching(
    estimates: TripEstimates, temp: FloatArray, rig: Rig, *, dip: float = 0.0
) -> tuple[float, float]:
    """
    Give the cut-off and the reconnect volts in the model's terms.

    Parameters
    ----------
    estimates : TripEstimates
        Minutes without power are told by ``censored``; minutes that were not recorded
        are passed over.
    temp : (m,) float64
        Battery temperature by minute. [Cel]
    rig : Rig
        Its cut-off stands where none was seen, and the usual rise above it.
    dip : float, optional
        How far volts dip under their mean within a step while discharging: an unseen
        cut-off comes so much earlier, near empty `DIP_EMPTY` times. [V]

    Returns
    -------
    cutoff, reconnect : float
        Medians of what was seen. [V]

    References
    ----------
    Common practice, no source.
    """
    battery = estimates.battery
    known = np.isfinite(battery.current_corrected) & np.isfinite(battery.soc)
    at = np.flatnonzero(known)
    off = estimates.censored[at]
    current, soc = battery.current_corrected[at], battery.soc[at]
    warm = np.nan_to_num(temp[at], nan=25.0)
    unseen = rig.house.voltage_cutoff + DIP_EMPTY * dip
    if not len(at):
        return unseen, unseen + RECONNECT_RISE
    mean = np.convolve(current, np.full(MEAN, 1.0 / MEAN))[: len(current)]
    volts = model_volts(battery.model, soc, mean, warm)
    went: list[float] = []
    came: list[float] = []
    for k in np.flatnonzero(off[1:] != off[:-1]):
        before, after = off[max(0, k + 1 - LONG) : k + 1], off[k + 1 : k + 1 + LONG]
        if min(len(before), len(after)) < LONG or before.std() or after.std():
            continue
        (came if off[k] else went).append(float(volts[k]))
    cutoff = unseen
    if went and abs(float(np.median(went)) - rig.house.voltage_cutoff) <= STRAY:
        cutoff = float(np.median(went))
    reconnect = float(np.median(came)) if came else cutoff + RECONNECT_RISE
    return cutoff, reconnect
