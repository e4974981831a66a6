"""Does the cold place hold, how long if it stopped, and what switching it off saves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.fridge_warming import time_to_limit
from campledger.judge.enough_types import FridgeAnswer
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from campledger.model.estimates import FridgeModel, TripEstimates
    from campledger.model.rig import Load, Rig
    from campledger.model.series import FloatArray, TripRecord

TIME_CONSTANT = 12 * 3600.0
"""Warming of a stopped fridge where none was measured. Common practice. [s]"""
RISING = 0.3
"""Slower than this is the thermostat's own swing. Common practice. [K/h]"""
FLAT_OUT = 0.97
"""Share of the last three hours a compressor runs when it has nothing left."""
AGE_MOST = 3600.0
TREND_MINUTES = 180
MEDICINE_MARGIN = 1.0
"""Warn this much earlier where medicine is kept. Common practice. [K]"""


def coldest_load(rig: Rig) -> Load | None:
    """Give the fridge, else the freezer, else None."""
    cold = [x for x in rig.loads if x.kind in COOLING]
    return min(cold, key=lambda x: x.kind != "fridge", default=None)


def time_constant_of(fridges: tuple[FridgeModel, ...], name: str) -> tuple[float, bool]:
    """Give the measured time constant [s], else the usual one and False."""
    for fridge in fridges:
        if fridge.name == name and np.isfinite(fridge.time_constant):
            return fridge.time_constant, True
    return TIME_CONSTANT, False


def _recent(record: TripRecord, name: str, at: float) -> FloatArray | None:
    """Give the last three hours, or None if nothing is younger than an hour."""
    if name not in record.minutes:
        return None
    part = record.minutes[name].mean[-TREND_MINUTES:]
    time = record.minute_utc[-TREND_MINUTES:]
    good = np.flatnonzero(np.isfinite(part))
    if good.size == 0 or at - time[good[-1]] > AGE_MOST:
        return None
    return part


def _slope(part: FloatArray) -> float:
    good = np.flatnonzero(np.isfinite(part))
    if good.size < 30:
        return 0.0
    return 60.0 * float(np.polyfit(good.astype(float), part[good], 1)[0])


def _now(part: FloatArray) -> float:
    return float(np.mean(part[np.isfinite(part)][-5:]))


def answer_fridge(
    record: TripRecord, rig: Rig, estimates: TripEstimates, at: float
) -> FridgeAnswer:
    """
    Judge the cold place.

    Parameters
    ----------
    record : TripRecord
        Readings up to ``at``.
    rig : Rig
        Its cold line.
    estimates : TripEstimates
        Time constant, running and power cuts.
    at : float
        Now. [s]

    Returns
    -------
    answer : FridgeAnswer
        ``hours_to_limit`` NaN without outside air.
    """
    load = coldest_load(rig)
    if load is None:
        return FridgeAnswer(
            name="", verdict="cannot_tell", reason="no fridge described"
        )
    limit = load.temp_cold_line
    if load.contents == "medicine":
        limit -= MEDICINE_MARGIN
    part = _recent(record, f"temp_{load.name}_c", at)
    if part is None:
        return FridgeAnswer(
            name=load.name,
            verdict="cannot_tell",
            reason="its inside temperature is not measured",
            limit=limit,
            contents=load.contents,
        )
    inside, rise = _now(part), _slope(part)
    air = _recent(record, "temp_air_c", at)
    constant, measured = time_constant_of(estimates.fridges, load.name)
    hours = float("nan")
    if air is not None:
        hours = time_to_limit(inside, _now(air), limit, constant) / 3600.0
    verdict, reason = _judge(estimates, load, inside, rise, limit)
    if not measured and np.isfinite(hours) and hours > 0:
        reason += "; warming time assumed"
    return FridgeAnswer(
        name=load.name,
        verdict=verdict,
        reason=reason,
        temp=inside,
        limit=limit,
        hours_to_limit=hours,
        contents=load.contents,
    )


def _judge(
    estimates: TripEstimates, load: Load, inside: float, rise: float, limit: float
) -> tuple[str, str]:
    use = estimates.load(load.name)
    running, dark = float("nan"), False
    if use is not None and len(use.on_share):
        share = use.on_share[-TREND_MINUTES:]
        good = share[np.isfinite(share)]
        running = float(good.mean()) if good.size else float("nan")
    if len(estimates.censored):
        dark = bool(estimates.censored[-10:].mean() > 0.5)
    if dark:
        return "warms", "it has no power"
    if running >= FLAT_OUT and rise > RISING:
        return "warms", (
            "flat out and losing: shade and vent it, eat the fragile food first"
        )
    if inside > limit and rise > -RISING:
        return "warms", f"above {limit:.0f} degC and not falling"
    if inside > limit:
        return "holds", f"above {limit:.0f} degC but cooling down"
    return "holds", "below its cold line"
