"""
The statement of a trip: an account ruled off at each dawn that adds up with a pencil.

Charges are rounded to 0.1 A.h; the rounding rests in "not accounted for". Nothing is
scaled to make it close. Hours in which demand could not show are named, not counted as
thrift.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import CampDay, camp_days
from campledger.judge.misses import (
    Circumstances,
    load_miss,
    sort_key,
    source_miss,
)
from campledger.judge.plan_walk import PlannedDay, load_current, walk_plan
from campledger.judge.statement_context import (
    StatementContext,
    driving_minutes,
    mean_air,
    mean_volts,
    recorded_minutes,
    tenth,
)
from campledger.judge.statement_days import account, day_account
from campledger.judge.statement_types import Amount, Miss, Statement, StatementDay
from campledger.model.words import weakest

if TYPE_CHECKING:
    from campledger.model.estimates import TripEstimates
    from campledger.model.plan import Plan, PlanLoad
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

NO_PLAN = "no plan was entered before the trip"
PLAN_AFTER = "plan given afterwards, not frozen"
PLAN_FROZEN = "frozen before the trip"


def make_statement(
    record: TripRecord,
    rig: Rig,
    estimates: TripEstimates,
    *,
    plan: Plan | None = None,
    plan_status: str = NO_PLAN,
    trip_name: str = "",
) -> Statement:
    """
    Lay what was planned beside what was measured, camp day by camp day.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        The vehicle.
    estimates : TripEstimates
        Of the same trip.
    plan : Plan, optional
        The plan it is compared with.
    plan_status : str
        The heading under which the plan stands.
    trip_name : str
        For the title.

    Returns
    -------
    statement : Statement
        Days, total and misses.
    """
    days = camp_days(record.start_utc, record.end_utc, rig, plan, record.utc_offset)
    capacity = estimates.battery.capacity.value
    planned: tuple[PlannedDay, ...] = ()
    if not np.isfinite(capacity):
        capacity = rig.house.capacity_now or rig.house.capacity_rated
    if plan is not None:
        volts = mean_volts(estimates)
        planned = walk_plan(plan, rig, days, capacity=capacity, voltages=volts)
    context = StatementContext(
        record=record,
        days=days,
        rig=rig,
        estimates=estimates,
        plan=plan,
        planned=planned,
        recorded=recorded_minutes(record),
        driving=driving_minutes(record, estimates),
    )
    rows = tuple(day_account(context, d, i) for i, d in enumerate(days))
    total = _total(context, days, rows)
    misses = tuple(sorted(_misses(context, total), key=sort_key))
    below = _hours_below(estimates, rig)
    return Statement(
        trip_name=trip_name or (plan.name if plan is not None else rig.name),
        start_utc=record.start_utc,
        end_utc=record.end_utc,
        utc_offset=record.utc_offset,
        plan_status=plan_status if plan is not None else NO_PLAN,
        days=rows,
        total=total,
        misses=misses,
        capacity=estimates.battery.capacity,
        hours_below_floor=below,
        verdict=_verdict(context, total, below),
        notes=estimates.notes + estimates.battery.notes + _least_notes(estimates),
    )


def _least_notes(estimates: TripEstimates) -> tuple[str, ...]:
    """Say of sources without a meter that their line is the least."""
    return tuple(
        note for s in estimates.sources if s.kind == "net" for note in s.notes[:1]
    )


def _total(
    context: StatementContext, days: tuple[CampDay, ...], rows: tuple[StatementDay, ...]
) -> StatementDay:
    """Rule off the whole trip; each line is the sum of the days' printed lines."""
    whole = CampDay(
        date=days[0].date,
        dawn=days[0].dawn,
        next_dawn=days[-1].next_dawn,
        start=days[0].start,
        end=days[-1].end,
        sunset=float("nan"),
        word=max(d.word for d in days),
    )
    n = len(context.record.minute_utc)
    planned = _planned_total(context.planned) if context.planned else None
    total = account(context, whole, slice(0, n), 0, planned, 0)
    return _from_rows(total, rows)


def _from_rows(total: StatementDay, rows: tuple[StatementDay, ...]) -> StatementDay:
    def add(values: list[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        return tenth(sum(known)) if known else None

    def lines(kind: str) -> tuple[Amount, ...]:
        names: dict[str, list[Amount]] = {}
        for row in rows:
            for a in row.sources if kind == "source" else row.loads:
                names.setdefault(a.name, []).append(a)
        return tuple(
            Amount(
                name=name,
                charge_planned=add([a.charge_planned for a in found]),
                charge_measured=add([a.charge_measured for a in found]),
                energy_planned=add([a.energy_planned for a in found]),
                energy_measured=add([a.energy_measured for a in found]),
                word=weakest((a.charge_measured or 0.0, a.word) for a in found),
            )
            for name, found in names.items()
        )

    return replace(
        total,
        brought_forward=rows[0].brought_forward,
        carried_forward=rows[-1].carried_forward,
        sources=lines("source"),
        loads=lines("load"),
        charging_loss=add([r.charging_loss for r in rows]),
        not_itemised=add([r.not_itemised for r in rows]),
        not_accounted=add([r.not_accounted for r in rows]),
        in_hand=rows[-1].in_hand,
        in_hand_planned=rows[-1].in_hand_planned,
        nights_in_hand=rows[-1].nights_in_hand,
        nights_planned=rows[-1].nights_planned,
        notes=(),
    )


def _planned_total(planned: tuple[PlannedDay, ...]) -> PlannedDay:
    last = planned[-1]
    low = min(planned, key=lambda d: d.low_point.spare).low_point
    return PlannedDay(
        loads=last.loads,
        sources=last.sources,
        carried_forward=last.carried_forward,
        in_hand=last.in_hand,
        low_point=low,
        unused=sum(d.unused for d in planned),
    )


def _hours_below(estimates: TripEstimates, rig: Rig) -> float:
    soc = estimates.battery.soc
    return float(np.sum(np.nan_to_num(soc, nan=1.0) < rig.house.floor)) / 60.0


def _misses(context: StatementContext, total: StatementDay) -> list[Miss]:
    """Judge every line of the total, in the figures that it prints."""
    around = _around(context)
    planned = context.plan.loads if context.plan is not None else ()
    lines = {p.name: p for p in planned}
    out = []
    for amount in total.loads:
        line = lines.get(amount.name)
        out.append(
            load_miss(
                amount.name,
                line,
                _pair(amount.charge_planned, amount.energy_planned),
                context.estimates.load(amount.name),
                context.rig,
                around,
                _planned_rate(context, line),
                _pair(amount.charge_measured, amount.energy_measured),
            )
        )
    out += [
        source_miss(
            amount.name,
            _pair(amount.charge_planned, amount.energy_planned),
            context.estimates.source(amount.name),
            around,
            amount.charge_measured,
        )
        for amount in total.sources
    ]
    return out


def _pair(charge: float | None, energy: float | None) -> tuple[float, float] | None:
    return None if charge is None or energy is None else (charge, energy)


def _planned_rate(context: StatementContext, line: PlanLoad | None) -> float | None:
    """Give the planned amps while on, or watts where watt-hours were typed."""
    if line is None:
        return None
    current = load_current(line, context.rig)
    if line.energy is None or not current:
        return current
    volts = mean_volts(context.estimates).get(
        line.name, context.rig.house.voltage_nominal
    )
    return current * volts


def _around(context: StatementContext) -> Circumstances:
    planned_temps, drive = [], 0.0
    for day in context.days:
        said = context.plan.day(day.date) if context.plan is not None else None
        if said is None:
            continue
        if said.temp_min is not None and said.temp_max is not None:
            planned_temps.append((said.temp_min + said.temp_max) / 2)
        drive += said.drive or 0.0
    n = len(context.record.minute_utc)
    solar = next((s for s in context.estimates.sources if s.kind == "solar"), None)
    held = 0.0
    if solar is not None:
        day_minutes = np.isin(solar.state, (1, 2, 3, 4)).sum()
        held = float((solar.state == 2).sum()) / max(1.0, float(day_minutes))
    return Circumstances(
        temp_planned=float(np.mean(planned_temps)) if planned_temps else None,
        temp_measured=mean_air(context, slice(0, n)),
        censored_share=float(context.estimates.censored.mean()) if n else 0.0,
        drive_planned=drive,
        drive_measured=float(context.driving.sum()) * 60.0,
        held_back_share=held,
    )


def _verdict(context: StatementContext, total: StatementDay, below: float) -> str:
    """Say in one sentence whether it was enough, and no surer than it is."""
    low, battery = total.low_point, context.estimates.battery
    capacity = battery.capacity.value
    if "current_house_a" not in context.record.minutes:
        return (
            "Can't tell whether it was enough: the battery's current was not measured."
        )
    if low is None or not np.isfinite(capacity):
        return "Can't tell whether it was enough: the charge was not counted."
    floor = context.rig.house.floor
    at = int(np.searchsorted(context.record.minute_utc, low.time_utc))
    lo, hi = float(battery.soc_lo[at]), float(battery.soc_hi[at])
    take = 0.5 * (hi - lo) * capacity
    lowest = (
        f"the lowest was {low.soc * capacity:.0f} of {capacity:.0f} Ah, "
        f"give or take {take:.0f}"
    )
    mark = f"your floor of {floor * capacity:.0f} Ah"
    if below >= 1 / 60:
        sure = "Not enough" if hi < floor else "Probably not enough"
        sentence = f"{sure}: {below:.1f} h below {mark}; {lowest}."
    elif lo < floor:
        sentence = f"Probably enough: {lowest}, so {mark} may have been passed."
    else:
        sentence = f"Enough: {lowest}, {low.spare:.0f} above {mark}."
    off = float(context.estimates.censored.sum()) / 60.0
    if off >= 1 / 6:
        sentence += f" For {off:.1f} h the loads had no power or nothing was recorded."
    return sentence
