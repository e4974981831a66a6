"""
When the engine ran, and where one camp ends and the next begins.

A camp is a stretch without a drive: the vehicle keeps its heading there, and shade
comes back at the same place of the sun. Evidence for a drive, from strong to weak: the
engine channel, speed, the engine charger's current, the start battery's volts.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

SPEED_MOVING = 1.0
"""Above this the vehicle moves. Common practice, no source. [m/s]"""
CHARGER_RUNS = 1.0
"""An engine charger gives more than this only with the engine on. Common practice."""
START_CHARGING = 13.5
"""Start battery above this is being charged; surface charge alone rests lower. Common
practice, no source. [V]"""
DRIVE_LEAST = 4
"""Shorter runs of the engine do not move the vehicle. Common practice. [minutes]"""
MOVE_JOIN = 90
"""Drives closer than this are one move. Common practice, no source. [minutes]"""


@dataclass(frozen=True, kw_only=True)
class Camp:
    """A stay: first and last minute index (end excluded), and where it was."""

    first: int
    last: int
    latitude: float
    longitude: float
    placed: bool


def engine_minutes(record: TripRecord, rig: Rig) -> FloatArray:
    """
    Tell when the engine ran.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Names the engine charger.

    Returns
    -------
    engine : (m,) float64
        1 on, 0 off, NaN where nothing tells. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    m = len(record.minute_utc)
    engine = np.full(m, np.nan)
    for name, limit in _witnesses(record, rig):
        value = record.minutes[name].mean
        seen = np.isfinite(value) & ~np.isfinite(engine)
        engine[seen] = (value[seen] > limit).astype(float)
    for source in rig.sources:
        name = f"current_{source.name}_a"
        if source.kind in {"dcdc", "isolator"} and name in record.channels:
            engine[record.minutes[name].mean > CHARGER_RUNS] = 1.0
    return engine


def _witnesses(record: TripRecord, rig: Rig) -> list[tuple[str, float]]:
    found = [("state_engine", 0.5), ("speed_vehicle_mps", SPEED_MOVING)]
    joined = any(s.kind == "isolator" for s in rig.sources)
    found += [
        (f"voltage_{s.name}_in_v", START_CHARGING)
        for s in rig.sources
        if s.kind == "dcdc"
    ]
    if not joined:
        found.append(("voltage_start_v", START_CHARGING))
    found += [
        (f"current_{s.name}_a", CHARGER_RUNS)
        for s in rig.sources
        if s.kind in {"dcdc", "isolator"}
    ]
    return [(name, limit) for name, limit in found if name in record.channels]


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """Give first and last + 1 of each run of True."""
    edge = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def find_camps(
    record: TripRecord, rig: Rig, engine: FloatArray, plan: Plan | None = None
) -> tuple[Camp, ...]:
    """
    Cut a trip into stays, from drive to drive; a drive belongs to the stay it ends.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Its position, where the plan has none.
    engine : (m,) float64
        From `engine_minutes`. [1]
    plan : Plan, optional
        Positions of its days.

    Returns
    -------
    camps : tuple of Camp
        In order, without holes; latitude NaN where no position is known at all.

    References
    ----------
    .. [1] Common practice, no source.
    """
    m = len(record.minute_utc)
    cuts = [0]
    for first, last in runs(np.nan_to_num(engine) > 0.5):
        if last - first < DRIVE_LEAST:
            continue
        if first - cuts[-1] > MOVE_JOIN or cuts[-1] == 0:
            cuts.append(first)
    cuts = sorted({c for c in cuts if c < m} | {m})
    return tuple(_place(record, rig, plan, a, b) for a, b in itertools.pairwise(cuts))


def _place(
    record: TripRecord, rig: Rig, plan: Plan | None, first: int, last: int
) -> Camp:
    middle = float(record.minute_utc[(first + last - 1) // 2]) + record.utc_offset
    nan = float("nan")
    latitude = nan if rig.latitude is None else rig.latitude
    longitude = nan if rig.longitude is None else rig.longitude
    placed = False
    day = plan.day(datetime.fromtimestamp(middle, UTC).date()) if plan else None
    if day is not None and day.latitude is not None:
        latitude, placed = day.latitude, day.longitude is not None
        longitude = longitude if day.longitude is None else day.longitude
    if np.isnan(longitude) and np.isfinite(latitude):
        longitude = record.utc_offset / 240.0
    return Camp(
        first=first, last=last, latitude=latitude, longitude=longitude, placed=placed
    )
