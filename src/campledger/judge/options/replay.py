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
from campledger.estimate.sun_camps import engine_minutes
from campledger.judge.options.demand import hidden_minutes, steady_cooling
from campledger.judge.options.engine import HOURS, STEP, Bounds, Flows, Plant, walk
from campledger.judge.options.stages import (
    Charging,
    Stages,
    learned_stages,
    usual_stages,
)
from campledger.judge.options.switching import learned_switching
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.judge.options.engine import Walked
    from campledger.model.estimates import (
        BatteryModel,
        SourceUse,
        TripEstimates,
    )
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

STEP_MINUTES = int(STEP / 60.0)
MINUTES_HOUR = 60.0
LIT = 2.0
"""Power below which nothing charges. Common practice, no source. [W]"""
NIGHT = 180
"""Dark this long, a sun charger begins anew. Common practice, no source. [minutes]"""
RISE_LEAST = 0.05
"""Loads never come back at the very volts at which they went. [V]"""
FULL_SHARE = 0.9
"""Of its usual full current: above it an engine charger gives all it can. [1]"""
USUAL = 95.0
"""Percentile of the running current that stands for all it can. Common practice."""
FLOAT_NEAR = 0.05
"""Volts under float that an engine charger does not care to lift. [V]"""
RUNS = 0.5
"""Current above which an engine charger runs. Common practice, no source. [A]"""
ENGINE = frozenset({"dcdc", "isolator", "mains"})
"""Kinds of source that taper by the battery's charge."""
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
    (NaN in gaps), ``soc`` as counted; ``known`` marks steps that were recorded.
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
    voltage_cutoff: float
    voltage_reconnect: float
    cooling_most: float
    cooling_time: float
    pwm: bool = False

    @property
    def demand(self) -> FloatArray:
        """All loads together. [W]"""
        total: FloatArray = self.rest + np.sum(list(self.loads.values()), axis=0)
        return total


@dataclass(frozen=True, kw_only=True)
class _Minutes:
    """The same minute by minute, before it is condensed."""

    volts: FloatArray
    net: FloatArray
    engine: BoolArray
    drive: FloatArray
    sun: tuple[FloatArray, FloatArray, FloatArray]
    given: FloatArray
    dark: BoolArray
    stages: Stages


def steps_of(value: FloatArray) -> FloatArray:
    """
    Average minutes into steps, NaN where no minute is known.

    Parameters
    ----------
    value : (m,) float64
        Minute means.

    Returns
    -------
    mean : (n,) float64
        Of five minutes each; a last part is left out.

    References
    ----------
    Common practice, no source.
    """
    n = len(value) // STEP_MINUTES
    block = value[: n * STEP_MINUTES].reshape(n, STEP_MINUTES)
    known = np.isfinite(block)
    count = known.sum(axis=1)
    total = np.where(known, block, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


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
    m = _minutes(record, rig, estimates)
    hidden = hidden_minutes(estimates) | m.dark
    out = (m.given - m.net) * m.volts
    loads = sum(
        (np.nan_to_num(x.power) for x in estimates.loads), start=np.zeros(len(grid))
    )
    rest = np.where(hidden, np.nan, out - loads)
    rest = fill_like_hours(rest, hidden, grid, record.utc_offset)
    cooled = steady_cooling(estimates, rig, grid, record.utc_offset)
    named = {name: np.nan_to_num(steps_of(p)) for name, p in estimates.demand.items()}
    temp = _temp(record)
    net = steps_of(battery.current_corrected)
    n = len(net)
    ends = np.arange(STEP_MINUTES - 1, len(grid), STEP_MINUTES)[:n]
    soc = battery.soc[ends]
    first = battery.soc[np.isfinite(battery.soc)]
    cutoff, reconnect = learned_switching(estimates, temp, rig, dip=_dip(record, net))
    model = battery.model
    days = Days(
        step_utc=grid[ends],
        loads=named,
        steady={**named, **{k: np.nan_to_num(steps_of(p)) for k, p in cooled.items()}},
        rest=np.nan_to_num(steps_of(rest)),
        always=_always(estimates, m, out, n),
        hidden=np.nan_to_num(steps_of(hidden * 1.0)),
        sun=np.nan_to_num(steps_of(m.sun[0])),
        sun_lo=np.nan_to_num(steps_of(m.sun[1])),
        sun_hi=np.nan_to_num(steps_of(m.sun[2])),
        drive=np.nan_to_num(steps_of(m.drive)),
        temp=np.nan_to_num(steps_of(temp), nan=25.0),
        volts=steps_of(m.volts),
        open_seen=_open_seen(model, soc),
        net=net,
        soc=soc,
        known=np.isfinite(net),
        soc_initial=float(first[0]) if first.size else 1.0,
        sun_known=any(s.kind == "solar" for s in estimates.sources),
        fresh_sun=_begins(_starts(m.sun[0] > LIT, NIGHT)),
        fresh_drive=_begins(_starts(m.engine, 1)),
        stages=m.stages,
        voltage_cutoff=cutoff,
        voltage_reconnect=reconnect,
        cooling_most=_running(estimates, rig),
        cooling_time=_warming(estimates),
        pwm=_all_pwm(rig),
    )
    return _bridged(days, model)


def _minutes(record: TripRecord, rig: Rig, estimates: TripEstimates) -> _Minutes:
    battery = estimates.battery
    volts = np.full(len(record.minute_utc), rig.house.voltage_nominal)
    if "voltage_house_v" in record.minutes:
        seen = record.minutes["voltage_house_v"].mean
        volts = np.where(np.isfinite(seen), seen, rig.house.voltage_nominal)
    given = np.zeros(len(volts))
    for source in estimates.sources:
        given += np.maximum(source.charge, 0.0) * MINUTES_HOUR
    dark = ~np.isfinite(battery.current_corrected) | ~np.isfinite(given)
    sun = _sun(estimates.sources, len(volts))
    chargers = [s for s in estimates.sources if s.kind in ENGINE]
    charge = np.zeros(len(volts))
    for source in chargers:
        charge += np.maximum(np.nan_to_num(source.charge), 0.0) * MINUTES_HOUR
    running = engine_minutes(record, rig) > 0.5
    engine = running | (charge > RUNS)
    usual = usual_stages(
        battery.model,
        voltage_absorption=rig.house.voltage_absorption,
        voltage_float=_float(rig),
    )
    able = _able(charge, engine, volts >= usual.voltage_float - FLOAT_NEAR)
    stages = learned_stages(
        battery.model,
        Charging(
            volts=volts,
            net=battery.current_corrected,
            soc=battery.soc,
            given=np.nan_to_num(given),
            able=able + sun[0] / volts,
            offered=(sun[0] > LIT) | engine,
            engine=engine,
            fresh=_starts(sun[0] > LIT, NIGHT) | _starts(engine, 1),
            day=np.floor((record.minute_utc + record.utc_offset) / 86400.0),
        ),
        usual,
    )
    other = [s for s in estimates.sources if s.kind not in {*ENGINE, "solar"}]
    drive = able * volts
    for source in other:
        drive += np.maximum(np.nan_to_num(source.power), 0.0)
    return _Minutes(
        volts=volts,
        net=battery.current_corrected,
        engine=engine,
        drive=drive,
        sun=sun,
        given=given,
        dark=dark,
        stages=stages,
    )


def _open_seen(model: BatteryModel, soc: FloatArray) -> FloatArray:
    """Volts of the fitted battery at rest at the counted charge. (n,) [V]"""
    good = np.flatnonzero(np.isfinite(soc))
    filled = (
        np.interp(np.arange(len(soc)), good, soc[good])
        if len(good)
        else np.ones(len(soc))
    )
    return np.interp(filled, model.soc_table, model.voltage_open_table)


def _temp(record: TripRecord) -> FloatArray:
    """Battery temperature by minute, else that of the air, else 25 degC."""
    for name in ("temp_house_c", "temp_air_c"):
        if name in record.minutes:
            seen = record.minutes[name].mean
            if np.isfinite(seen).any():
                return np.where(np.isfinite(seen), seen, np.nanmean(seen))
    return np.full(len(record.minute_utc), 25.0)


def _always(
    estimates: TripEstimates, m: _Minutes, out: FloatArray, n: int
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


def _starts(on: BoolArray, pause: int) -> BoolArray:
    """Mark minutes in which something begins after a pause of so many minutes."""
    marks = np.zeros(len(on), dtype=bool)
    last = -pause
    for a, b in runs(on):
        marks[a] = a - last >= pause
        last = b
    return marks


def _begins(marks: BoolArray) -> BoolArray:
    """Mark steps that hold a marked minute."""
    n = len(marks) // STEP_MINUTES
    block = marks[: n * STEP_MINUTES].reshape(n, STEP_MINUTES)
    return np.asarray(block.sum(axis=1) > 0)


def _all_pwm(rig: Rig) -> bool:
    suns = [s for s in rig.sources if s.kind == "solar"]
    return bool(suns) and all(s.regulator == "pwm" for s in suns)


def _sun(
    sources: tuple[SourceUse, ...], m: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    suns = [s for s in sources if s.kind == "solar"]
    zero = np.zeros(m)
    if not suns:
        return zero, zero, zero

    def able(name: str) -> FloatArray:
        each = [
            np.where(np.isfinite(getattr(s, name)), getattr(s, name), s.power)
            for s in suns
        ]
        total: FloatArray = np.nan_to_num(np.sum(each, axis=0))
        return total

    given = np.nan_to_num(np.sum([s.power for s in suns], axis=0))
    mid = np.maximum(able("possible"), given)
    low = np.maximum(able("possible_lo"), given)
    high = np.maximum(able("possible_hi"), mid)
    return mid, low, high


def _able(charge: FloatArray, engine: BoolArray, held: BoolArray) -> FloatArray:
    """
    Give the current that running chargers would deliver, had the battery taken all.

    The first and the last minute of a run are parts of minutes, not taper.
    """
    on = charge > RUNS
    if not on.any():
        return charge
    full = float(np.percentile(charge[on], USUAL))
    inner = engine.copy()
    for a, b in runs(engine):
        inner[a] = inner[b - 1] = False
    taper = inner & held & (charge < FULL_SHARE * full)
    return np.where(taper, full, charge)


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


def bounds_of(rig: Rig, days: Days, *, charger: float | None = None) -> Bounds:
    """Give the bounds of a replay of this rig; ``charger`` A lifts the limit."""
    return Bounds(
        voltage_cutoff=days.voltage_cutoff,
        voltage_reconnect=max(days.voltage_reconnect, days.voltage_cutoff + RISE_LEAST),
        current_charge_max=max(rig.house.current_charge_max, charger or 0.0),
    )


def _float(rig: Rig) -> float:
    floats = [s.voltage_float for s in rig.sources] or [rig.house.voltage_float]
    return max(floats)


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
