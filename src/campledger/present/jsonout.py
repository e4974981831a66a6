"""Results as JSON objects: units in the keys, null for missing, finite numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from campledger.present import wording as w

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.judge.enough_types import Enough
    from campledger.judge.finding import Finding, Fitout
    from campledger.judge.statement_types import (
        Amount,
        LowPoint,
        Miss,
        Statement,
        StatementDay,
    )
    from campledger.model.estimates import Estimate, SourceUse, TripEstimates
    from campledger.model.plan import FrozenPlan, Plan

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"
DIGITS = 4


def num(value: float | None, digits: int = DIGITS) -> float | None:
    """Give a finite number or None."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def when(time_utc: float | None, utc_offset: float) -> str | None:
    """Give ISO 8601 with the rig's offset or None."""
    if time_utc is None or not math.isfinite(time_utc):
        return None
    return w.iso(time_utc, utc_offset)


def interval(estimate: Estimate) -> dict[str, Json]:
    """Give value, 5 % and 95 % points of an estimate and its word."""
    return {
        "value": num(estimate.value),
        "lo": num(estimate.lo),
        "hi": num(estimate.hi),
        "word": str(estimate.word),
        "reason": estimate.reason or None,
    }


def _low(low: LowPoint | None, offset: float) -> Json:
    if low is None:
        return None
    return {
        "time": when(low.time_utc, offset),
        "soc": num(low.soc),
        "spare_ah": num(low.spare),
    }


def _amounts(amounts: Sequence[Amount]) -> dict[str, Json]:
    return {
        a.name: {
            "planned_ah": num(a.charge_planned),
            "measured_ah": num(a.charge_measured),
            "planned_wh": num(a.energy_planned),
            "measured_wh": num(a.energy_measured),
            "word": str(a.word),
        }
        for a in amounts
    }


def day_json(day: StatementDay, offset: float) -> dict[str, Json]:
    """Give one camp day, or the total."""
    return {
        "dawn": when(day.dawn_utc, offset),
        "end": when(day.end_utc, offset),
        "dawn_word": str(day.dawn_word),
        "whole": day.whole,
        "brought_forward_ah": num(day.brought_forward),
        "in": _amounts(day.sources),
        "out": _amounts(day.loads),
        "charging_loss_ah": num(day.charging_loss),
        "charging_loss_word": str(day.charging_loss_word),
        "not_itemised_ah": num(day.not_itemised),
        "not_accounted_ah": num(day.not_accounted),
        "not_accounted_limit_ah": num(day.not_accounted_limit),
        "carried_forward_ah": num(day.carried_forward),
        "carried_word": str(day.carried_word),
        "floor_ah": num(day.floor_charge),
        "floor_word": str(day.floor_word),
        "in_hand_ah": num(day.in_hand),
        "planned_in_hand_ah": num(day.in_hand_planned),
        "nights_in_hand": day.nights_in_hand,
        "planned_nights_in_hand": day.nights_planned,
        "low_point": _low(day.low_point, offset),
        "planned_low_point": _low(day.low_point_planned, offset),
        "coverage": num(day.coverage),
        "censored_h": num(day.censored / 3600.0),
        "temp_air_c": num(day.temp_air_mean),
        "drive_h": num(day.drive / 3600.0),
        "notes": list(day.notes),
    }


def statement_json(statement: Statement) -> dict[str, Json]:
    """Give the statement: days, total and what stands above them."""
    offset = statement.utc_offset
    return {
        "trip": _trip(statement),
        "plan_status": statement.plan_status,
        "verdict": statement.verdict,
        "days": [day_json(d, offset) for d in statement.days],
        "total": day_json(statement.total, offset),
        "misses": [_miss(m) for m in statement.misses],
        "capacity_ah": interval(statement.capacity),
        "hours_below_floor": num(statement.hours_below_floor),
        "notes": list(statement.notes),
    }


def _trip(statement: Statement) -> dict[str, Json]:
    offset = statement.utc_offset
    return {
        "name": statement.trip_name,
        "start": when(statement.start_utc, offset),
        "end": when(statement.end_utc, offset),
        "utc_offset_s": num(offset),
    }


def _miss(miss: Miss) -> dict[str, Json]:
    return {
        "name": miss.name,
        "kind": miss.kind,
        "unit": miss.unit,
        "planned": num(miss.planned),
        "measured": num(miss.measured),
        "miss": num(miss.miss),
        "rate_part": num(miss.rate_part),
        "hours_part": num(miss.hours_part),
        "lo": num(miss.lo),
        "hi": num(miss.hi),
        "cause": miss.cause,
        "word": str(miss.word),
    }


def _loads(statement: Statement, estimates: TripEstimates) -> dict[str, Json]:
    misses: Mapping[str, Miss] = {
        m.name: m for m in statement.misses if m.kind != "source"
    }
    out: dict[str, Json] = {}
    for amount in statement.total.loads:
        miss, use = misses.get(amount.name), estimates.load(amount.name)
        energy = use.energy if use is not None else None
        out[amount.name] = {
            "planned_wh": num(amount.energy_planned),
            "measured_wh": num(amount.energy_measured),
            "lo_wh": num(energy.lo) if energy is not None else None,
            "hi_wh": num(energy.hi) if energy is not None else None,
            "planned_ah": num(amount.charge_planned),
            "measured_ah": num(amount.charge_measured),
            "duty": num(miss.duty) if miss is not None else None,
            "rate_part": num(miss.rate_part) if miss is not None else None,
            "hours_part": num(miss.hours_part) if miss is not None else None,
            "part_unit": miss.unit if miss is not None else None,
            "cause": miss.cause if miss is not None else None,
            "word": str(amount.word),
            "group": list(use.group) if use is not None else [],
        }
    return out


def _possible(use: SourceUse | None) -> float | None:
    return num(use.energy_possible.value) if use is not None else None


def _sources(statement: Statement, estimates: TripEstimates) -> dict[str, Json]:
    return {
        a.name: {
            "planned_wh": num(a.energy_planned),
            "measured_wh": num(a.energy_measured),
            "possible_wh": _possible(estimates.source(a.name)),
            "planned_ah": num(a.charge_planned),
            "measured_ah": num(a.charge_measured),
            "word": str(a.word),
        }
        for a in statement.total.sources
    }


def _house(statement: Statement, estimates: TripEstimates) -> dict[str, Json]:
    battery, offset = estimates.battery, statement.utc_offset
    known = np.isfinite(battery.soc)
    lowest: dict[str, Json] = {"value": None, "time": None}
    if known.any():
        at = int(np.nanargmin(battery.soc))
        lowest = {
            "value": num(float(battery.soc[at])),
            "lo": num(float(battery.soc_lo[at])),
            "hi": num(float(battery.soc_hi[at])),
            "time": when(float(battery.minute_utc[at]), offset),
        }
    resistance = battery.resistance
    return {
        "soc_min": lowest,
        "capacity_ah": interval(battery.capacity),
        "resistance_mohm": {
            "value": num(1000 * resistance.value),
            "lo": num(1000 * resistance.lo),
            "hi": num(1000 * resistance.hi),
            "word": str(resistance.word),
            "reason": resistance.reason or None,
        },
        "hours_below_floor": num(statement.hours_below_floor),
        "anchors": [
            {
                "time": when(a.time_utc, offset),
                "kind": a.kind,
                "soc": num(a.soc),
                "change": num(a.change),
            }
            for a in battery.anchors
        ],
    }


def _plan(
    statement: Statement, plan: Plan | None, revisions: Sequence[FrozenPlan]
) -> dict[str, Json]:
    offset = statement.utc_offset
    return {
        "status": statement.plan_status,
        "name": plan.name if plan is not None else None,
        "fingerprint": plan.fingerprint if plan is not None else None,
        "revisions": [
            {
                "frozen": when(r.frozen_utc, offset),
                "revision": r.revision,
                "fingerprint": r.plan.fingerprint,
            }
            for r in revisions
        ],
    }


def report_json(
    statement: Statement,
    estimates: TripEstimates,
    *,
    plan: Plan | None = None,
    revisions: Sequence[FrozenPlan] = (),
) -> dict[str, Json]:
    """
    Give the statement and what the report adds to it.

    Parameters
    ----------
    statement : Statement
        The account.
    estimates : TripEstimates
        Of the same trip.
    plan : Plan, optional
        The one it is compared with.
    revisions : sequence of FrozenPlan, optional
        Later freezes.
    """
    return {
        **statement_json(statement),
        "plan": _plan(statement, plan, revisions),
        "house": _house(statement, estimates),
        "loads": _loads(statement, estimates),
        "sources": _sources(statement, estimates),
        "coverage": num(statement.total.coverage),
    }


def _car_and_fridge(answer: Enough) -> dict[str, Json]:
    return {
        "car": {
            "verdict": answer.car.verdict,
            "reason": answer.car.reason,
            "volts": num(answer.car.volts),
            "rested_h": num(answer.car.rested),
            "joined": answer.car.joined,
        },
        "fridge": {
            "verdict": answer.fridge.verdict,
            "temp_c": num(answer.fridge.temp),
            "limit_c": num(answer.fridge.limit),
            "hours_to_limit": num(answer.fridge.hours_to_limit),
            "reason": answer.fridge.reason,
            "name": answer.fridge.name,
        },
    }


def enough_json(answer: Enough) -> dict[str, Json]:
    """Give the answer at camp."""
    offset, hours = answer.utc_offset, answer.hours_to_floor
    return {
        "at": when(answer.at, offset),
        "as_of": when(answer.as_of, offset),
        "basis": answer.basis,
        "verdict": answer.verdict,
        "reason": answer.reason,
        "if": [
            {
                "text": c.text,
                "verdict": c.verdict,
                "kind": c.kind,
                "spare_ah": num(c.spare),
            }
            for c in answer.conditions
        ],
        "until": when(answer.until, offset),
        "until_word": answer.until_word,
        "soc": interval(answer.soc),
        "used_since_full_ah": {
            "value": num(answer.used_since_full),
            "since": when(answer.used_since, offset),
        },
        "in_hand_ah": interval(answer.in_hand),
        "spare_ah": interval(answer.spare),
        "low_point": _low(answer.low_point, offset),
        "hours_to_floor": {
            "p10": num(hours.p10),
            "p50": num(hours.p50),
            "p90": num(hours.p90),
        },
        "horizon_h": num(answer.horizon),
        "chance_lasts": num(answer.chance_lasts),
        **_car_and_fridge(answer),
        "savings": [
            {
                "load": s.load,
                "ah": num(s.charge),
                "ah_a_day": num(s.charge_a_day),
                "text": s.text,
                "note": s.note,
                "turns_to_yes": s.turns_to_yes,
            }
            for s in answer.savings
        ],
        "nights_in_hand": answer.nights_in_hand,
        "urgent": [{"code": u.code, "text": u.text} for u in answer.urgent],
        "driving": answer.driving,
        "notes": list(answer.notes),
        "assumed": list(answer.assumed),
    }


def _finding(finding: Finding) -> dict[str, Json]:
    return {
        "id": finding.id,
        "title": finding.title,
        "verdict": str(finding.verdict),
        "sure": str(finding.sure),
        "reads": finding.reads,
        "value": num(finding.value, 6),
        "value_lo": num(finding.value_lo, 6),
        "value_hi": num(finding.value_hi, 6),
        "unit": finding.unit,
        "limit": num(finding.limit, 6),
        "limit_kind": str(finding.limit_kind),
        "limit_source": finding.limit_source,
        "evidence_count": finding.evidence_count,
        "cause_of": list(finding.cause_of),
        "cause": finding.cause or None,
        "next": finding.next,
        "care": finding.care,
        "needs": list(finding.needs),
        "place": finding.place or None,
        "from_description": finding.from_description,
    }


def fitout_json(fitout: Fitout) -> dict[str, Json]:
    """Give the installer's findings."""
    sensor = fitout.next_sensor
    return {
        "summary": fitout.summary,
        "sensors": [_finding(f) for f in fitout.sensors],
        "findings": [_finding(f) for f in fitout.findings],
        "causes": [f.id for f in fitout.causes],
        "corrections": [
            {
                "channel": c.channel,
                "scale": num(c.scale, 6),
                "offset": num(c.offset, 6),
                "reason": c.reason,
                "text": c.text,
            }
            for c in fitout.corrections
        ],
        "next_sensor": (
            None
            if sensor is None
            else {"channel": sensor.channel, "settles": list(sensor.settles)}
        ),
    }
