"""Small hand-made trips for the installer stories, and the way to the planter."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))

from planter import Lazy, plant

from campledger.judge.fitout import judge_fitout
from campledger.model.estimates import (
    BatteryEstimate,
    BatteryModel,
    Estimate,
    TripEstimates,
)
from campledger.model.rig import (
    Cable,
    House,
    Load,
    Rig,
    Source,
    StartBattery,
)
from campledger.model.series import (
    Boot,
    Series,
    TripRecord,
    minute_grid,
)
from campledger.model.words import Word

__all__ = ["BASE", "DCDC", "build", "estimates_for", "judge", "plant", "rig"]

BASE = 1_780_005_600.0
"""Midnight UTC of a day; stories use rig time = UTC."""
BASE -= BASE % 86400.0
DCDC = Source(name="alternator", kind="dcdc", current_rated=25.0)


def rig(**changes):
    """Give the reference rig: AGM 100 Ah, floor half, fridge on 5 m of 6 mm2."""
    base = Rig(
        name="story",
        timezone="UTC",
        house=House(chemistry="agm", capacity_rated=100.0, floor=0.5),
        start=StartBattery(),
        loads=(
            Load(name="fridge", kind="fridge", current_on=4.2, voltage_cut_out=10.4),
        ),
        cables=(
            Cable(
                name="fridge",
                place_from="house",
                place_to="fridge",
                length=5.0,
                size="6 mm2",
                area=6.0,
                current_fuse=15.0,
                distance_fuse=0.15,
                current_rating=25.0,
            ),
        ),
    )
    return replace(base, **changes)


def build(time_utc, channels, *, sampling="point", boots=()):
    """Build a record from one time axis."""
    time_utc = np.asarray(time_utc, dtype=float)
    series = {
        name: Series(
            time_utc=time_utc,
            value=np.broadcast_to(np.asarray(v, dtype=float), time_utc.shape).copy(),
            sampling=sampling,
        )
        for name, v in channels.items()
    }
    grid = minute_grid(float(time_utc[0]) - 1.0, float(time_utc[-1]))
    only = Boot(
        number=1,
        recorder="story",
        start_utc=float(time_utc[0]),
        end_utc=float(time_utc[-1]),
        dated_by="typed",
    )
    return TripRecord(
        start_utc=float(time_utc[0]) - 1.0,
        end_utc=float(time_utc[-1]),
        utc_offset=0.0,
        minute_utc=grid,
        channels=series,
        minutes=Lazy(series, grid),
        boots=boots or (only,),
    )


def estimates_for(record, *, soc=0.8, capacity=100.0, efficiency=0.9):
    """Give plain estimates: a charge (number or one per minute) that is known."""
    grid = record.minute_utc
    level = np.broadcast_to(np.asarray(soc, dtype=float), grid.shape).copy()
    nan = np.full(len(grid), np.nan)

    def each(value, band, word=Word.ASSUMED):
        return Estimate(value=value, lo=value - band, hi=value + band, word=word)

    battery = BatteryEstimate(
        minute_utc=grid,
        soc=level,
        soc_lo=level - 0.04,
        soc_hi=level + 0.04,
        soc_live=level,
        soc_live_lo=level - 0.04,
        soc_live_hi=level + 0.04,
        current_corrected=nan,
        charging_loss=nan,
        capacity=each(capacity, 30.0),
        resistance=each(0.01, 0.002),
        offset=each(0.0, 0.02),
        efficiency=each(efficiency, 0.05),
        anchors=(),
        model=BatteryModel(
            chemistry="agm",
            capacity=capacity,
            soc_table=np.array([0.0, 1.0]),
            voltage_open_table=np.array([11.8, 12.8]),
            resistance=0.01,
            resistance_per_k=0.0,
            hysteresis=0.0,
            efficiency_low=0.95,
            efficiency_full=0.85,
            soc_gassing=0.85,
            acceptance_time=5400.0,
            current_hidden=0.0,
        ),
        rung="counted",
    )
    return TripEstimates(
        battery=battery,
        loads=(),
        sources=(),
        not_itemised=nan,
        fridges=(),
        censored=np.zeros(len(grid), dtype=bool),
        demand={},
    )


def judge(record, described, *, estimates=None, **options):
    """Judge a story."""
    return judge_fitout(
        record, described, estimates or estimates_for(record), **options
    )
