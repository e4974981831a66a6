"""Turn a fit into a battery that others can run forward."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.fit_data import (
    GAS_CELL,
    GAS_PER_K,
    GAS_PER_V,
    GAS_TEMP,
    HOUR,
    LEAD_CELLS,
    acceptance_time,
)
from campledger.model.estimates import BatteryModel

if TYPE_CHECKING:
    from campledger.estimate.battery.fit import Point, Problem
    from campledger.estimate.battery.inputs import BatteryInputs
    from campledger.estimate.battery.posterior import Mixture
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

TABLE = np.round(np.linspace(0.0, 1.0, 51), 4)
WELL_SHARE_SEEN = 0.7
"""Part of the near well's lag that shows within an hour. Common practice."""
TAIL_SHARE = 0.02


def gas_current(problem: Problem, point: Point, inputs: BatteryInputs) -> FloatArray:
    """
    Give the current that gasses away each minute.

    Parameters
    ----------
    problem : Problem
        The trip.
    point : Point
        The best fit.
    inputs : BatteryInputs
        Volts and temperature of each minute.

    Returns
    -------
    current : (m,) float64
        Zero for lithium and where volts are missing. [A]

    References
    ----------
    .. [1] J. Schiffer, D. U. Sauer et al., J. Power Sources 168 (2007) 66.
    """
    if not problem.lead:
        return np.zeros(len(inputs.time))
    cell = np.minimum(inputs.voltage, 15.5) / LEAD_CELLS
    rate = np.exp(GAS_PER_V * (cell - GAS_CELL) + GAS_PER_K * (inputs.temp - GAS_TEMP))
    gas = np.exp(point.x[problem.layout.at("gas")]) * rate
    return np.where(np.isfinite(gas), gas, 0.0)


def _acceptance(problem: Problem, point: Point) -> float:
    """Give the acceptance time at this trip's temperatures while charging."""
    charging = problem.data.current > 0.0
    tau = float(point.x[problem.layout.at("tau")])
    time = acceptance_time(problem.data.temp, tau=tau, lead=problem.lead)
    return float(np.mean(time[charging] if charging.any() else time))


def fitted_model(problem: Problem, mixture: Mixture, rig: Rig) -> BatteryModel:
    """
    Make the battery model of the best fit.

    Parameters
    ----------
    problem : Problem
        The trip.
    mixture : Mixture
        All fits with their weights.
    rig : Rig
        The vehicle as described.

    Returns
    -------
    model : BatteryModel
        Volts as this rig's meter reads them.

    References
    ----------
    .. [1] Common practice, no source.
    """
    kind, best, layout = of_house(rig.house), mixture.best, problem.layout
    volts, slope, _ = problem.curve.at(TABLE, best.x[layout.bend])
    volts = np.maximum.accumulate(volts + best.x[layout.at("volts")])
    capacity = float(mixture.weight @ mixture.capacity)
    value = {n: float(best.x[layout.at(n)]) for n in layout.names[: layout.bend.start]}
    fast = float(np.exp(value["r0"]))
    slow = fast + float(np.exp(value["r1"]) + 0.5 * np.exp(value["r2"]))
    well = 0.0
    efficiency_full = kind.efficiency_full[0]
    gas_full = 0.0
    if problem.lead:
        middle = float(np.median(slope[5:-5]))
        near = float(np.exp(value["well"])) * problem.well_time / HOUR
        well = WELL_SHARE_SEEN * near * middle / capacity
        cell = rig.house.voltage_absorption / LEAD_CELLS
        gas_full = float(np.exp(value["gas"] + GAS_PER_V * (cell - GAS_CELL)))
        efficiency_full = 1.0 - gas_full / (gas_full + TAIL_SHARE * capacity)
    return BatteryModel(
        chemistry=kind.name,
        capacity=capacity,
        soc_table=TABLE,
        voltage_open_table=volts,
        resistance=fast,
        resistance_per_k=problem.per_k,
        hysteresis=max(value["hyst"], 0.0),
        efficiency_low=min(1.0, 1.0 - value["loss"]),
        efficiency_full=min(efficiency_full, 1.0 - value["loss"]),
        soc_gassing=kind.soc_gassing,
        acceptance_time=_acceptance(problem, best),
        current_hidden=kind.current_hidden_100[0] * rig.house.capacity_rated / 100.0,
        parameters={
            "resistance_slow": slow + well,
            "offset": -value["offset"],
            "well_share": float(np.exp(value["well"])),
            "gas_full": gas_full,
            "volts": value["volts"],
        },
    )
