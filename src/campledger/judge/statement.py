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
    totals,
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
    if plan is not None and np.isfinite(capacity):
        volts = mean_volts(estimates)
        planned = walk_plan(plan, rig, days, capacity=capacity, voltages=volts)
    context = StatementContext(
        record=record,
        rig=rig,
        estimates=estimates,
        plan=plan,
        planned=planned,
        recorded=recorded_minutes(record),
        driving=driving_minutes(record, estimates),
    )
    rows = tuple(day_account(context, d, i) for i, d in enumerate(days))
    total = _total(context, days, rows)
    misses = tuple(sorted(_misses(context, days), key=sort_key))
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
        verdict=_verdict(total, rig, below, estimates),
        notes=estimates.notes + estimates.battery.notes,
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


def _misses(context: StatementContext, days: tuple[CampDay, ...]) -> list[Miss]:
    around = _around(context, days)
    load_days = tuple(
        {n: (a.charge, a.energy) for n, a in d.loads.items()} for d in context.planned
    )
    source_days = tuple(
        {n: (a.charge, a.energy) for n, a in d.sources.items()} for d in context.planned
    )
    planned = context.plan.loads if context.plan is not None else ()
    names = [x.name for x in context.estimates.loads]
    names += [p.name for p in planned if p.name not in names]
    share = sum(d.share for d in days)
    out = []
    for name in names:
        line = next((p for p in planned if p.name == name), None)
        hours, rate = _planned_split(context, line, share)
        out.append(
            load_miss(
                name,
                line,
                totals(load_days, name),
                context.estimates.load(name),
                context.rig,
                around,
                hours,
                rate,
            )
        )
    sources = {s.name for s in context.estimates.sources}
    sources |= {n for d in source_days for n in d}
    out += [
        source_miss(n, totals(source_days, n), context.estimates.source(n), around)
        for n in sorted(sources)
    ]
    return out


def _planned_split(
    context: StatementContext, line: PlanLoad | None, share: float
) -> tuple[float | None, float | None]:
    """Give planned hours on over the trip and the planned rate in the typed unit."""
    if line is None:
        return None, None
    current = load_current(line, context.rig)
    if line.energy is None:
        hours = None if line.hours is None else line.hours * share
        return hours, current
    if not current:
        return None, None
    volts = mean_volts(context.estimates).get(
        line.name, context.rig.house.voltage_nominal
    )
    return line.energy * share / (current * volts), current * volts


def _around(context: StatementContext, days: tuple[CampDay, ...]) -> Circumstances:
    planned_temps, drive = [], 0.0
    for day in days:
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


def _verdict(
    total: StatementDay, rig: Rig, below: float, estimates: TripEstimates
) -> str:
    """Say in one sentence whether it was enough."""
    low = total.low_point
    if low is None:
        return "Can't tell whether it was enough: the charge was not counted."
    capacity = estimates.battery.capacity.value
    floor = rig.house.floor * capacity
    at = f"{low.soc * capacity:.0f} of {capacity:.0f} Ah"
    off = float(estimates.censored.sum()) / 60.0
    if below >= 1 / 60:
        sentence = (
            f"Not enough: {below:.1f} h below your floor of {floor:.0f} Ah; "
            f"the lowest was {at}."
        )
    else:
        sentence = (
            f"Enough: the lowest was {at}, {low.spare:.0f} above your floor "
            f"of {floor:.0f} Ah."
        )
    if off >= 1 / 6:
        sentence += f" For {off:.1f} h the loads had no power or nothing was recorded."
    return sentence
