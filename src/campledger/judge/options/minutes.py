"""
A trip minute by minute as a replay reads it: what was given, what could have been.

The sun is what it could have given, the engine charger what it gives while the battery
takes all; how charge ended is learned from the same minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.censored import runs
from campledger.estimate.sun_camps import engine_minutes
from campledger.judge.options.engine import STEP
from campledger.judge.options.stages import (
    Charging,
    Stages,
    learned_stages,
    usual_stages,
)

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryModel, SourceUse, TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

STEP_MINUTES = int(STEP / 60.0)
MINUTES_HOUR = 60.0
LIT = 2.0
"""Power below which nothing charges. Common practice, no source. [W]"""
NIGHT = 180
"""Dark this long, a sun charger begins anew. Common practice, no source. [minutes]"""
FULL_SHARE = 0.9
"""Of its usual full current: above it an engine charger gives all it can. [1]"""
USUAL = 95.0
"""Percentile of the running current that stands for all it can. Common practice."""
FLOAT_NEAR = 0.05
"""Volts under float that an engine charger does not care to lift. [V]"""
RUNS = 0.5
"""Current above which an engine charger runs. Common practice, no source. [A]"""
PANEL_DERATE = 0.75
"""Share of nameplate energy that reaches the battery. Common practice, no source."""
FOLDS = 2
"""Every other day is held out in turn."""
ENGINE = frozenset({"dcdc", "isolator", "mains"})
"""Kinds of source that taper by the battery's charge."""


@dataclass(frozen=True, kw_only=True)
class Minutes:
    """
    The trip minute by minute; arrays (m,).

    ``volts`` V, ``net`` A into the battery, ``given`` A by all sources; ``drive`` W and
    ``sun`` W (middle, low, high) that could have been; ``engine`` ran, ``dark`` was not
    recorded; ``folds`` hold stages learned without some minutes, and those minutes.
    """

    volts: FloatArray
    net: FloatArray
    engine: BoolArray
    drive: FloatArray
    sun: tuple[FloatArray, FloatArray, FloatArray]
    given: FloatArray
    dark: BoolArray
    stages: Stages
    folds: tuple[tuple[Stages, BoolArray], ...]


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


def read_minutes(record: TripRecord, rig: Rig, estimates: TripEstimates) -> Minutes:
    """
    Read a trip minute by minute.

    Parameters
    ----------
    record, rig, estimates : TripRecord, Rig, TripEstimates
        The trip as measured.

    Returns
    -------
    minutes : Minutes
        With the stages of the chargers, learned on all days and on every other one.

    References
    ----------
    Common practice, no source.
    """
    battery = estimates.battery
    volts = np.full(len(record.minute_utc), rig.house.voltage_nominal)
    if "voltage_house_v" in record.minutes:
        volts = _bridge(record.minutes["voltage_house_v"].mean, volts)
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
    seen_by = Charging(
        volts=volts,
        net=battery.current_corrected,
        soc=battery.soc,
        given=np.nan_to_num(given),
        able=able + sun[0] / volts,
        offered=(sun[0] > LIT) | engine,
        engine=engine,
        fresh=starts(sun[0] > LIT, NIGHT) | starts(engine, 1),
        day=np.floor((record.minute_utc + record.utc_offset) / 86400.0),
    )
    other = [s for s in estimates.sources if s.kind not in {*ENGINE, "solar"}]
    drive = able * volts
    for source in other:
        drive += np.maximum(np.nan_to_num(source.power), 0.0)
    return Minutes(
        volts=volts,
        net=battery.current_corrected,
        engine=engine,
        drive=drive,
        sun=sun,
        given=given,
        dark=dark,
        stages=learned_stages(battery.model, seen_by, usual),
        folds=_folds(battery.model, seen_by, usual),
    )


def _bridge(seen: FloatArray, usual: FloatArray) -> FloatArray:
    """Draw a line across minutes without volts. (m,) [V]"""
    good = np.flatnonzero(np.isfinite(seen))
    if not len(good):
        return usual
    return np.interp(np.arange(len(seen)), good, seen[good])


def _folds(
    model: BatteryModel, seen: Charging, usual: Stages
) -> tuple[tuple[Stages, BoolArray], ...]:
    """Learn from every other day; with each the minutes that were held out."""
    out = []
    for row in range(FOLDS):
        hold = seen.day % FOLDS == row
        known = replace(
            seen,
            net=np.where(hold, np.nan, seen.net),
            offered=seen.offered & ~hold,
        )
        out.append((learned_stages(model, known, usual), hold))
    return tuple(out)


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


def starts(on: BoolArray, pause: int) -> BoolArray:
    """Mark minutes in which something begins after a pause of so many minutes."""
    marks = np.zeros(len(on), dtype=bool)
    last = -pause
    for a, b in runs(on):
        marks[a] = a - last >= pause
        last = b
    return marks


def _float(rig: Rig) -> float:
    floats = [s.voltage_float for s in rig.sources] or [rig.house.voltage_float]
    return max(floats)


def temp_of(record: TripRecord) -> FloatArray:
    """Battery temperature by minute, else that of the air, else 25 degC."""
    for name in ("temp_house_c", "temp_air_c"):
        if name in record.minutes:
            seen = record.minutes[name].mean
            if np.isfinite(seen).any():
                return np.where(np.isfinite(seen), seen, float(np.nanmean(seen)))
    return np.full(len(record.minute_utc), 25.0)
