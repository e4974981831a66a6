"""What the answer starts from: now, the deadline, the battery, what is missing."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import dawn_of, rig_date
from campledger.judge.forecast import STD_LEAST, State

if TYPE_CHECKING:
    from campledger.model.estimates import TripEstimates
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

HORIZON = 72 * 3600.0
"""How far ahead a plan's end is taken as the deadline. [s]"""
FRESH = 600.0
"""A newest reading older than this is the moment that the answer is of. [s]"""
NINETY = 1.645


def default_deadline(
    at: float, rig: Rig, plan: Plan | None, utc_offset: float
) -> tuple[float, str]:
    """
    Give the deadline that is meant when none is typed.

    Parameters
    ----------
    at : float
        Now. [s]
    rig, plan : Rig, Plan or None
        For the plan's end and for dawn.
    utc_offset : float
        Rig time less UTC. [s]

    Returns
    -------
    until : float
        The plan's end within 72 h, else the second dawn. [s]
    word : str
        Which of the two.
    """
    if plan is not None and at < plan.end_utc <= at + HORIZON:
        return plan.end_utc, "the end of your plan"
    dawns = coming_dawns(at, rig, plan, utc_offset, 2)
    return dawns[-1], "the second dawn"


def coming_dawns(
    at: float, rig: Rig, plan: Plan | None, utc_offset: float, count: int
) -> list[float]:
    """Give the next dawns after a moment. [s]"""
    day = rig_date(at, utc_offset)
    out: list[float] = []
    while len(out) < count:
        dawn, _, _ = dawn_of(day, rig, plan, utc_offset)
        if dawn > at:
            out.append(dawn)
        day += timedelta(days=1)
    return out


def state_of(estimates: TripEstimates) -> State | None:
    """
    Give where the battery stands at the end of the estimates.

    Parameters
    ----------
    estimates : TripEstimates
        Made from readings up to now.

    Returns
    -------
    state : State or None
        None if nothing is known.
    """
    battery = estimates.battery
    known = np.flatnonzero(np.isfinite(battery.soc_live))
    if known.size == 0:
        return None
    last = known[-1]
    spread = battery.soc_live_hi[last] - battery.soc_live_lo[last]
    wide = battery.capacity.hi - battery.capacity.lo
    return State(
        soc=float(battery.soc_live[last]),
        soc_std=max(STD_LEAST, float(spread) / (2 * NINETY)),
        capacity=battery.capacity.value,
        capacity_std=float(np.nan_to_num(wide)) / (2 * NINETY),
    )


def newest_reading(record: TripRecord) -> float:
    """Give the minute of the newest reading of the house battery. [s]"""
    for name in ("current_house_a", "voltage_house_v"):
        if name in record.minutes:
            good = np.flatnonzero(np.isfinite(record.minutes[name].mean))
            if good.size:
                return float(record.minute_utc[good[-1]])
    return record.end_utc


def now_of(record: TripRecord, at: float) -> float:
    """
    Give the moment from which to look ahead.

    Parameters
    ----------
    record : TripRecord
        Readings up to ``at``.
    at : float
        The moment of asking. [s]

    Returns
    -------
    now : float
        ``at``, or the newest reading if that is ten minutes old. [s]
    """
    newest = newest_reading(record)
    return at if at - newest < FRESH else newest


def why_cannot_tell(record: TripRecord, rig: Rig) -> str:
    """
    Say why charge cannot be counted, empty if it can.

    Parameters
    ----------
    record : TripRecord
        Readings up to now.
    rig : Rig
        Its chemistry decides what volts could say.

    Returns
    -------
    reason : str
        For a person.
    """
    if not _any(record, "voltage_house_v"):
        return "the house battery's volts are not measured"
    if _any(record, "current_house_a"):
        return ""
    reason = "no shunt: charge cannot be counted"
    if rig.house.is_lead:
        return f"{reason}. Rest 2 h with everything off for a rough state"
    return f"{reason}, and volts can't tell between nearly full and nearly flat"


def _any(record: TripRecord, name: str) -> bool:
    return name in record.minutes and bool(np.isfinite(record.minutes[name].mean).any())
