"""
Will the car start? From the rested volts of the start battery, and never a promise.

Volts that belong to another battery (joined, or kept up by sun) say nothing about it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.enough_types import CarAnswer

if TYPE_CHECKING:
    from campledger.model.rig import Rig, StartBattery
    from campledger.model.series import FloatArray, TripRecord

CHARGED_ABOVE = 13.0
"""A start battery above this is being charged, or was within minutes. Common
practice, no source. [V]"""
RESTED_LEAST = 2.0
"""Hours without charge before volts mean anything. Job map B15, common practice."""
JOINED_WITHIN = 0.05
"""Two batteries closer than this over an hour may be one. Common practice. [V]"""
MOVED_LEAST = 0.03
"""Both must move by this much for "together" to be seen. Common practice. [V]"""
TOGETHER = 0.8
FALL_LIMIT = 0.02
"""A rested battery that falls faster is being drained. Common practice. [V/h]"""
VARIABLE_OK = 12.4
"""Variable-voltage alternators leave the battery near here. From memory. [V]"""
AGE_MOST = 3600.0
COLD = 0.0
TREND_HOURS = 3.0


def _last(values: FloatArray, minute_utc: FloatArray, at: float) -> float:
    good = np.flatnonzero(np.isfinite(values))
    if good.size == 0 or at - minute_utc[good[-1]] > AGE_MOST:
        return float("nan")
    return float(np.median(values[good[-5:]]))


def _mean(record: TripRecord, name: str) -> FloatArray | None:
    return record.minutes[name].mean if name in record.minutes else None


def rested_hours(volts: FloatArray, engine: FloatArray | None) -> float:
    """
    Give the hours since the start battery was last charged.

    Parameters
    ----------
    volts : (m,) float64
        Start battery, one a minute up to now. [V]
    engine : (m,) float64 or None
        1 while the engine runs.

    Returns
    -------
    hours : float
        NaN if it was never seen charged: at least as long as the record. [h]
    """
    charged = np.nan_to_num(volts) > CHARGED_ABOVE
    if engine is not None:
        charged |= np.nan_to_num(engine) > 0.5
    where = np.flatnonzero(charged)
    if where.size == 0:
        return float(np.isfinite(volts).sum()) / 60.0
    return float(len(volts) - 1 - where[-1]) / 60.0


def slope_per_hour(values: FloatArray) -> float:
    """Give the slope of minute values by least squares; NaN for under 30. [V/h]"""
    good = np.flatnonzero(np.isfinite(values))
    if good.size < 30:
        return float("nan")
    return 60.0 * float(np.polyfit(good.astype(float), values[good], 1)[0])


def joined(
    start: FloatArray, house: FloatArray | None, isolator: FloatArray | None
) -> bool | None:
    """
    See whether start and house battery are connected now.

    Parameters
    ----------
    start, house : (m,) float64
        Volts, one a minute up to now. [V]
    isolator : (m,) float64 or None
        1 = closed, where it is recorded.

    Returns
    -------
    joined : bool or None
        None if volts cannot tell.
    """
    if isolator is not None:
        state = isolator[np.isfinite(isolator)]
        if state.size:
            return bool(state[-1] > 0.5)
    if house is None:
        return None
    a, b = start[-60:], house[-60:]
    good = np.isfinite(a) & np.isfinite(b)
    if good.sum() < 20:
        return None
    a, b = a[good], b[good]
    if float(np.median(np.abs(a - b))) > JOINED_WITHIN:
        return False
    if min(np.ptp(a), np.ptp(b)) < MOVED_LEAST:
        return None
    return bool(np.corrcoef(a, b)[0, 1] > TOGETHER)


def answer_car(record: TripRecord, rig: Rig, at: float) -> CarAnswer:
    """
    Judge the start battery.

    Parameters
    ----------
    record : TripRecord
        Readings up to ``at``.
    rig : Rig
        What counts as rested and sound.
    at : float
        Now. [s]

    Returns
    -------
    answer : CarAnswer
        ``should_start`` is the strongest word there is.

    References
    ----------
    .. [1] Job map B15 and story T6. Rested volts: the rig file's, else common practice.
    """
    start = _mean(record, "voltage_start_v")
    if start is None or not np.isfinite(start).any():
        return CarAnswer(verdict="cannot_tell", reason="start battery not measured")
    volts = _last(start, record.minute_utc, at)
    if np.isnan(volts):
        return CarAnswer(
            verdict="cannot_tell", reason="no reading of the start battery in an hour"
        )
    said = judge_start(
        rig,
        start,
        _mean(record, "voltage_house_v"),
        _mean(record, "state_isolator"),
        _mean(record, "state_engine"),
        volts=volts,
    )
    air = _mean(record, "temp_air_c")
    if said.verdict == "should_start" and air is not None:
        now = _last(air, record.minute_utc, at)
        if now < COLD:
            cold = "; it is below freezing, which takes cranking power"
            return replace(said, reason=said.reason + cold)
    return said


def judge_start(
    rig: Rig,
    start: FloatArray,
    house: FloatArray | None,
    isolator: FloatArray | None,
    engine: FloatArray | None,
    *,
    volts: float,
) -> CarAnswer:
    """
    Judge the start battery from its minutes up to now.

    Parameters
    ----------
    rig : Rig
        What counts as rested and sound.
    start : (m,) float64
        Its volts, one a minute. [V]
    house : (m,) float64 or None
        Volts of the house battery. [V]
    isolator, engine : (m,) float64 or None
        1 = closed, 1 = running, where recorded.
    volts : float
        Its volts now. [V]

    Returns
    -------
    answer : CarAnswer
        Without the air's word.

    References
    ----------
    Common practice, no source.
    """
    linked = joined(start, house, isolator)
    rested = rested_hours(start, engine)
    span = int(60 * min(TREND_HOURS, max(rested - 0.5, 0.5)))
    falling = slope_per_hour(start[-span:])
    verdict, reason = _judge(rig, volts, rested, falling, linked=linked)
    return CarAnswer(
        verdict=verdict,
        reason=reason,
        volts=volts,
        rested=rested,
        joined=linked,
        falling=falling,
    )


def _judge(
    rig: Rig, volts: float, rested: float, falling: float, *, linked: bool | None
) -> tuple[str, str]:
    battery = rig.start
    ok, low = (12.5, 12.2) if battery is None else _limits(battery)
    drained = falling < -FALL_LIMIT and volts < ok
    if linked and (drained or volts < low):
        return "not_safe", (
            "the two batteries are joined and falling together - open the isolator "
            "or drop the load"
        )
    if linked:
        return "cannot_tell", "joined to the house battery, so the volts are shared"
    if volts > CHARGED_ABOVE or rested < RESTED_LEAST:
        return "cannot_tell", f"rested only {_hours(rested)}, volts still settle"
    if volts < low:
        return (
            "not_safe",
            f"{volts:.2f} V rested is low - charge it before relying on it",
        )
    if drained:
        return "not_safe", f"{volts:.2f} V and falling {-falling:.2f} V an hour"
    sound = VARIABLE_OK if rig.alternator == "variable" else ok
    if volts >= sound:
        return "should_start", "volts only; a worn battery can still fail"
    return "cannot_tell", (
        f"{volts:.2f} V rested is between low and sound - do not rely on it alone"
    )


def _limits(battery: StartBattery) -> tuple[float, float]:
    return battery.voltage_rested_ok, battery.voltage_rested_low


def _hours(hours: float) -> str:
    return f"{hours * 60:.0f} min" if hours < 1.0 else f"{hours:.1f} h"
