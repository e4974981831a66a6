"""
Carry a trip's estimates on by the readings that came since: minutes instead of a fit.

The state of charge goes on by counting with the offset and losses that were found; its
interval widens. Loads that had to be worked out are not known for the new minutes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.censored import fill_like_hours
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.model.estimates import (
        BatteryEstimate,
        LoadUse,
        SourceUse,
        TripEstimates,
    )
    from campledger.model.series import FloatArray, TripRecord

HOUR = 60.0
"""Minutes in an hour: charge of a minute is current over this. [min]"""
SCALE_STD = 0.005
"""Shunt scale for what was counted since. Common practice, no source. [1]"""
GAP_CURRENT = 5.0
"""Standard current in minutes without a reading. Common practice, no source. [A]"""
COVERAGE = 1.645
DAY_MINUTES = 1440
STATE_OFF, STATE_ON, STATE_DARK = 0.0, 1.0, 5.0


def extend_trip(kept: TripEstimates, record: TripRecord) -> TripEstimates:
    """
    Carry estimates on to the end of a longer record of the same trip.

    Parameters
    ----------
    kept : TripEstimates
        Made of the first minutes of ``record``.
    record : TripRecord
        The same trip, with newer readings.

    Returns
    -------
    estimates : TripEstimates
        On the grid of ``record``; nothing of the old minutes is changed.

    Raises
    ------
    ValueError
        The estimates are not of the first minutes of that record.

    References
    ----------
    Common practice, no source.
    """
    old, grid = kept.battery.minute_utc, record.minute_utc
    m = len(old)
    if m > len(grid) or not np.array_equal(old, grid[:m]):
        msg = f"extending: estimates end at {old[-1]:.0f} s, expected minutes of a trip"
        raise ValueError(msg)
    if m == len(grid):
        return kept
    new = slice(m, len(grid))
    raw = _minute_means(record, "current_house_a", slice(0, len(grid)))
    dark = ~np.isfinite(raw[new])
    battery = _battery(kept.battery, raw, grid)
    loads = tuple(_load(x, record, new) for x in kept.loads)
    sources = tuple(_source(s, record, new) for s in kept.sources)
    sources = _least(sources, record, new, battery, loads)
    into = np.sum([s.charge[new] for s in sources], axis=0) * HOUR if sources else 0.0
    metered = [x.charge[new] for x in loads if x.word is Word.MEASURED]
    out = np.sum(metered, axis=0) * HOUR if metered else 0.0
    rest = into - battery.current_corrected[new] - out
    if not sources:
        rest = -battery.current_corrected[new] - out
    censored = np.concatenate((kept.censored, dark))
    demand = {
        name: fill_like_hours(
            np.concatenate((power, _new_power(loads, name, new))),
            censored,
            grid,
            record.utc_offset,
        )
        for name, power in kept.demand.items()
    }
    return replace(
        kept,
        battery=battery,
        sources=sources,
        loads=loads,
        not_itemised=np.concatenate((kept.not_itemised, rest)),
        censored=censored,
        demand=demand,
    )


def _minute_means(record: TripRecord, name: str, new: slice) -> FloatArray:
    if name not in record.minutes:
        return np.full(new.stop - new.start, np.nan)
    return record.minutes[name].mean[new]


def _charges(record: TripRecord, name: str, new: slice) -> FloatArray:
    """Give the charge of each minute as far as it is covered. [A.h]"""
    if name not in record.minutes:
        return np.full(new.stop - new.start, np.nan)
    minutes = record.minutes[name]
    charge = np.where(minutes.covered > 0, minutes.charge / 3600.0, np.nan)
    return np.asarray(charge[new])


def _battery(
    kept: BatteryEstimate, raw: FloatArray, grid: FloatArray
) -> BatteryEstimate:
    model, m = kept.model, len(kept.soc)
    current = raw[m:] - _last_shift(kept, raw[:m])
    capacity = kept.capacity.value
    known = np.isfinite(current)
    flow = np.where(known, current, 0.0)
    loss = np.where(flow > 0, flow * (1.0 - model.efficiency_low), 0.0)
    step = (flow - loss - model.current_hidden) / HOUR / capacity
    moved = np.cumsum(step)
    grown = _grown(flow, known, capacity)
    best = _carried(kept.soc, kept.soc_lo, kept.soc_hi, moved, grown)
    live = _carried(kept.soc_live, kept.soc_live_lo, kept.soc_live_hi, moved, grown)
    return replace(
        kept,
        minute_utc=grid,
        soc=best[0],
        soc_lo=best[1],
        soc_hi=best[2],
        soc_live=live[0],
        soc_live_lo=live[1],
        soc_live_hi=live[2],
        current_corrected=np.concatenate((kept.current_corrected, current)),
        charging_loss=np.concatenate((kept.charging_loss, loss)),
    )


def _carried(
    soc: FloatArray,
    low: FloatArray,
    high: FloatArray,
    moved: FloatArray,
    grown: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Carry a series and its interval on by counted charge."""
    mid = np.clip(soc[-1] + moved, 0.0, 1.0)
    lo = np.clip(mid - np.hypot(soc[-1] - low[-1], grown), 0.0, 1.0)
    hi = np.clip(mid + np.hypot(high[-1] - soc[-1], grown), 0.0, 1.0)
    return (
        np.concatenate((soc, mid)),
        np.concatenate((low, lo)),
        np.concatenate((high, hi)),
    )


def _last_shift(kept: BatteryEstimate, raw: FloatArray) -> float:
    """Give what was taken off the raw current over the last day. [A]"""
    off = (raw - kept.current_corrected)[-DAY_MINUTES:]
    off = off[np.isfinite(off)]
    return float(np.median(off)) if off.size else 0.0


def _grown(flow: FloatArray, known: np.ndarray, capacity: float) -> FloatArray:
    """Give how far the half interval grew since the last minute kept. [1]"""
    counted = np.cumsum(np.abs(flow)) / HOUR * SCALE_STD
    unseen = np.cumsum(~known) / HOUR * GAP_CURRENT
    grown: FloatArray = COVERAGE * np.hypot(counted, unseen) / capacity
    return grown


def _load(kept: LoadUse, record: TripRecord, new: slice) -> LoadUse:
    n = new.stop - new.start
    current = _minute_means(record, f"current_{kept.name}_a", new)
    charge = _charges(record, f"current_{kept.name}_a", new)
    if kept.word is not Word.MEASURED:
        current = charge = np.full(n, np.nan)
    volts = _minute_means(record, f"voltage_{kept.name}_v", new)
    house = _minute_means(record, "voltage_house_v", new)
    power = current * np.where(np.isfinite(volts), volts, house)
    running = max(kept.current_running - kept.current_standing, 1e-3)
    share = np.clip((current - kept.current_standing) / running, 0.0, 1.0)

    def join(old: FloatArray, fresh: FloatArray) -> FloatArray:
        return np.concatenate((old, fresh))

    added = float(np.nansum(power)) / HOUR
    return replace(
        kept,
        power=join(kept.power, power),
        power_lo=join(kept.power_lo, power),
        power_hi=join(kept.power_hi, power),
        charge=join(kept.charge, charge),
        on_share=join(kept.on_share, share),
        energy=replace(
            kept.energy,
            value=kept.energy.value + added,
            lo=kept.energy.lo + added,
            hi=kept.energy.hi + added,
        ),
    )


def _source(kept: SourceUse, record: TripRecord, new: slice) -> SourceUse:
    current = _minute_means(record, f"current_{kept.name}_a", new)
    charge = _charges(record, f"current_{kept.name}_a", new)
    power = current * _minute_means(record, "voltage_house_v", new)
    state = np.where(np.nan_to_num(current) > 0.1, STATE_ON, STATE_OFF)
    state = np.where(np.isfinite(current), state, STATE_DARK)
    unknown = np.full(new.stop - new.start, np.nan)
    done = replace(
        kept,
        power=np.concatenate((kept.power, power)),
        charge=np.concatenate((kept.charge, charge)),
        possible=np.concatenate((kept.possible, unknown)),
        possible_lo=np.concatenate((kept.possible_lo, unknown)),
        possible_hi=np.concatenate((kept.possible_hi, unknown)),
        state=np.concatenate((kept.state, state)),
    )
    if kept.kind != "solar" or not np.isfinite(kept.possible).any():
        return done
    # the sun gave at least what came; at most its best minute of the trip
    best = max(float(np.nanmax(kept.possible_hi)), float(np.max(power, initial=0.0)))
    least = np.maximum(power, 0.0)
    added = float(np.nansum(least)) / HOUR
    energy = kept.energy_possible
    return replace(
        done,
        possible=np.concatenate((kept.possible, least)),
        possible_lo=np.concatenate((kept.possible_lo, least)),
        possible_hi=np.concatenate((kept.possible_hi, np.full(len(power), best))),
        possible_is_lower_bound=True,
        energy_possible=replace(
            energy,
            value=energy.value + added,
            lo=energy.lo + added,
            hi=energy.hi + best * len(power) / HOUR,
        ),
    )


def _least(
    sources: tuple[SourceUse, ...],
    record: TripRecord,
    new: slice,
    battery: BatteryEstimate,
    loads: tuple[LoadUse, ...],
) -> tuple[SourceUse, ...]:
    """Sources without a meter: what reached battery and metered loads, the least."""
    given = battery.current_corrected[new].copy()
    for use in loads:
        if use.word is Word.MEASURED:
            given = given + np.nan_to_num(use.charge[new]) * HOUR
    given = np.maximum(given, 0.0)
    power = given * _minute_means(record, "voltage_house_v", new)
    known = len(battery.current_corrected) - len(given)
    return tuple(
        replace(
            s,
            charge=np.concatenate((s.charge[:known], given / HOUR)),
            power=np.concatenate((s.power[:known], power)),
        )
        if s.kind == "net"
        else s
        for s in sources
    )


def _new_power(loads: tuple[LoadUse, ...], name: str, new: slice) -> FloatArray:
    use = next(x for x in loads if x.name == name)
    return use.power[new]
