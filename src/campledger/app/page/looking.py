"""A short look at the newest readings: does the vehicle move, was there an event."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord
    from campledger.store import Store

RECENT = 3600.0
COMMON = frozenset({"step", "fingerprint"})
"""Events that say nothing new to a person: a load went on, a result was kept."""
DRIVE_FRESH = 180.0
"""A reading older than this says nothing about driving now. [s]"""
CHARGES = 2.0
"""A charger that delivers more than this runs on the engine. [A] Common practice, no
source."""
MOVES = 2.0
"""Faster than a walk. [m/s] Common practice, no source."""


def is_driving(record: TripRecord, rig: Rig, at: float) -> bool:
    """Tell whether engine, charger current or speed show a drive; unknown = no."""
    engine = _newest(record, "state_engine", at)
    speed = _newest(record, "speed_vehicle_mps", at)
    chargers = [
        _newest(record, f"current_{s.name}_a", at)
        for s in rig.sources
        if s.kind in {"dcdc", "isolator"}
    ]
    return (
        engine > 0.5 or speed > MOVES or any(current > CHARGES for current in chargers)
    )


def _newest(record: TripRecord, name: str, at: float) -> float:
    """Give the newest reading of a channel if it is young, else NaN."""
    series = record.channels.get(name)
    if series is None or not len(series.time_utc):
        return math.nan
    time_utc, value = series.time_utc, series.value
    if at - float(time_utc[-1]) > DRIVE_FRESH:
        return math.nan
    return float(value[-1])


def look(store: Store, rig: Rig) -> dict[str, object]:
    """Give whether it moves now, and the mark of the newest event that matters."""
    span = store.span()
    if span is None:
        return {"driving": False, "events": 0}
    recent = store.entries("event", start=span[1] - RECENT)
    newest = max((e.id for e in recent if e.key not in COMMON), default=0)
    record = store.record(span[1] - DRIVE_FRESH, span[1], rig.corrections)
    return {"driving": is_driving(record, rig, span[1]), "events": newest}
