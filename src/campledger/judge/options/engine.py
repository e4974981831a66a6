"""
Walk a battery through measured days with its chargers' stages: many paths at once.

Current in ampere: where nothing is held back and nothing is cut off, a replay of the
unchanged rig gives the measured current to the digit; what it must work out is only
what a full battery refuses, what a charger does then, and what an empty one cuts off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.fit_data import (
    GAS_CELL,
    GAS_PER_K,
    GAS_PER_V,
    GAS_TEMP,
    LEAD_CELLS,
)
from campledger.estimate.battery.simulate import efficiency_at, resistance_slow

if TYPE_CHECKING:
    from campledger.judge.options.stages import Stages
    from campledger.model.estimates import BatteryModel
    from campledger.model.series import BoolArray, FloatArray

STEP = 300.0
"""Length of a step: chargers end within minutes, fridges run for ten. [s]"""
HOURS = STEP / 3600.0
VOLTS_LEAST, VOLTS_MOST = 9.0, 15.5
RESTING = 0.02
"""Current beyond which hysteresis is fully developed, of capacity. [1/h]"""
SMALL = 1e-9


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """Volts of the model at which loads go and come back."""

    voltage_cutoff: float
    voltage_reconnect: float


@dataclass(frozen=True, kw_only=True)
class Flows:
    """
    What was asked for and offered, W; arrays (n,) or (p, n).

    ``always`` stays on when the loads are cut off. Of the load ``cooling`` (n,) is
    made up for after a cut-off, at ``cooling_most`` W; ``cooling_time`` s is the time
    constant of the warming. ``pwm`` keeps the sun's current, ``currents`` every one, at
    the volts seen. ``volts`` (n,) were seen, ``rest``
    (n,) is what the fitted battery would show at rest then; ``fresh_sun`` and
    ``fresh_drive`` (n,) mark where a charger begins anew.
    """

    load: FloatArray
    always: FloatArray
    sun: FloatArray
    drive: FloatArray
    volts: FloatArray
    rest: FloatArray
    temp: FloatArray
    fresh_sun: BoolArray
    fresh_drive: BoolArray
    cooling: FloatArray
    cooling_most: float = 0.0
    cooling_time: float = 43200.0
    pwm: bool = False
    currents: bool = False


@dataclass(frozen=True, kw_only=True)
class Walked:
    """
    What happened; arrays (p, n).

    ``soc`` at the end of the step, ``current`` A into the battery, ``sun_used`` W,
    ``without_power`` marks steps that ended with the loads cut off.
    """

    soc: FloatArray
    current: FloatArray
    sun_used: FloatArray
    without_power: BoolArray


@dataclass(frozen=True, kw_only=True)
class Plant:
    """A battery (p sizes), how its chargers end, and its bounds."""

    model: BatteryModel
    stages: Stages
    bounds: Bounds
    capacity: FloatArray

    @property
    def ratio(self) -> FloatArray:
        """Size of each path over that of the model. (p,) [1]"""
        out: FloatArray = self.capacity / self.model.capacity
        return out

    def open_volts(self, soc: FloatArray) -> FloatArray:
        """Volts at rest. (p,) [V]"""
        return np.interp(soc, self.model.soc_table, self.model.voltage_open_table)

    def stays(self, soc: FloatArray) -> FloatArray:
        """Share of charge that stays, gas apart where it is known. (p,) [1]"""
        if self.stages.gassing > 0.0:
            return np.full(len(soc), self.model.efficiency_low)
        return efficiency_at(self.model, soc)

    def gas(self, volts: FloatArray, temp: float) -> FloatArray:
        """Current that gasses away. (p,) [A]"""
        if self.stages.gassing <= 0.0:
            return np.zeros(len(volts))
        rise = GAS_PER_V * (volts / LEAD_CELLS - GAS_CELL)
        made = self.stages.gassing * np.exp(rise + GAS_PER_K * (temp - GAS_TEMP))
        return np.asarray(made * self.capacity)

    def accepts(self, soc: FloatArray, rest: FloatArray) -> tuple[FloatArray, ...]:
        """Current taken at the absorption and at the float volts. (p,) [A]"""
        stages = self.stages
        stays = self.stays(soc)
        room = np.maximum(1.0 - soc, 0.0) * self.capacity / HOURS / stays
        full = stages.takes(soc) * self.capacity
        full = np.minimum(full, np.maximum(room, stages.rate_least * self.capacity))
        spare = stages.voltage_absorption - rest
        share = (stages.voltage_float - rest) / np.maximum(spare, SMALL)
        floats = full * np.clip(share, 0.0, 1.0)
        left = (stages.soc_float - soc) * self.capacity / HOURS / stays
        return full, np.where(left < floats, left, floats)


@dataclass(frozen=True, kw_only=True)
class _Now:
    seen: float
    lift: float
    slow: float
    temp: float
    cooling: float
    fades: float
    pwm: bool
    currents: bool


@dataclass
class _State:
    soc: FloatArray
    off: BoolArray
    floats: BoolArray
    held: FloatArray
    warm: FloatArray


def walk(plant: Plant, flows: Flows, soc_initial: FloatArray) -> Walked:
    """
    Walk all paths through the days.

    Parameters
    ----------
    plant : Plant
        The battery and its chargers.
    flows : Flows
        Asked for and offered.
    soc_initial : (p,) float64
        State of charge at the start. [1]

    Returns
    -------
    walked : Walked
        Arrays (p, n).

    References
    ----------
    .. [1] Constant current, constant voltage, float: common practice, no source. Taper
       by missing charge (ampere-hour law). Common practice, no source.
    """
    paths, n = len(soc_initial), len(flows.volts)
    rows = {
        name: np.ascontiguousarray(np.broadcast_to(getattr(flows, name), (paths, n)).T)
        for name in ("load", "always", "sun", "drive")
    }
    lift = np.clip(flows.volts - flows.rest, -0.6, 0.35)
    slow = np.broadcast_to(resistance_slow(plant.model, flows.temp), (n,))
    state = _State(
        soc=np.array(soc_initial, dtype=np.float64),
        off=plant.open_volts(soc_initial) < plant.bounds.voltage_cutoff,
        floats=np.zeros((2, paths), dtype=bool),
        held=np.zeros((2, paths)),
        warm=np.zeros(paths),
    )
    fades = float(np.exp(-STEP / flows.cooling_time))
    soc, current, used = (np.empty((n, paths)) for _ in range(3))
    off = np.zeros((n, paths), dtype=bool)
    for k in range(n):
        _begin(state, bool(flows.fresh_sun[k]), bool(flows.fresh_drive[k]))
        part = {name: row[k] for name, row in rows.items()}
        now = _Now(
            seen=float(flows.volts[k]),
            lift=float(lift[k]),
            slow=float(slow[k]),
            temp=float(flows.temp[k]),
            cooling=float(flows.cooling[k]),
            fades=fades,
            pwm=flows.pwm or flows.currents,
            currents=flows.currents,
        )
        part["load"] = part["load"] + _made_up(state, now, flows.cooling_most)
        current[k], used[k] = _step(plant, state, part, now)
        soc[k], off[k] = state.soc, state.off
    return Walked(soc=soc.T, current=current.T, sun_used=used.T, without_power=off.T)


def _begin(state: _State, sun: bool, drive: bool) -> None:  # noqa: FBT001
    for row, fresh in enumerate((sun, drive)):
        if fresh:
            state.floats[row] = False
            state.held[row] = 0.0


def _made_up(state: _State, now: _Now, most: float) -> FloatArray:
    """
    Give what fridges draw more after they were off; they cannot run above ``most``.

    The heat that came in is pumped out later, less what a warm inside did not let in.
    """
    state.warm = (
        state.warm + np.where(state.off, now.cooling * HOURS, 0.0)
    ) * now.fades
    room = max(most - now.cooling, 0.0)
    more = np.where(state.off, 0.0, np.minimum(state.warm / HOURS, room))
    state.warm = state.warm - more * HOURS
    return np.asarray(more)


def _step(
    plant: Plant,
    state: _State,
    flow: dict[str, FloatArray],
    now: _Now,
) -> tuple[FloatArray, FloatArray]:
    """Advance one step; gives current into the battery [A] and sun used [W]."""
    rest = plant.open_volts(state.soc)
    volts = np.clip(rest + now.lift, VOLTS_LEAST, VOLTS_MOST)
    draw = flow["always"] + np.where(state.off, 0.0, flow["load"])
    out = draw / (now.seen if now.currents else volts)
    sun = flow["sun"] / (now.seen if now.pwm else volts)
    drive = flow["drive"] / now.seen
    full, floating = plant.accepts(state.soc, rest)
    by_sun, by_drive = state.floats
    firm = np.where(by_sun, 0.0, sun) + np.where(by_drive, 0.0, drive) - out
    every = sun + drive - out
    current = np.where(
        firm >= floating, np.minimum(firm, full), np.minimum(every, floating)
    )
    current = np.maximum(current, -out)
    used = np.clip((current + out - np.minimum(drive, current + out)), 0.0, sun)
    used = used * (now.seen if now.pwm else volts)
    held = firm >= full
    _stage(plant, state, held, volts, (sun > SMALL, drive > SMALL))
    stages = plant.stages
    shown = np.where(
        held,
        stages.voltage_absorption,
        np.where(every > floating, np.maximum(volts, stages.voltage_float), volts),
    )
    gas = plant.gas(np.minimum(shown, stages.voltage_absorption), now.temp)
    return _settle(plant, state, current, gas, now.slow), used


def _stage(
    plant: Plant,
    state: _State,
    held: BoolArray,
    volts: FloatArray,
    on: tuple[BoolArray, BoolArray],
) -> None:
    """Count the time held, let go at its end, begin anew when the volts are low."""
    stages = plant.stages
    for row, active in enumerate(on):
        counts = active & ~state.floats[row] & (held | (state.held[row] > 0.0))
        state.held[row] += np.where(counts, HOURS, 0.0)
        ended = state.held[row] >= stages.hold[row]
        again = state.floats[row] & (volts < stages.voltage_rebulk)
        state.floats[row] = (state.floats[row] | (ended & active)) & ~again
        state.held[row] = np.where(again, 0.0, state.held[row])


def _settle(
    plant: Plant, state: _State, current: FloatArray, gas: FloatArray, slow: float
) -> FloatArray:
    """Move the charge, then switch the loads by the volts that result. (p,) [A]"""
    model, capacity = plant.model, plant.capacity
    current = np.maximum(current, -state.soc * capacity / HOURS)
    stays = np.where(current > 0.0, plant.stays(state.soc), 1.0)
    stored = stays * current - model.current_hidden * plant.ratio - gas
    state.soc = np.clip(state.soc + stored * HOURS / capacity, 0.0, 1.0)
    sign = np.clip(current / (RESTING * capacity), -1.0, 1.0)
    volts = (
        plant.open_volts(state.soc)
        + model.hysteresis * sign
        + current * slow / plant.ratio
    )
    bounds = plant.bounds
    state.off = np.where(
        state.off, volts < bounds.voltage_reconnect, volts < bounds.voltage_cutoff
    )
    return current
