"""
Minutes in which demand could not show, and what demand would have been.

Consumed is not demand: when protection opened, a load cut out on low volts or the
logger was dark, use is censored and is filled from the same hour of other days.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.estimates import LoadUse
    from campledger.model.rig import Load, Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

MARGIN_CUTOFF = 0.10
"""Volts above the stated cut-off that still count as reaching it, V. Common practice,
no source."""
QUIET_EXTRA = 0.15
"""Current above the quiet level that still counts as nothing running, A. Common
practice, no source."""
QUIET_LEAST = 10
"""A shorter pause is never called a cut-off, min. Common practice, no source."""
PAUSE_FACTOR = 2.0
"""A cut-out pause exceeds the usual long pause by this. Common practice, no source."""
HOURS_A_DAY = 24
MINUTES_A_DAY = 1440.0


@dataclass(frozen=True, kw_only=True)
class Censored:
    """
    Where demand could not show.

    ``trip`` (m,) is True where anything hid it; ``house`` where the house system had no
    power; ``dark`` where nothing was recorded; ``loads`` per load (m,), without dark.
    """

    trip: BoolArray
    house: BoolArray
    dark: BoolArray
    loads: Mapping[str, BoolArray]


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """
    List the runs of True as half-open index pairs.

    Parameters
    ----------
    mask : (n,) bool
        Any flags.

    Returns
    -------
    found : list of (int, int)
        First index and the index after the last.

    References
    ----------
    Common practice, no source.
    """
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    pairs = zip(np.flatnonzero(edges > 0), np.flatnonzero(edges < 0), strict=True)
    return [(int(a), int(b)) for a, b in pairs]


def _pauses_after_low(quiet: BoolArray, low: BoolArray) -> BoolArray:
    """Mark pauses that begin at low volts and outlast the usual long pause."""
    out = np.zeros(len(quiet), dtype=bool)
    found = runs(quiet)
    if not found:
        return out
    usual = float(np.median([b - a for a, b in found]))
    late = 2 + int(usual)
    starts_low = [bool(low[max(0, a - 2) : a + late].any()) for a, _ in found]
    other = [
        b - a for (a, b), at_low in zip(found, starts_low, strict=True) if not at_low
    ]
    usual = float(np.percentile(other, 95.0)) if other else 0.0
    for (a, b), at_low in zip(found, starts_low, strict=True):
        if at_low and b - a >= max(QUIET_LEAST, PAUSE_FACTOR * usual):
            out[a:b] = True
    return out


def _load_cut_out(
    record: TripRecord,
    load: Load,
    use: LoadUse,
    house_low: FloatArray,
    house_cutoff: float,
) -> BoolArray:
    """Mark minutes in which a load had stopped on low volts and not come back."""
    channel = f"voltage_{load.name}_v"
    volts = record.minutes[channel].low if channel in record.channels else house_low
    limit = load.voltage_cut_out
    if limit is None:
        if load.kind not in COOLING:
            return np.zeros(len(volts), dtype=bool)
        limit = house_cutoff
    with np.errstate(invalid="ignore"):
        low = volts <= limit + MARGIN_CUTOFF
        quiet = ~(use.on_share > 0.0)
    return _pauses_after_low(quiet, low)


def find_censored(
    record: TripRecord,
    rig: Rig,
    loads: tuple[LoadUse, ...],
    current_out: FloatArray,
) -> Censored:
    """
    Find the minutes in which demand could not show.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Cut-off volts of the house and of each load.
    loads : tuple of LoadUse
        What is known of each load.
    current_out : (m,) float64
        All that left, sources minus battery, NaN where unknown. [A]

    Returns
    -------
    censored : Censored
        Arrays on the minute grid.

    Notes
    -----
    Protection has opened when the volts reached the cut-off, all use fell to its quiet
    level, and the pause outlasts twice the usual long pause.

    References
    ----------
    Common practice, no source.
    """
    m = len(record.minute_utc)
    volts = record.minutes["voltage_house_v"]
    dark = ~(volts.covered > 0)
    house = np.zeros(m, dtype=bool)
    if np.isfinite(current_out).any():
        quiet_level = float(np.nanpercentile(current_out, 5.0))
        with np.errstate(invalid="ignore"):
            quiet = ~(current_out > max(quiet_level, 0.0) + QUIET_EXTRA)
            low = volts.low <= rig.house.voltage_cutoff + MARGIN_CUTOFF
        house = _pauses_after_low(quiet, low) & ~dark
    per_load = {}
    for use in loads:
        load = rig.load(use.name)
        own = np.zeros(m, dtype=bool)
        if load is not None and np.isfinite(use.on_share).any():
            own = (
                _load_cut_out(record, load, use, volts.low, rig.house.voltage_cutoff)
                & ~dark
            )
        per_load[use.name] = house | own
    trip = dark | house
    for own in per_load.values():
        trip = trip | own
    return Censored(trip=trip, house=house, dark=dark, loads=per_load)


def fill_like_hours(
    power: FloatArray, hidden: BoolArray, minute_utc: FloatArray, utc_offset: float
) -> FloatArray:
    """
    Fill hidden minutes with the mean of the same hour of day where nothing was hidden.

    Parameters
    ----------
    power : (m,) float64
        Mean power of each minute, NaN where unknown. [W]
    hidden : (m,) bool
        Minutes to be filled.
    minute_utc : (m,) float64
        Ends of the minutes. [s]
    utc_offset : float
        Local minus universal time. [s]

    Returns
    -------
    demand : (m,) float64
        As ``power`` elsewhere; the mean of all good minutes where an hour has none. [W]

    References
    ----------
    Common practice, no source.
    """
    fill = hidden | ~np.isfinite(power)
    good = ~fill
    if not good.any():
        return power.copy()
    local = (minute_utc - 30.0 + utc_offset) / 3600.0
    hour = np.floor(local).astype(np.int64) % HOURS_A_DAY
    count = np.bincount(hour[good], minlength=HOURS_A_DAY)
    total = np.bincount(hour[good], weights=power[good], minlength=HOURS_A_DAY)
    mean = float(power[good].mean())
    typical = np.where(count > 0, total / np.maximum(count, 1), mean)
    out = power.copy()
    out[fill] = typical[hour[fill]]
    return out
