"""
A trip as a replay needs it: demand, possible sun and engine hours in ten-minute steps.

Demand, not consumption: hidden hours are filled from like hours. The sun is what it
could have given, the engine charger what it gives while the battery takes all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.simulate import (
    RECONNECT_RISE,
    Limits,
    Simulated,
    simulate,
)
from campledger.estimate.loads.censored import fill_like_hours

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.estimates import BatteryModel, SourceUse, TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

STEP = 600.0
STEP_MINUTES = 10
MINUTES_HOUR = 60.0
LIT = 2.0
"""Power below which nothing charges. Common practice, no source. [W]"""
LONG_OFF = 20
"""A cut-off this long shows at which volts loads come back. [minutes]"""
BULK_SHARE = 0.6
"""Of the usual full current: above it an engine charger gives all it can."""


@dataclass(frozen=True, kw_only=True)
class Days:
    """
    The measured days in steps of ten minutes, arrays (n,).

    ``loads`` W by name and ``rest`` W not itemised; ``sun`` W possible (``sun_lo``,
    ``sun_hi``), ``drive`` W; ``temp`` Cel of the battery; ``net`` A measured (NaN in
    gaps), ``soc`` as counted; ``known`` marks steps that were recorded.
    """

    step_utc: FloatArray
    loads: Mapping[str, FloatArray]
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
    sun, low, high, sun_known = _sun(estimates.sources, len(grid))
    temp = np.full(len(grid), 25.0)
    for name in ("temp_house_c", "temp_air_c"):
        if name in record.minutes:
            seen = record.minutes[name].mean
            temp = np.where(np.isfinite(seen), seen, np.nanmean(seen))
            break
    net = steps_of(battery.current_corrected)
    ends = np.arange(STEP_MINUTES - 1, len(grid), STEP_MINUTES)
    n = len(net)
    first = battery.soc[np.isfinite(battery.soc)]
    return Days(
        step_utc=grid[ends][:n],
        loads={k: np.nan_to_num(v) for k, v in loads.items()},
        rest=np.nan_to_num(steps_of(rest)),
        sun=np.nan_to_num(steps_of(sun)),
        sun_lo=np.nan_to_num(steps_of(low)),
        sun_hi=np.nan_to_num(steps_of(high)),
        drive=np.nan_to_num(steps_of(_drive(estimates.sources, volts))),
        temp=np.nan_to_num(steps_of(temp), nan=25.0),
        net=net,
        soc=battery.soc[ends][:n],
        known=np.isfinite(net),
        soc_initial=float(first[0]) if first.size else 1.0,
        sun_known=sun_known,
        restart=_restarts(steps_of(sun), steps_of(_drive(estimates.sources, volts))),
        voltage_reconnect=_reconnect(estimates, volts, rig),
    )


def _restarts(sun: FloatArray, drive: FloatArray) -> BoolArray:
    """Chargers begin anew at the first sun of a day and at each engine start."""
    lit, engine = np.nan_to_num(sun) > LIT, np.nan_to_num(drive) > LIT
    before = np.concatenate(([False], lit[:-1])), np.concatenate(([False], engine[:-1]))
    return (lit & ~before[0]) | (engine & ~before[1])


def _reconnect(estimates: TripEstimates, volts: FloatArray, rig: Rig) -> float:
    """Give the volts at which loads were seen to come back, else the usual rise."""
    usual = rig.house.voltage_cutoff + RECONNECT_RISE
    dark = ~np.isfinite(estimates.battery.current_corrected)
    off = estimates.censored & ~dark
    ends = np.flatnonzero(off[:-1] & ~off[1:])
    long = [k for k in ends if k >= LONG_OFF and off[k - LONG_OFF : k + 1].all()]
    seen = [float(np.median(volts[k - 1 : k + 1])) for k in long]
    return float(np.median(seen)) if seen else usual


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


def limits_of(rig: Rig, days: Days, *, charger: float | None = None) -> Limits:
    """Give the volts that bound a replay of this rig; ``charger`` A lifts the limit."""
    most = rig.house.current_charge_max
    return Limits(
        voltage_absorption=rig.house.voltage_absorption,
        voltage_cutoff=rig.house.voltage_cutoff,
        voltage_reconnect=max(days.voltage_reconnect, rig.house.voltage_cutoff + 0.1),
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
    return simulate(
        model,
        limits,
        soc_initial=soc_initial,
        step=STEP,
        load=load,
        source=source,
        temp=days.temp,
        capacity=capacity,
        restart=days.restart,
    )
