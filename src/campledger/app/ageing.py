"""The batteries of earlier trips, found once and kept, laid beside this trip's."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import TYPE_CHECKING

from campledger.app import kept
from campledger.app.context import (
    ChosenTrip,
    estimates_of,
    plan_of,
    record_of,
    trips_of,
)
from campledger.app.times import offset_at
from campledger.errors import StoreError
from campledger.estimate.capacity import TripBattery, trip_battery
from campledger.judge.ageing import judge_ageing
from campledger.model.estimates import Estimate
from campledger.model.words import Word
from campledger.present.battery_age import ageing_lines
from campledger.store import open_store

if TYPE_CHECKING:
    from campledger.app.context import Session
    from campledger.judge.ageing import BatteryAgeing
    from campledger.judge.finding import Fitout
    from campledger.model.estimates import TripEstimates
    from campledger.model.series import TripRecord
    from campledger.store import Trip

EARLIER_MOST = 6
"""Earlier trips that are looked at. Each is estimated once, then kept."""
SHORTEST = 12 * 3600.0
"""A stretch without a swing worth the time. [s]"""
OWN_BATTERY_LINE = "battery and lugs"


def battery_ageing(
    session: Session,
    chosen: ChosenTrip,
    record: TripRecord,
    estimates: TripEstimates,
) -> BatteryAgeing:
    """Lay the battery of a trip beside those of the trips before it."""
    trips = [
        t
        for t in trips_of(session)
        if t.end_utc <= record.start_utc and t.end_utc - t.start_utc >= SHORTEST
    ]
    earlier = tuple(_battery_of(session, t) for t in trips[-EARLIER_MOST:])
    now = trip_battery(record, session.rig, estimates.battery)
    return judge_ageing(now, earlier)


def with_battery(fitout: Fitout, ageing: BatteryAgeing, utc_offset: float) -> Fitout:
    """Tell in a fit-out what aged of the battery, with its give or take."""
    lines = ageing_lines(ageing, utc_offset)
    if not lines:
        return fitout
    others = [t for t in fitout.aged if not t.startswith(OWN_BATTERY_LINE)]
    return replace(fitout, aged=(*lines, *others))


def _battery_of(session: Session, trip: Trip) -> TripBattery:
    mark = kept.fingerprint(session.rig, ("battery", f"{trip.start_utc:.3f}"))
    key = f"battery:{trip.start_utc:.0f}"
    found = session.store.kept(key, fingerprint=mark)
    if found is not None:
        return _unpack(found.blob)
    plan, status, later = plan_of(session, trip, None)
    zone = session.rig.timezone
    offset = plan.utc_offset if plan is not None else offset_at(zone, trip.start_utc)
    chosen = ChosenTrip(
        trip=trip, plan=plan, plan_status=status, revisions=later, utc_offset=offset
    )
    record = record_of(session, chosen)
    made = trip_battery(
        record, session.rig, estimates_of(session, chosen, record).battery
    )
    try:
        with open_store(session.store.path, "write") as writer:
            writer.keep(
                key, fingerprint=mark, last_utc=record.end_utc, blob=_pack(made)
            )
    except StoreError:
        pass
    return made


def _pack(made: TripBattery) -> bytes:
    def plain(e: Estimate) -> list[float | str | None]:
        numbers = [v if math.isfinite(v) else None for v in (e.value, e.lo, e.hi)]
        return [*numbers, e.word.name, e.reason]

    body = {
        "start_utc": made.start_utc,
        "end_utc": made.end_utc,
        "capacity": plain(made.capacity),
        "resistance": plain(made.resistance),
        "interval": made.interval if math.isfinite(made.interval) else None,
        "swings": made.swings,
    }
    return json.dumps(body, allow_nan=False).encode()


def _unpack(blob: bytes) -> TripBattery:
    body = json.loads(blob)

    def whole(parts: list[float | str | None]) -> Estimate:
        value, lo, hi = (
            math.nan if not isinstance(v, int | float) else float(v) for v in parts[:3]
        )
        word, reason = Word[str(parts[3])], str(parts[4] or "")
        return Estimate(value=value, lo=lo, hi=hi, word=word, reason=reason)

    interval = body["interval"]
    return TripBattery(
        start_utc=body["start_utc"],
        end_utc=body["end_utc"],
        capacity=whole(body["capacity"]),
        resistance=whole(body["resistance"]),
        interval=math.nan if interval is None else interval,
        swings=body["swings"],
    )
