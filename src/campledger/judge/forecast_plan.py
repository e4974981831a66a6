"""What a plan says before the trip does: demand by clock hour, clearness by day."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.forecast_history import COOLING_KINDS, SLOTS, STEP
from campledger.judge.plan_walk import load_current

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.plan import Plan, PlanLoad
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

BUSY = 4.0
"""How much more likely a load runs in its usual hours. Common practice, no source."""
USUAL_HOURS: Mapping[str, tuple[tuple[float, float], ...]] = {
    "lights": ((18.0, 23.0),),
    "pump": ((7.0, 9.0), (17.0, 20.0)),
    "charger": ((7.0, 9.0), (17.0, 23.0)),
    "inverter": ((7.0, 9.0), (16.0, 21.0)),
    "fan": ((11.0, 17.0), (20.0, 24.0)),
    "heater": ((0.0, 8.0), (18.0, 24.0)),
}
"""Clock hours in which camps use a kind of load. Common practice, no source."""
COOLING_SWING, COOLING_PEAK = 0.3, 16.0
"""Cooling draws this share more at this clock hour, in the heat. Common practice."""


def mean_current(load: PlanLoad, rig: Rig) -> float:
    """Give the mean current of a planned load over a day. [A]"""
    if load.energy is not None:
        return load.energy / rig.house.voltage_nominal / 24.0
    return (load_current(load, rig) or 0.0) * (load.hours or 0.0) / 24.0


def _shape(kind: str, clock: FloatArray) -> FloatArray:
    """Give how a kind of load spreads over the day, mean 1."""
    if kind in COOLING_KINDS:
        angle = 2.0 * np.pi * (clock - COOLING_PEAK) / 24.0
        return np.asarray(1.0 + COOLING_SWING * np.cos(angle), dtype=np.float64)
    shape = np.ones(len(clock))
    for begin, end in USUAL_HOURS.get(kind, ()):
        shape[(clock >= begin) & (clock < end)] = BUSY
    return shape / float(shape.mean())


def planned_profile(
    plan: Plan | None, rig: Rig, at: float, utc_offset: float, *, cooling: bool
) -> FloatArray | None:
    """
    Spread a plan's loads over the clock.

    Parameters
    ----------
    plan : Plan or None
        What was planned.
    rig : Rig
        Kinds of the loads, amps where the plan gives none.
    at, utc_offset : float
        Now, and rig time less UTC. [s]
    cooling : bool
        Cooling loads, or all others.

    Returns
    -------
    current : (48,) float64 or None
        At each coming half hour; None without planned loads. [A]
    """
    if plan is None or not plan.loads:
        return None
    middle = at + utc_offset + STEP * (np.arange(SLOTS) + 0.5)
    clock = np.mod(middle, 86400.0) / 3600.0
    total = np.zeros(SLOTS)
    for load in plan.loads:
        described = rig.load(load.name)
        kind = described.kind if described is not None else "other"
        if (kind in COOLING_KINDS) == cooling:
            total += mean_current(load, rig) * _shape(kind, clock)
    return total
