"""
Walk a battery forward through many futures at once.

A reduced form of the fitted battery model: charge counts fully on the way out; on the
way in the battery takes less as it fills and loses what gassing takes. Where loads
would be cut off for low volts the draw stops.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.forecast_history import STEP

if TYPE_CHECKING:
    from campledger.model.series import BoolArray, FloatArray

RECONNECT = 0.04
"""Loads come back when this share of capacity is in again. Common practice."""


@dataclass(frozen=True, kw_only=True)
class WalkBattery:
    """
    What the walk needs of a battery; arrays (p,), one value for each path.

    ``soc`` [1], ``capacity`` A.h, ``acceptance`` s, ``soc_full`` where charging ends,
    ``soc_cut`` where loads are cut off, ``efficiency_full`` what stays of charge at
    full, ``draw_cut`` A that flows when cut off, ``charge_max`` A into the battery.
    """

    soc: FloatArray
    capacity: FloatArray
    acceptance: FloatArray
    soc_full: FloatArray
    soc_cut: FloatArray
    efficiency_low: float
    efficiency_full: FloatArray
    soc_gassing: float
    draw_cut: float
    draw_hidden: float
    charge_max: float


@dataclass(frozen=True, kw_only=True)
class Paths:
    """
    Futures at the edges of the steps: ``time_utc`` (k + 1,), the rest (k + 1, p).

    ``net`` is the charge through the terminals since the start [A.h], ``soc`` [1].
    """

    time_utc: FloatArray
    soc: FloatArray
    net: FloatArray


def walk(
    battery: WalkBattery,
    demand: FloatArray,
    offer: FloatArray,
    start_utc: float,
    duration: FloatArray | None = None,
    *,
    wanted: bool = False,
) -> Paths:
    """
    Walk forward.

    Parameters
    ----------
    battery : WalkBattery
        State and properties, p paths.
    demand, offer : (k, p) float64
        What loads want and what sources could give. [A]
    start_utc : float
        Time of the first edge. [s]
    duration : (k,) float64, optional
        Lengths of the steps, default half an hour. [s]
    wanted : bool
        Count what loads want even where the battery is empty or cut off, so that the
        state goes below 0 by what is missing.

    Returns
    -------
    paths : Paths
        State of charge and net charge at each edge.
    """
    steps, paths = demand.shape
    length = np.full(steps, STEP) if duration is None else duration
    soc = np.empty((steps + 1, paths))
    net = np.zeros((steps + 1, paths))
    soc[0] = battery.soc
    off = np.zeros(paths, dtype=bool)
    if wanted:
        battery = replace(battery, soc_cut=np.full(paths, -np.inf))
    least = -np.inf if wanted else 0.0
    for k in range(steps):
        flow, kept, off = _step(battery, soc[k], demand[k], offer[k], length[k], off)
        hours = length[k] / 3600.0
        soc[k + 1] = np.clip(soc[k] + kept * hours / battery.capacity, least, 1.0)
        net[k + 1] = net[k] + flow * hours
    time = start_utc + np.concatenate(([0.0], np.cumsum(length)))
    return Paths(time_utc=time, soc=soc, net=net)


def _step(
    battery: WalkBattery,
    soc: FloatArray,
    demand: FloatArray,
    offer: FloatArray,
    length: float,
    off: BoolArray,
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Give the current through the terminals, what is kept, and who is cut off."""
    low = soc <= battery.soc_cut
    if low.any() or off.any():
        back = (soc > battery.soc_cut + RECONNECT) | (offer > 1.2 * demand + 1.0)
        off = (off | low) & ~back
        demand = np.where(off, np.minimum(demand, battery.draw_cut), demand)
    want = offer - demand
    span = np.clip(
        (soc - battery.soc_gassing) / max(1e-3, 1.0 - battery.soc_gassing), 0.0, 1.0
    )
    keep = battery.efficiency_low - span * (
        battery.efficiency_low - battery.efficiency_full
    )
    room = np.maximum(battery.soc_full - soc, 0.0) * battery.capacity
    most = room * -np.expm1(-length / battery.acceptance) / (length / 3600.0) / keep
    flow = np.minimum(want, np.minimum(most, battery.charge_max))
    kept = np.where(flow > 0, flow * keep, flow) - battery.draw_hidden
    return flow, kept, off
