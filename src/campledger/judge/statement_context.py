"""What every line of a statement is made from: the trip, its plan and its minutes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.judge.campday import CampDay
    from campledger.judge.plan_walk import PlannedDay
    from campledger.model.estimates import LoadUse, SourceUse, TripEstimates
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord


def tenth(value: float) -> float:
    """Round to the printed digit, half away from zero, without a minus zero."""
    scaled = np.floor(abs(value) * 10.0 + 0.5) / 10.0
    return float(np.copysign(scaled, value)) if scaled else 0.0


@dataclass(frozen=True, kw_only=True)
class StatementContext:
    """A trip, its plan walked forward, and which minutes were recorded or driven."""

    record: TripRecord
    days: tuple[CampDay, ...]
    rig: Rig
    estimates: TripEstimates
    plan: Plan | None
    planned: tuple[PlannedDay, ...]
    recorded: BoolArray
    driving: BoolArray


def recorded_minutes(record: TripRecord) -> BoolArray:
    """Tell for each minute whether the house battery was recorded. (m,)"""
    for name in ("current_house_a", "voltage_house_v"):
        if name in record.minutes:
            return record.minutes[name].covered > 0
    return np.zeros(len(record.minute_utc), dtype=bool)


def driving_minutes(record: TripRecord, estimates: TripEstimates) -> BoolArray:
    """Tell for each minute whether the engine charged or ran. (m,)"""
    out = np.zeros(len(record.minute_utc), dtype=bool)
    if "state_engine" in record.minutes:
        return np.nan_to_num(record.minutes["state_engine"].mean) > 0.5
    for source in estimates.sources:
        if source.kind in {"dcdc", "isolator"}:
            out |= np.nan_to_num(source.charge) * 60.0 > 0.5
    return out


def mean_volts(estimates: TripEstimates) -> Mapping[str, float]:
    """Give the mean volts of each load and source, energy over charge. [V]"""
    out = {}
    uses: tuple[LoadUse | SourceUse, ...] = (*estimates.loads, *estimates.sources)
    for use in uses:
        charge = float(np.nansum(use.charge))
        energy = float(np.nansum(use.power)) / 60.0
        if charge > 0 and energy > 0:
            out[use.name] = energy / charge
    return out


def mean_air(context: StatementContext, span: slice) -> float | None:
    """Give the mean air temperature of a stretch, None if not measured. [Cel]"""
    if "temp_air_c" not in context.record.minutes:
        return None
    mean = context.record.minutes["temp_air_c"].mean[span]
    return float(np.nanmean(mean)) if np.isfinite(mean).any() else None


def daily_flows(context: StatementContext) -> tuple[float, float]:
    """
    Give the trip's mean use a day and its middle sun of a whole day. [A.h]

    The sun counts as it could have been taken: a battery that is no longer full takes
    what was held back.
    """
    known = int(context.recorded.sum()) - int(context.estimates.censored.sum())
    uses = [x.charge for x in context.estimates.loads]
    out = sum(float(np.nansum(x)) for x in uses)
    out += sum_charge(context.estimates.not_itemised)
    spent = out / max(known, 1) * 1440.0
    volts = mean_volts(context.estimates)
    nominal = context.rig.house.voltage_nominal
    suns = [
        np.fmax(s.charge, s.possible / volts.get(s.name, nominal) / 60.0)
        for s in context.estimates.sources
        if s.kind == "solar"
    ]
    if not suns:
        return spent, 0.0
    per_minute = np.nan_to_num(np.sum(suns, axis=0))
    n = len(per_minute) // 1440
    if n == 0:
        return spent, float(per_minute.sum())
    sums = per_minute[: n * 1440].reshape(n, 1440).sum(axis=1)
    return spent, float(np.median(sums))


def minutes_of(context: StatementContext, day: CampDay) -> slice:
    """Give the minutes of a camp day as a slice of the trip's grid."""
    a, b = np.searchsorted(
        context.record.minute_utc, [day.start, day.end + 30.0], side="right"
    )
    last = context.record.end_utc <= day.end
    return slice(int(a), len(context.record.minute_utc) if last else int(b))


def sum_charge(current: FloatArray) -> float:
    """Add minute means of a current into a charge. [A.h]"""
    return float(np.nansum(current)) / 60.0
