"""Parked and ready to leave: what the judge needs, out of the last trip."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from campledger.app.context import (
    choose_trip,
    estimates_of,
    now_of,
    record_of,
)
from campledger.judge.parked import (
    Leaving,
    Parked,
    Ready,
    judge_parked,
    judge_ready,
    standing_draw,
)
from campledger.model.estimates import Estimate
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    import argparse

    from campledger.app.context import Session
    from campledger.model.estimates import BatteryEstimate, TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

RECENT = 600.0
"""A temperature older than this is not "now". [s]"""
AHEAD = 7 * 86400.0
"""A frozen plan that begins later than this is for another trip. [s]"""


@dataclass(frozen=True, kw_only=True)
class Standing:
    """Both answers, with the moment they hold for."""

    as_of: float
    parked: Parked
    ready: Ready

    def lines(self) -> list[str]:
        """Give what a person reads."""
        word = {
            "ready": "Ready to leave.",
            "not_yet": "Not ready to leave yet.",
            "cannot_tell": "Can't tell whether you are ready to leave.",
        }[self.ready.verdict]
        return [self.parked.text, f"{word} {' '.join(self.ready.text)}"]

    def as_object(self) -> dict[str, object]:
        """Give the JSON; what is not finite is null."""
        parked = {
            "draw_a": _finite(self.parked.draw),
            "days": _estimate(self.parked.days),
            "days_without_logger": _estimate(self.parked.days_without_logger),
            "text": self.parked.text,
        }
        ready = {"verdict": self.ready.verdict, "text": list(self.ready.text)}
        moment = datetime.fromtimestamp(round(self.as_of), tz=UTC)
        return {"as_of": moment.isoformat(), "parked": parked, "ready": ready}


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _estimate(found: Estimate | None) -> dict[str, float | None] | None:
    if found is None or math.isnan(found.value):
        return None
    parts = {"value": found.value, "lo": found.lo, "hi": found.hi}
    return {k: _finite(v) for k, v in parts.items()}


def stand(session: Session, args: argparse.Namespace) -> Standing:
    """
    Judge the last trip's end: how long it lasts parked, and whether it may leave.

    Raises
    ------
    CannotTellError
        The store holds no dated reading.
    """
    chosen = choose_trip(session, args)
    record = record_of(session, chosen)
    made = estimates_of(session, chosen, record)
    rig = session.rig
    as_of = min(now_of(session), record.end_utc)
    parked = judge_parked(
        rig.house,
        in_hand=_in_hand(rig, made.battery),
        capacity=made.battery.capacity.value,
        draw=_draw(record, made),
        logger=_logger(rig, record),
    )
    known = _leaving(session, record, made, as_of)
    clock = {
        t: datetime.fromtimestamp(t, tz=ZoneInfo(rig.timezone)).strftime("%H:%M")
        for t in (known.full_utc, known.frozen_utc)
        if math.isfinite(t) and 0.0 <= as_of - t < 86400.0
    }
    return Standing(as_of=as_of, parked=parked, ready=judge_ready(known, clock=clock))


def _in_hand(rig: Rig, battery: BatteryEstimate) -> Estimate:
    good = np.flatnonzero(np.isfinite(battery.soc))
    if not good.size:
        return Estimate(value=math.nan, lo=math.nan, hi=math.nan)
    k, size, floor = int(good[-1]), battery.capacity, rig.house.floor
    return Estimate(
        value=(float(battery.soc[k]) - floor) * size.value,
        lo=(float(battery.soc_lo[k]) - floor) * size.lo,
        hi=(float(battery.soc_hi[k]) - floor) * size.hi,
    )


def _draw(record: TripRecord, made: TripEstimates) -> Estimate:
    battery = made.battery
    value = standing_draw(
        battery.minute_utc, battery.current_corrected, utc_offset=record.utc_offset
    )
    half = 0.5 * (battery.offset.hi - battery.offset.lo)
    half = half if math.isfinite(half) else 0.0
    return Estimate(value=value, lo=max(value - half, 0.0), hi=value + half)


def _logger(rig: Rig, record: TripRecord) -> float | None:
    """The logger's own draw: measured, else as typed."""
    for load in rig.loads:
        if load.kind != "logger":
            continue
        name = f"current_{load.name}_a"
        if name in record.minutes:
            mean = record.minutes[name].mean
            if np.isfinite(mean).any():
                return float(np.nanmedian(mean))
        return load.current_on
    return None


def _leaving(
    session: Session, record: TripRecord, made: TripEstimates, now: float
) -> Leaving:
    battery, rig = made.battery, session.rig
    full = battery.last_full_utc
    tail = used = math.nan
    if math.isfinite(full):
        grid, current = battery.minute_utc, battery.current_corrected
        around = (grid > full - 300.0) & (grid <= full) & np.isfinite(current)
        if around.any():
            tail = float(current[around].mean())
        since = (grid > full) & np.isfinite(current)
        used = max(-float(current[since].sum()) / 60.0, 0.0)
    fridge = next((x for x in rig.loads if x.kind in COOLING), None)
    temp = math.nan
    if fridge is not None:
        series = record.channels.get(f"temp_{fridge.name}_c")
        if series is not None:
            near = series.between(record.end_utc - RECENT, record.end_utc).value
            near = near[np.isfinite(near)]
            temp = float(near[-1]) if near.size else math.nan
    plans = [
        p.frozen_utc
        for p in session.store.plans()
        if p.end_utc >= now and p.start_utc <= now + AHEAD
    ]
    wanted = None if fridge is None else fridge.temp_set
    return Leaving(
        now=now,
        full_utc=full,
        tail=tail,
        used=used,
        capacity=battery.capacity.value,
        fridge=temp,
        fridge_set=math.nan if wanted is None else wanted,
        frozen_utc=max(plans, default=math.nan),
        has_fridge=fridge is not None,
    )
