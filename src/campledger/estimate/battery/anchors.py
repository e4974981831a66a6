"""
Events that tell where the state of charge was: full, cut-off, rest.

A full needs volts near absorption AND a small current in the same minutes; a charger
that ran out of sun shows a small current at falling volts and is no full.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house

if TYPE_CHECKING:
    from campledger.estimate.battery.inputs import BatteryInputs
    from campledger.model.rig import House, Rig
    from campledger.model.series import FloatArray

TEMP_REFERENCE = 25.0
FULL_VOLTAGE_MARGIN = 0.12
"""Volts below absorption that still count as held. Common practice, no source."""
FULL_MINUTES = 10
"""Minutes that are averaged to judge a full. Common practice, no source."""
FULL_APART = 4 * 60
"""Minutes between two fulls that are counted apart. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Full:
    """A full charge: index on the grid, tail current, volts, minutes held."""

    index: int
    current: float
    voltage: float
    minutes: int


def absorption_lowest(rig: Rig) -> float:
    """Give the lowest absorption voltage that any charger of the rig uses."""
    return min(
        [rig.house.voltage_absorption, *(s.voltage_absorption for s in rig.sources)]
    )


def compensation(rig: Rig) -> float:
    """Give the chargers' V per K; none unless the owner typed it."""
    if "house.temp_comp_mv_per_k" in rig.assumed:
        return 0.0
    return rig.house.temp_compensation


def current_full_limit(house: House, *, assumed: bool) -> float:
    """Give the current below which absorption counts as full; scaled if a default."""
    share = of_house(house).current_full_share * house.capacity_rated
    return share if assumed else house.current_full


def _rolling(value: FloatArray, width: int) -> FloatArray:
    good = np.isfinite(value)
    total = np.cumsum(np.concatenate(([0.0], np.where(good, value, 0.0))))
    count = np.cumsum(np.concatenate(([0], good)))
    out = np.full(len(value), np.nan)
    if len(value) < width:
        return out
    number = count[width:] - count[:-width]
    enough = number >= 0.7 * width
    mean = (total[width:] - total[:-width]) / np.maximum(number, 1)
    out[width - 1 :][enough] = mean[enough]
    return out


def find_fulls(inputs: BatteryInputs, rig: Rig) -> tuple[Full, ...]:
    """
    Find full charges: volts near absorption and a small current together.

    Parameters
    ----------
    inputs : BatteryInputs
        The record on its minute grid.
    rig : Rig
        Absorption volts and the current that counts as full.

    Returns
    -------
    fulls : tuple of Full
        In time order, the minute of least current of each held period.

    References
    ----------
    .. [1] Volts, tail current and time. Common practice, no source.
    """
    voltage = _rolling(inputs.voltage, FULL_MINUTES)
    current = _rolling(inputs.current, FULL_MINUTES)
    limit = current_full_limit(rig.house, assumed="house.full_below_a" in rig.assumed)
    warm = compensation(rig) * (inputs.temp - TEMP_REFERENCE)
    wanted = absorption_lowest(rig) + warm - FULL_VOLTAGE_MARGIN
    with np.errstate(invalid="ignore"):
        mark = (voltage >= wanted) & (current <= limit) & (current > -0.25 * limit)
    found: list[Full] = []
    index = np.flatnonzero(mark)
    if not len(index):
        return ()
    runs = np.split(index, np.flatnonzero(np.diff(index) > FULL_APART) + 1)
    for run in runs:
        best = int(run[np.argmin(np.abs(current[run]))])
        found.append(
            Full(
                index=best,
                current=float(current[best]),
                voltage=float(voltage[best]),
                minutes=len(run),
            )
        )
    return tuple(found)
