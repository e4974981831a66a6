"""
A trip as a replay needs it: demand, possible sun and engine hours in five-minute steps.

Demand, not consumption: hidden hours are filled from like hours. What all loads took
is what the sources gave less what went into the battery, so that a replay of the
unchanged rig is exact wherever nothing was held back. The sun is what it could have
given, the engine charger what it gives while the battery takes all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.censored import fill_like_hours, runs
from campledger.judge.options.demand import hidden_minutes, steady_cooling
from campledger.judge.options.engine import HOURS, Bounds, Flows, Plant, walk
from campledger.judge.options.minutes import (
    LIT,
    NIGHT,
    RUNS,
    STEP_MINUTES,
    Minutes,
    read_minutes,
    starts,
    steps_of,
    temp_of,
)
from campledger.judge.options.switching import learned_switching
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.judge.options.engine import Walked
    from campledger.judge.options.stages import Stages
    from campledger.model.estimates import BatteryModel, TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

RISE_LEAST = 0.05
"""Loads never come back at the very volts at which they went. [V]"""
ALWAYS_LEAST = 20
"""Minutes without power from which the draw that stayed on is known."""
WARMING = 12 * 3600.0
"""Time constant of a fridge where none was fitted. Common practice, no source. [s]"""
STANDING = 5.0
"""Per cent of minutes that draw no more than with everything off. Common practice."""
DIP_SHARE = 90.0
"""Per cent of steps that dip less: starts of motors open a cut-off. Common practice."""


@dataclass(frozen=True, kw_only=True)
class Days:
    """
    The measured days in steps, arrays (n,).

    ``loads`` W by name, ``steady`` the same had power never gone, ``rest`` W not
    itemised, ``always`` W of all that a cut-off leaves on, ``hidden`` the share of a
    step in which demand did not show; ``sun`` W possible
    (``sun_lo``, ``sun_hi``), ``drive`` W; ``temp`` Cel of the battery, ``volts`` V
    seen and ``open_seen`` V of the fitted battery at rest then; ``net`` A measured
    (NaN in gaps), ``soc`` as counted; ``known`` marks steps that were recorded;
    ``folds`` hold stages learned without some days, and the steps of those days. With
    ``sun_typed`` the sun is that of the plan, W for each watt of panel.
    """

    step_utc: FloatArray
    loads: Mapping[str, FloatArray]
    steady: Mapping[str, FloatArray]
    rest: FloatArray
    always: FloatArray
    hidden: FloatArray
    sun: FloatArray
    sun_lo: FloatArray
    sun_hi: FloatArray
    drive: FloatArray
    temp: FloatArray
    volts: FloatArray
    open_seen: FloatArray
    net: FloatArray
    soc: FloatArray
    known: BoolArray
    soc_initial: float
    sun_known: bool
    fresh_sun: BoolArray
    fresh_drive: BoolArray
    stages: Stages
    folds: tuple[tuple[Stages, BoolArray], ...]
    voltage_cutoff: float
    voltage_reconnect: float
    cooling_most: float
    cooling_time: float
    air_mean: float = float("nan")
    sun_typed: bool = False
    pwm: bool = False

    @property
    def demand(self) -> FloatArray:
        """All loads together. [W]"""
        total: FloatArray = self.rest + np.sum(list(self.loads.values()), axis=0)
        return total


def prepare_days(record: TripRecord, rig: Rig, estimates: TripEstimates) -> Days:
    """
    Lay a trip out for replay.

    Parameters
    ----------
    record, rig, estimates : TripRecord, Rig, TripEstimates
        The trip as measured.

    Returns
    -------
    days : Days
        In steps.

    References
    ----------
    Common practice, no source.
    """
    grid, battery = record.minute_utc, estimates.battery
    m = read_minutes(record, rig, estimates)
    hidden = hidden_minutes(estimates) | m.dark
    out = (m.given - m.net) * m.volts
    loads = sum(
        (np.nan_to_num(x.power) for x in estimates.loads), start=np.zeros(len(grid))
    )
    rest = np.where(hidden, np.nan, out - loads)
    rest = fill_like_hours(rest, hidden, grid, record.utc_offset)
    cooled = steady_cooling(estimates, rig, grid, record.utc_offset)
    named = {name: np.nan_to_num(steps_of(p)) for name, p in estimates.demand.items()}
    temp = temp_of(record)
    net = steps_of(battery.current_corrected)
    n = len(net)
    ends = np.arange(STEP_MINUTES - 1, len(grid), STEP_MINUTES)[:n]
    soc = battery.soc[ends]
    first = battery.soc[np.isfinite(battery.soc)]
    cutoff, reconnect = learned_switching(estimates, temp, rig, dip=_dip(record, net))
    model = battery.model
    open_seen = _open_seen(model, soc)
    shown = _shown(record, n)
    days = Days(
        step_utc=grid[ends],
        loads=named,
        steady={**named, **{k: np.nan_to_num(steps_of(p)) for k, p in cooled.items()}},
        rest=np.nan_to_num(steps_of(rest)),
        always=_always(estimates, m, out, n),
        hidden=np.nan_to_num(steps_of(hidden.astype(np.float64))),
        sun=np.nan_to_num(steps_of(m.sun[0])),
        sun_lo=np.nan_to_num(steps_of(m.sun[1])),
        sun_hi=np.nan_to_num(steps_of(m.sun[2])),
        drive=np.nan_to_num(steps_of(m.drive)),
        temp=np.nan_to_num(steps_of(temp), nan=25.0),
        volts=np.where(shown, steps_of(m.volts), open_seen),
        open_seen=open_seen,
        net=net,
        soc=soc,
        known=np.isfinite(net),
        soc_initial=float(first[0]) if first.size else 1.0,
        sun_known=any(s.kind == "solar" for s in estimates.sources),
        fresh_sun=_begins(starts(m.sun[0] > LIT, NIGHT)),
        fresh_drive=_begins(starts(m.engine, 1)),
        stages=m.stages,
        folds=tuple((stages, _begins(hold)) for stages, hold in m.folds),
        voltage_cutoff=cutoff,
        voltage_reconnect=reconnect,
        cooling_most=_running(estimates, rig),
        cooling_time=_warming(estimates),
        air_mean=_air(record),
        pwm=_all_pwm(rig),
    )
    return _bridged(days, model)


def _shown(record: TripRecord, n: int) -> BoolArray:
    """Mark steps in which volts were seen: in others the battery stands at rest."""
    if "voltage_house_v" not in record.minutes:
        return np.zeros(n, dtype=bool)
    seen = np.isfinite(record.minutes["voltage_house_v"].mean)
    return _begins(seen)[:n]


def _open_seen(model: BatteryModel, soc: FloatArray) -> FloatArray:
    """Volts of the fitted battery at rest at the counted charge. (n,) [V]"""
    good = np.flatnonzero(np.isfinite(soc))
    filled = (
        np.interp(np.arange(len(soc)), good, soc[good])
        if len(good)
        else np.ones(len(soc))
    )
    return np.interp(filled, model.soc_table, model.voltage_open_table)


def _always(
    estimates: TripEstimates, m: Minutes, out: FloatArray, n: int
) -> FloatArray:
    """
    Give what stayed on while the loads were cut off. (n,) [W]

    Where no cut-off was seen, the draw with everything off is taken to stay on.
    """
    off = estimates.censored & ~m.dark
    if off.sum() >= ALWAYS_LEAST:
        draw = float(np.median(out[off]))
    else:
        known = out[~m.dark & np.isfinite(out)]
        draw = float(np.percentile(known, STANDING)) if len(known) else 0.0
    return np.full(n, max(draw, 0.0))


def _air(record: TripRecord) -> float:
    """Mean air temperature of the trip, NaN where it was not measured. [Cel]"""
    if "temp_air_c" not in record.minutes:
        return float("nan")
    seen = record.minutes["temp_air_c"].mean
    return float(np.nanmean(seen)) if np.isfinite(seen).any() else float("nan")


def _running(estimates: TripEstimates, rig: Rig) -> float:
    """Give the power of all cooling loads running at once. [W]"""
    cooling = {x.name for x in rig.loads if x.kind in COOLING}
    amps = sum(x.current_running for x in estimates.loads if x.name in cooling)
    return float(np.nan_to_num(amps)) * rig.house.voltage_nominal


def _warming(estimates: TripEstimates) -> float:
    """Give the time constant of a fridge that warms. [s]"""
    known = [f.time_constant for f in estimates.fridges if f.time_constant > 0.0]
    return float(np.mean(known)) if known else WARMING


def _dip(record: TripRecord, net: FloatArray) -> float:
    """How far the volts dip under their mean within a step of discharge. [V]"""
    if "voltage_house_v" not in record.minutes:
        return 0.0
    seen = record.minutes["voltage_house_v"]
    n = len(net)
    low = seen.low[: n * STEP_MINUTES].reshape(n, STEP_MINUTES)
    low = np.where(np.isfinite(low), low, np.inf).min(axis=1)
    dips = steps_of(seen.mean)[:n] - low
    dips = dips[np.isfinite(dips) & (net < -RUNS)]
    return float(np.percentile(dips, DIP_SHARE)) if len(dips) else 0.0


def _begins(marks: BoolArray) -> BoolArray:
    """Mark steps that hold a marked minute."""
    n = len(marks) // STEP_MINUTES
    block = marks[: n * STEP_MINUTES].reshape(n, STEP_MINUTES)
    return np.asarray(block.sum(axis=1) > 0)


def _all_pwm(rig: Rig) -> bool:
    suns = [s for s in rig.sources if s.kind == "solar"]
    return bool(suns) and all(s.regulator == "pwm" for s in suns)


def _bridged(days: Days, model: BatteryModel) -> Days:
    """Let demand in gaps be what brings the counted charge across them."""
    rest = days.rest.copy()
    named = np.sum(list(days.loads.values()), axis=0) + np.zeros(len(rest))
    for a, b in runs(~days.known):
        if a == 0 or not np.isfinite(days.soc[[a - 1, b - 1]]).all():
            continue
        moved = (days.soc[b - 1] - days.soc[a - 1]) * model.capacity
        net = moved / ((b - a) * HOURS) * days.volts[a:b]
        rest[a:b] = days.sun[a:b] + days.drive[a:b] - named[a:b] - net
    return replace(days, rest=rest)


def bounds_of(days: Days) -> Bounds:
    """Give the bounds of a replay of this rig."""
    return Bounds(
        voltage_cutoff=days.voltage_cutoff,
        voltage_reconnect=max(days.voltage_reconnect, days.voltage_cutoff + RISE_LEAST),
    )


def run(
    plant: Plant,
    days: Days,
    *,
    load: FloatArray,
    sun: FloatArray,
    drive: FloatArray,
    soc_initial: FloatArray,
    cooling: FloatArray | None = None,
) -> Walked:
    """Walk the days; power in W, arrays (n,) or (p, n); ``cooling`` (n,) is made up."""
    flows = Flows(
        load=load - days.always,
        always=days.always,
        sun=sun,
        drive=drive,
        volts=days.volts,
        rest=days.open_seen,
        temp=days.temp,
        fresh_sun=days.fresh_sun,
        fresh_drive=days.fresh_drive,
        cooling=np.zeros(len(days.volts)) if cooling is None else cooling,
        cooling_most=days.cooling_most,
        cooling_time=days.cooling_time,
        pwm=days.pwm,
    )
    return walk(plant, flows, soc_initial)
