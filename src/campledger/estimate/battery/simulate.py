"""
Run a fitted battery forward: many paths at once, with cut-off and acceptance.

The same step serves the forecast of the next days and the replay of a trip with other
hardware. It must not draw chance: paths differ by what they are given.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import CHEMISTRIES
from campledger.model.estimates import BatteryModel

if TYPE_CHECKING:
    from campledger.model.series import BoolArray, FloatArray

HOUR = 3600.0
SLOW_FACTOR = 1.6
"""Resistance over tens of minutes against that of a load step. Common practice."""
TEMP_REFERENCE = 25.0
RECONNECT_RISE = 0.8
"""Volts above cut-off at which loads come back. Common practice, no source."""
TAIL = 0.04
"""Charging current at which absorption ends, of capacity. Common practice. [1/h]"""
NEAR = 0.005
"""Half the span over which the slope of open circuit is taken. [1]"""
VOLTAGE_LEAST = 6.0
"""Least voltage that turns power into current. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """
    What happened on each path; arrays (p, n), one column for each step.

    ``soc`` and ``voltage`` stand at the end of the step. ``current`` is + into the
    battery. ``charging_loss`` is A that did not stay. ``source_used`` and
    ``load_served`` are W; ``unserved`` W asked for but not given.
    ``without_power`` marks steps that ended with the loads disconnected.
    """

    soc: FloatArray
    voltage: FloatArray
    current: FloatArray
    charging_loss: FloatArray
    source_used: FloatArray
    load_served: FloatArray
    unserved: FloatArray
    without_power: BoolArray


@dataclass(frozen=True, kw_only=True)
class Limits:
    """
    Volts that bound the run.

    Chargers hold ``voltage_absorption``; loads go off below ``voltage_cutoff`` and come
    back above ``voltage_reconnect``. With ``voltage_float`` a charger that sees the
    current fall to ``tail`` (share of capacity, 1/h) holds that instead, until it
    starts anew.
    """

    voltage_absorption: float
    voltage_cutoff: float
    voltage_reconnect: float
    current_charge_max: float
    voltage_float: float | None = None
    tail: float = TAIL

    @classmethod
    def usual(
        cls,
        *,
        voltage_absorption: float,
        voltage_cutoff: float,
        current_charge_max: float,
    ) -> Limits:
        """Give limits with the usual rise before loads come back."""
        return cls(
            voltage_absorption=voltage_absorption,
            voltage_cutoff=voltage_cutoff,
            voltage_reconnect=voltage_cutoff + RECONNECT_RISE,
            current_charge_max=current_charge_max,
        )


def resistance_slow(model: BatteryModel, temp: float | FloatArray) -> FloatArray:
    """
    Give the resistance that counts over tens of minutes.

    Parameters
    ----------
    model : BatteryModel
        Fitted to a trip; its own slow resistance is used where it was found.
    temp : float or (n,) float64
        Battery temperature. [Cel]

    Returns
    -------
    resistance : (n,) float64
        Ohmic part and polarisation. [Ohm]

    References
    ----------
    .. [1] Linear temperature factor. Common practice, no source.
    """
    slow = model.parameters.get("resistance_slow", SLOW_FACTOR * model.resistance)
    factor = 1.0 + model.resistance_per_k * (np.asarray(temp) - TEMP_REFERENCE)
    out: FloatArray = slow * np.maximum(factor, 0.3)
    return out


def efficiency_at(model: BatteryModel, soc: FloatArray) -> FloatArray:
    """
    Give the share of charge that stays, falling towards full.

    Parameters
    ----------
    model : BatteryModel
        Fitted to a trip.
    soc : (p,) float64
        State of charge. [1]

    Returns
    -------
    efficiency : (p,) float64
        Between ``efficiency_full`` and ``efficiency_low``. [1]

    References
    ----------
    .. [1] J. W. Stevens, G. P. Corey, "A study of lead-acid battery efficiency near
       top-of-charge", Sandia: above 95 % at low charge, falling off near full.
    """
    span = max(1.0 - model.soc_gassing, 1e-6)
    share = np.clip((soc - model.soc_gassing) / span, 0.0, 1.0)
    out: FloatArray = model.efficiency_low + share * (
        model.efficiency_full - model.efficiency_low
    )
    return out


def scaled(model: BatteryModel, ratio: float) -> BatteryModel:
    """
    Make a battery of the same kind and state with another size.

    Parameters
    ----------
    model : BatteryModel
        Fitted to a trip.
    ratio : float
        New capacity over old, > 0. [1]

    Returns
    -------
    model : BatteryModel
        Resistance goes down and hidden drain goes up with the size.

    Raises
    ------
    ValueError
        The ratio is not positive.

    References
    ----------
    .. [1] Cells in parallel. Common practice, no source.
    """
    if ratio <= 0.0:
        msg = f"scaling a battery: ratio is {ratio}, expected more than 0"
        raise ValueError(msg)
    parameters = dict(model.parameters)
    if "resistance_slow" in parameters:
        parameters["resistance_slow"] /= ratio
    return replace(
        model,
        capacity=model.capacity * ratio,
        resistance=model.resistance / ratio,
        current_hidden=model.current_hidden * ratio,
        parameters=parameters,
    )


@dataclass
class _State:
    soc: FloatArray
    voltage: FloatArray
    off: BoolArray
    floating: BoolArray


@dataclass(frozen=True, kw_only=True)
class _Battery:
    model: BatteryModel
    limits: Limits
    capacity: FloatArray
    ratio: FloatArray
    hours: float

    def held(self, floating: BoolArray) -> FloatArray:
        """Give the volts that the chargers hold."""
        limits = self.limits
        if limits.voltage_float is None:
            return np.full(len(floating), limits.voltage_absorption)
        return np.where(floating, limits.voltage_float, limits.voltage_absorption)

    def rise(self, soc: FloatArray) -> FloatArray:
        """Give volts that open circuit rises in a step for each ampere: V an A."""
        table = self.model.soc_table, self.model.voltage_open_table
        volts = np.interp(soc + NEAR, *table) - np.interp(soc - NEAR, *table)
        span = np.minimum(soc + NEAR, 1.0) - np.maximum(soc - NEAR, 0.0)
        out: FloatArray = volts / span * self.hours / self.capacity
        return out

    def accept(self, state: _State, open_volts: FloatArray, r: float) -> FloatArray:
        """
        Give the most current that the battery takes at the volts that are held.

        Below nought while a charger floats under a full battery: it gives nothing.
        """
        soc = state.soc
        firm = r / self.ratio
        if self.limits.voltage_float is not None:
            firm = firm + np.where(state.floating, self.rise(soc), 0.0)
        by_volts = (self.held(state.floating) - open_volts) / firm
        missing = np.maximum(1.0 - soc, 0.0) * self.capacity
        by_missing = missing / (self.model.acceptance_time / HOUR)
        stays = efficiency_at(self.model, soc)
        most = np.minimum(
            np.minimum(by_volts, by_missing / stays), missing / self.hours / stays
        )
        least = np.where(state.floating, -np.inf, 0.0)
        out: FloatArray = np.clip(
            most, least, self.limits.current_charge_max * np.maximum(self.ratio, 1.0)
        )
        return out

    def step(
        self, state: _State, load: FloatArray, source: FloatArray, r: float
    ) -> dict[str, FloatArray]:
        """Advance one step; load and source in W."""
        model = self.model
        volts = np.maximum(state.voltage, VOLTAGE_LEAST)
        served = np.where(state.off, 0.0, load)
        open_volts = np.interp(state.soc, model.soc_table, model.voltage_open_table)
        offered = source / volts
        drawn = served / volts
        most = self.accept(state, open_volts, r)
        current = np.maximum(np.minimum(offered - drawn, most), -drawn)
        if self.limits.voltage_float is not None:
            tail = self.limits.tail * self.capacity
            state.floating |= (offered - drawn >= most) & (most <= tail)
        left = state.soc * self.capacity / self.hours
        short = np.minimum(current + left, 0.0)
        current = current - short
        served = np.maximum(served + short * volts, 0.0)
        stays = np.where(current > 0, efficiency_at(model, state.soc), 1.0)
        hidden = model.current_hidden * self.ratio
        stored = stays * current - hidden
        state.soc = np.clip(state.soc + stored * self.hours / self.capacity, 0.0, 1.0)
        open_volts = np.interp(state.soc, model.soc_table, model.voltage_open_table)
        sign = np.clip(current / (0.02 * self.capacity), -1.0, 1.0)
        state.voltage = np.minimum(
            open_volts + model.hysteresis * sign + current * r / self.ratio,
            self.limits.voltage_absorption,
        )
        low = state.voltage < self.limits.voltage_cutoff
        state.off = np.where(
            state.off, state.voltage < self.limits.voltage_reconnect, low
        )
        return {
            "current": current,
            "charging_loss": (1.0 - stays) * np.maximum(current, 0.0),
            "source_used": np.clip((current * volts + served), 0.0, source),
            "load_served": served,
            "unserved": load - served,
        }


def simulate(
    model: BatteryModel,
    limits: Limits,
    *,
    soc_initial: FloatArray,
    step: float,
    load: FloatArray,
    source: FloatArray,
    temp: float | FloatArray = TEMP_REFERENCE,
    capacity: FloatArray | None = None,
    restart: BoolArray | None = None,
) -> Simulated:
    """
    Run a battery forward on many paths at once.

    Parameters
    ----------
    model : BatteryModel
        Fitted to a trip.
    limits : Limits
        Absorption, cut-off and reconnect volts, most charging current.
    soc_initial : (p,) float64
        State of charge at the start of each path. [1]
    step : float
        Length of a step; 60 to 3600 make sense. [s]
    load : (p, n) or (n,) float64
        Power asked for by all loads. [W]
    source : (p, n) or (n,) float64
        Power that all sources could deliver at the battery. [W]
    temp : float or (n,) float64
        Battery temperature. [Cel]
    capacity : (p,) float64, optional
        Capacity of each path; default that of the model. [A.h]
    restart : (n,) bool, optional
        Steps at which chargers begin with absorption again (dawn, engine start).

    Returns
    -------
    outcome : Simulated
        Arrays (p, n).

    Raises
    ------
    ValueError
        Shapes do not fit, or the step is not positive.

    References
    ----------
    .. [1] Open circuit, resistance, acceptance proportional to missing charge
       (ampere-hour law). Common practice, no source.
    """
    start = np.atleast_1d(np.asarray(soc_initial, dtype=np.float64))
    paths, steps = len(start), np.shape(load)[-1]
    if step <= 0.0 or np.shape(source)[-1] != steps:
        msg = (
            f"simulating: step is {step} s, load has {steps} and source "
            f"{np.shape(source)[-1]} steps, expected a positive step and equal numbers"
        )
        raise ValueError(msg)
    loads = np.broadcast_to(load, (paths, steps))
    sources = np.broadcast_to(source, (paths, steps))
    size = np.full(paths, model.capacity) if capacity is None else capacity
    battery = _Battery(
        model=model,
        limits=limits,
        capacity=size,
        ratio=size / model.capacity,
        hours=step / HOUR,
    )
    slow = np.broadcast_to(resistance_slow(model, temp), (steps,))
    table = np.interp(start, model.soc_table, model.voltage_open_table)
    state = _State(
        soc=start.copy(),
        voltage=table,
        off=table < limits.voltage_cutoff,
        floating=np.zeros(paths, dtype=bool),
    )
    begins = np.zeros(steps, dtype=bool) if restart is None else restart
    names = ("current", "charging_loss", "source_used", "load_served", "unserved")
    out = {n: np.empty((paths, steps)) for n in (*names, "soc", "voltage")}
    off = np.zeros((paths, steps), dtype=bool)
    for k in range(steps):
        if begins[k]:
            state.floating[:] = False
        part = battery.step(state, loads[:, k], sources[:, k], float(slow[k]))
        for n in names:
            out[n][:, k] = part[n]
        out["soc"][:, k], out["voltage"][:, k] = state.soc, state.voltage
        off[:, k] = state.off
    return Simulated(without_power=off, **out)


def typical(
    chemistry: str, capacity: float, table: tuple[FloatArray, FloatArray] | None = None
) -> BatteryModel:
    """
    Make a battery of a kind about which nothing was measured.

    Parameters
    ----------
    chemistry : str
        One of flooded, agm, gel, lfp.
    capacity : float
        Capacity now. [A.h]
    table : tuple of (n,) float64, optional
        Open-circuit table (soc, volts) of the owner.

    Returns
    -------
    model : BatteryModel
        The middle of what is usual for the kind.

    References
    ----------
    .. [1] The tables of ``chemistry``, source beside each.
    """
    kind = CHEMISTRIES[chemistry]
    share = capacity / 100.0
    soc, volts = table or (np.array(kind.soc), np.array(kind.voltage))
    return BatteryModel(
        chemistry=chemistry,
        capacity=capacity,
        soc_table=soc,
        voltage_open_table=volts,
        resistance=kind.resistance_100[0] / share,
        resistance_per_k=kind.resistance_per_k,
        hysteresis=kind.hysteresis[0],
        efficiency_low=kind.efficiency_low[0],
        efficiency_full=kind.efficiency_full[0],
        soc_gassing=kind.soc_gassing,
        acceptance_time=kind.acceptance_time[0],
        current_hidden=kind.current_hidden_100[0] * share,
    )
