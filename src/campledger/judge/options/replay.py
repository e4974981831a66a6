"""
A trip as a replay needs it: demand, possible sun and engine hours in ten-minute steps.

Demand, not consumption: hidden hours are filled from like hours. The sun is what it
could have given, the engine charger what it gives while the battery takes all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.simulate import (
    Limits,
    Simulated,
    simulate,
)
from campledger.estimate.loads.censored import fill_like_hours
from campledger.judge.options.switching import learned_switching, model_volts
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.estimates import (
        BatteryModel,
        SourceUse,
        TripEstimates,
    )
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

STEP = 600.0
STEP_MINUTES = 10
MINUTES_HOUR = 60.0
LIT = 2.0
"""Power below which nothing charges. Common practice, no source. [W]"""
LONG_OFF = 20
"""Off this long, a fridge has warmed. Common practice, no source. [minutes]"""
RECOVERY_MOST = 720
"""A fridge pulls down for about as long as it was off, at most so. [minutes]"""
RATIO_LEAST, RATIO_MOST = 0.9, 1.1
"""A model further off than this is not helped. Common practice, no source."""
MINUTES_DAY = 1440
RISE_LEAST = 0.05
"""Loads never come back at the very volts at which they went. [V]"""
BULK_SHARE = 0.6
"""Of the usual full current: above it an engine charger gives all it can."""


@dataclass(frozen=True, kw_only=True)
class Days:
    """
    The measured days in steps of ten minutes, arrays (n,).

    ``loads`` W by name, ``steady`` the same had power never gone, ``rest`` W not
    itemised; ``sun`` W possible (``sun_lo``, ``sun_hi``), ``drive`` W; ``temp`` Cel
    of the battery; ``net`` A measured (NaN in gaps), ``soc`` as counted; ``known``
    marks steps that were recorded. ``ratio`` of the model's volts to those seen keeps
    a power the current that was measured.
    """

    step_utc: FloatArray
    loads: Mapping[str, FloatArray]
    steady: Mapping[str, FloatArray]
    rest: FloatArray
    sun: FloatArray
    sun_lo: FloatArray
    sun_hi: FloatArray
    drive: FloatArray
    temp: FloatArray
    net: FloatArray
    soc: FloatArray
    known: BoolArray
    soc_initial: float
    sun_known: bool
    restart: BoolArray
    ratio: FloatArray
    voltage_cutoff: float
    voltage_reconnect: float

    @property
    def demand(self) -> FloatArray:
        """All loads together. [W]"""
        total: FloatArray = self.rest + np.sum(list(self.loads.values()), axis=0)
        return total


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
        Of ten minutes each; a last part is left out.

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
        In steps of ten minutes.

    References
    ----------
    Common practice, no source.
    """
    grid, battery = record.minute_utc, estimates.battery
    volts = np.full(len(grid), rig.house.voltage_nominal)
    if "voltage_house_v" in record.minutes:
        seen = record.minutes["voltage_house_v"].mean
        volts = np.where(np.isfinite(seen), seen, rig.house.voltage_nominal)
    dark = estimates.censored | ~np.isfinite(battery.current_corrected)
    rest = fill_like_hours(
        estimates.not_itemised * volts, dark, grid, record.utc_offset
    )
    loads = {name: steps_of(p) for name, p in estimates.demand.items()}
    cooled = steady_cooling(estimates, rig, grid, record.utc_offset)
    steady = {**loads, **{name: steps_of(p) for name, p in cooled.items()}}
    sun, low, high, sun_known = _sun(estimates.sources, len(grid))
    temp = np.full(len(grid), 25.0)
    for name in ("temp_house_c", "temp_air_c"):
        if name in record.minutes:
            seen = record.minutes[name].mean
            temp = np.where(np.isfinite(seen), seen, np.nanmean(seen))
            break
    net = steps_of(battery.current_corrected)
    ends = np.arange(STEP_MINUTES - 1, len(grid), STEP_MINUTES)
    n, warm = len(net), steps_of(temp)
    ends = ends[:n]
    first = battery.soc[np.isfinite(battery.soc)]
    cutoff, reconnect = learned_switching(estimates, temp, rig)
    return Days(
        step_utc=grid[ends][:n],
        loads={k: np.nan_to_num(v) for k, v in loads.items()},
        steady={k: np.nan_to_num(v) for k, v in steady.items()},
        rest=np.nan_to_num(steps_of(rest)),
        sun=np.nan_to_num(steps_of(sun)),
        sun_lo=np.nan_to_num(steps_of(low)),
        sun_hi=np.nan_to_num(steps_of(high)),
        drive=np.nan_to_num(steps_of(_drive(estimates.sources, volts))),
        temp=np.nan_to_num(warm, nan=25.0),
        net=net,
        soc=battery.soc[ends][:n],
        known=np.isfinite(net),
        soc_initial=float(first[0]) if first.size else 1.0,
        sun_known=sun_known,
        restart=_restarts(steps_of(sun), steps_of(_drive(estimates.sources, volts))),
        ratio=_ratio(battery.model, battery.soc[ends], steps_of(volts), net, warm),
        voltage_cutoff=cutoff,
        voltage_reconnect=reconnect,
    )


def steady_cooling(
    estimates: TripEstimates, rig: Rig, grid: FloatArray, utc_offset: float
) -> dict[str, FloatArray]:
    """
    Give the demand of cooling loads had their power never gone.

    A fridge that was off pulls down afterwards; neither those hours nor fillings made
    from them are what it takes when power stays.

    Parameters
    ----------
    estimates, rig : TripEstimates, Rig
        What was measured.
    grid : (m,) float64
        Minutes. [s]
    utc_offset : float
        Rig time minus UTC. [s]

    Returns
    -------
    power : dict of (m,) float64
        Only loads that change. [W]

    References
    ----------
    Common practice, no source.
    """
    dark = ~np.isfinite(estimates.battery.current_corrected)
    off = estimates.censored & ~dark
    after = np.zeros(len(off), dtype=bool)
    length = 0
    for k in np.flatnonzero(~dark):
        if off[k]:
            length += 1
        elif length:
            if length >= LONG_OFF:
                after[k : k + min(length, RECOVERY_MOST)] = True
            length = 0
    unsure = dark | estimates.censored | after
    if not after.any() or (~unsure).sum() < MINUTES_DAY:
        return {}
    cooling = {x.name for x in rig.loads if x.kind in COOLING}
    return {
        name: fill_like_hours(np.where(unsure, np.nan, p), unsure, grid, utc_offset)
        for name, p in estimates.demand.items()
        if name in cooling
    }


def _restarts(sun: FloatArray, drive: FloatArray) -> BoolArray:
    """Chargers begin anew at the first sun of a day and at each engine start."""
    lit, engine = np.nan_to_num(sun) > LIT, np.nan_to_num(drive) > LIT
    before = np.concatenate(([False], lit[:-1])), np.concatenate(([False], engine[:-1]))
    return (lit & ~before[0]) | (engine & ~before[1])


def _sun(
    sources: tuple[SourceUse, ...], m: int
) -> tuple[FloatArray, FloatArray, FloatArray, bool]:
    suns = [s for s in sources if s.kind == "solar"]
    zero = np.zeros(m)
    if not suns:
        return zero, zero, zero, False

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
    return mid, low, high, True


def _drive(sources: tuple[SourceUse, ...], volts: FloatArray) -> FloatArray:
    """Give what running chargers would deliver, had the battery taken all."""
    total = np.zeros(len(volts))
    for source in sources:
        if source.kind == "solar":
            continue
        current = np.nan_to_num(source.charge) * MINUTES_HOUR
        on = current > 0.5
        if not on.any():
            continue
        full = float(np.percentile(current[on], 90))
        able = np.where(current >= BULK_SHARE * full, current, full)
        total += np.where(on, able * volts, 0.0)
    return total


def _ratio(
    model: BatteryModel,
    soc: FloatArray,
    volts: FloatArray,
    net: FloatArray,
    temp: FloatArray,
) -> FloatArray:
    """Volts of the model over volts seen; 1 where either is unknown."""
    made = model_volts(model, soc, net, temp)
    seen = np.where(volts > 0.0, volts, np.nan)
    return np.clip(np.nan_to_num(made / seen, nan=1.0), RATIO_LEAST, RATIO_MOST)


def limits_of(rig: Rig, days: Days, *, charger: float | None = None) -> Limits:
    """Give the volts that bound a replay of this rig; ``charger`` A lifts the limit."""
    most = rig.house.current_charge_max
    return Limits(
        voltage_absorption=rig.house.voltage_absorption,
        voltage_cutoff=days.voltage_cutoff,
        voltage_reconnect=max(days.voltage_reconnect, days.voltage_cutoff + RISE_LEAST),
        current_charge_max=max(most, charger or 0.0),
        voltage_float=_float(rig),
    )


def _float(rig: Rig) -> float:
    floats = [s.voltage_float for s in rig.sources] or [rig.house.voltage_float]
    return max(floats)


def run(
    model: BatteryModel,
    limits: Limits,
    days: Days,
    *,
    load: FloatArray,
    source: FloatArray,
    soc_initial: FloatArray,
    capacity: FloatArray | None = None,
) -> Simulated:
    """Replay the days; arrays as in `simulate`."""
    made = simulate(
        model,
        limits,
        soc_initial=soc_initial,
        step=STEP,
        load=load * days.ratio,
        source=source * days.ratio,
        temp=days.temp,
        capacity=capacity,
        restart=days.restart,
    )
    return replace(
        made,
        source_used=made.source_used / days.ratio,
        load_served=made.load_served / days.ratio,
        unserved=made.unserved / days.ratio,
    )
