"""Constructed trips for the stories of the answer at camp: steady draws, known sun."""

from __future__ import annotations

import numpy as np

from campledger.model.estimates import (
    Anchor,
    BatteryEstimate,
    BatteryModel,
    Estimate,
    LoadUse,
    SourceUse,
    TripEstimates,
)
from campledger.model.integrate import to_minutes
from campledger.model.rig import House, Load, Rig, Source, StartBattery
from campledger.model.series import Series, TripRecord, minute_grid
from campledger.model.words import Word

THURSDAY = 1777507200.0
"""2026-04-30T00:00:00Z, a Thursday; the stories live in UTC."""
HOUR = 3600.0


def rig_of(loads, *, chemistry="agm", floor=0.5, sun=False, charger=25.0, **more):
    sources = []
    if charger:
        sources.append(Source(name="alternator", kind="dcdc", current_rated=charger))
    if sun:
        sources.append(Source(name="solar", kind="solar", power_panel=200.0))
    return Rig(
        name="story",
        timezone="UTC",
        house=House(chemistry=chemistry, capacity_rated=100.0, floor=floor),
        start=StartBattery(),
        sources=tuple(sources),
        loads=tuple(loads),
        **more,
    )


def model_of(chemistry="agm", efficiency=1.0, acceptance=1.5 * HOUR):
    soc = np.linspace(0.0, 1.0, 11)
    return BatteryModel(
        chemistry=chemistry,
        capacity=100.0,
        soc_table=soc,
        voltage_open_table=11.0 + 1.8 * soc,
        resistance=0.005,
        resistance_per_k=0.0,
        hysteresis=0.0,
        efficiency_low=efficiency,
        efficiency_full=efficiency,
        soc_gassing=0.9,
        acceptance_time=acceptance,
        current_hidden=0.0,
    )


def record_of(at, days, channels, utc_offset=0.0):
    start = at - days * 86400.0
    grid = minute_grid(start, at)
    made = {}
    for name, value in {"voltage_house_v": 12.6, **channels}.items():
        values = np.broadcast_to(np.asarray(value, dtype=float), grid.shape).copy()
        made[name] = Series(time_utc=grid, value=values, sampling="mean")
    return TripRecord(
        start_utc=start,
        end_utc=at,
        utc_offset=utc_offset,
        minute_utc=grid,
        channels=made,
        minutes={n: to_minutes(s, grid) for n, s in made.items()},
    )


def load_use(name, current, size, word=Word.MEASURED, **more):
    amps = np.broadcast_to(np.asarray(current, dtype=float), (size,)).copy()
    given = {
        "current_running": float(np.max(amps)),
        "current_standing": 0.0,
        "starts": 0,
        "on_share": np.ones(size),
        **more,
    }
    return LoadUse(
        name=name,
        word=word,
        power=amps * 12.6,
        power_lo=amps * 12.6,
        power_hi=amps * 12.6,
        charge=amps / 60.0,
        energy=Estimate(value=1.0, lo=1.0, hi=1.0),
        **given,
    )


def source_use(name, kind, current, size):
    amps = np.broadcast_to(np.asarray(current, dtype=float), (size,)).copy()
    return SourceUse(
        name=name,
        kind=kind,
        word=Word.MEASURED,
        power=amps * 13.6,
        charge=amps / 60.0,
        possible=np.full(size, np.nan),
        possible_lo=np.full(size, np.nan),
        possible_hi=np.full(size, np.nan),
        state=np.zeros(size),
        energy_possible=Estimate.missing("not asked"),
    )


def estimates_of(
    record, *, charge, give, draw, loads=(), sun=None, model=None, full=None, fridges=()
):
    """Charge [A.h] now with its give-or-take; ``draw`` A of everything together."""
    size = len(record.minute_utc)
    sun = np.zeros(size) if sun is None else sun
    soc, wide = charge / 100.0, give / 100.0
    level = np.full(size, soc)
    sources = [source_use("alternator", "dcdc", 0.0, size)]
    if np.any(sun):
        sources.append(source_use("solar", "solar", sun, size))
    anchors = ()
    if full is not None:
        anchors = (Anchor(time_utc=full, kind="full", soc=1, soc_std=0.01, change=0.0),)
    battery = BatteryEstimate(
        minute_utc=record.minute_utc,
        soc=level,
        soc_lo=level - wide,
        soc_hi=level + wide,
        soc_live=level,
        soc_live_lo=level - wide,
        soc_live_hi=level + wide,
        current_corrected=sun - draw,
        charging_loss=np.zeros(size),
        capacity=Estimate(value=100.0, lo=100.0, hi=100.0),
        resistance=Estimate(value=0.005, lo=0.005, hi=0.005),
        offset=Estimate(value=0.0, lo=0.0, hi=0.0),
        efficiency=Estimate(value=1.0, lo=1.0, hi=1.0),
        anchors=anchors,
        model=model or model_of(),
        rung="shunt",
    )
    return TripEstimates(
        battery=battery,
        loads=tuple(load_use(n, i, size) for n, i in loads),
        sources=tuple(sources),
        not_itemised=np.zeros(size),
        fridges=tuple(fridges),
        censored=np.zeros(size, dtype=bool),
        demand={},
    )


INVERTER = Load(name="inverter", kind="inverter", current_idle=0.6)
