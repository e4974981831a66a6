"""One camp day, or any stretch, as an account that adds up with a pencil."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.nights import nights_above_floor
from campledger.judge.statement_context import (
    StatementContext,
    daily_flows,
    mean_air,
    minutes_of,
    sum_charge,
    tenth,
)
from campledger.judge.statement_types import Amount, LowPoint, StatementDay
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.judge.campday import CampDay
    from campledger.judge.plan_walk import PlannedDay
    from campledger.model.series import FloatArray

NAMED_HOURS = 1 / 6
"""Shorter holes are not worth a line. [h]"""
CLOSE_CHARGE = 2.0
CLOSE_SHARE = 0.05
"""The account is open if more than 2 A.h and 5 % of throughput are left (C39)."""


def _soc_at(context: StatementContext, index: int) -> float | None:
    soc = context.estimates.battery.soc
    if 0 <= index < len(soc) and np.isfinite(soc[index]):
        return float(soc[index])
    return None


def _amount(
    name: str,
    charge: FloatArray,
    power: FloatArray,
    word: Word,
    planned: tuple[float, float] | None,
) -> Amount:
    missing = word is Word.MISSING or not np.isfinite(charge).any()
    return Amount(
        name=name,
        charge_planned=None if planned is None else tenth(planned[0]),
        charge_measured=None if missing else tenth(float(np.nansum(charge))),
        energy_planned=None if planned is None else tenth(planned[1]),
        energy_measured=None if missing else tenth(float(np.nansum(power)) / 60.0),
        word=Word.MISSING if missing else word,
    )


def _planned_pair(
    day: PlannedDay | None, kind: str, name: str
) -> tuple[float, float] | None:
    if day is None:
        return None
    table = day.loads if kind == "load" else day.sources
    found = table.get(name)
    return None if found is None else (found.charge, found.energy)


def _lines(
    context: StatementContext, span: slice, planned: PlannedDay | None
) -> tuple[tuple[Amount, ...], tuple[Amount, ...]]:
    """Give the source and load lines of a stretch, planned ones included."""
    estimates = context.estimates
    sources = [
        _amount(
            s.name,
            s.charge[span],
            s.power[span],
            s.word,
            _planned_pair(planned, "source", s.name),
        )
        for s in estimates.sources
    ]
    loads = [
        _amount(
            x.name,
            x.charge[span],
            x.power[span],
            x.word,
            _planned_pair(planned, "load", x.name),
        )
        for x in estimates.loads
    ]
    if planned is not None:
        sources += _unmeasured(planned, "source", {s.name for s in sources})
        loads += _unmeasured(planned, "load", {x.name for x in loads})
    return tuple(sources), tuple(loads)


def _unmeasured(planned: PlannedDay, kind: str, known: set[str]) -> list[Amount]:
    table = planned.loads if kind == "load" else planned.sources
    empty = np.zeros(0)
    return [
        _amount(n, empty, empty, Word.MISSING, (a.charge, a.energy))
        for n, a in table.items()
        if n not in known
    ]


def day_account(context: StatementContext, day: CampDay, index: int) -> StatementDay:
    """Rule off one camp day."""
    planned = context.planned[index] if context.planned else None
    span = minutes_of(context, day)
    before = span.start - 1 if span.start > 0 else span.start
    return account(context, day, span, before, planned, index)


def account(
    context: StatementContext,
    day: CampDay,
    span: slice,
    before: int,
    planned: PlannedDay | None,
    index: int,
) -> StatementDay:
    """Rule off any stretch of minutes; ``before`` is the minute it opens from."""
    battery, rig = context.estimates.battery, context.rig
    capacity = battery.capacity.value
    sources, loads = _lines(context, span, planned)
    opening, closing = _soc_at(context, before), _soc_at(context, span.stop - 1)
    brought = None if opening is None else tenth(opening * capacity)
    carried = None if closing is None else tenth(closing * capacity)
    floor = tenth(rig.house.floor * capacity) if np.isfinite(capacity) else None
    loss = tenth(sum_charge(battery.charging_loss[span]))
    rest = context.estimates.not_itemised[span]
    itemised = tenth(sum_charge(rest)) if np.isfinite(rest).any() else None
    into = sum(a.charge_measured or 0.0 for a in sources)
    out = sum(a.charge_measured or 0.0 for a in loads) + (itemised or 0.0)
    left = None
    if brought is not None and carried is not None and itemised is not None:
        left = tenth(brought + into - out - loss - carried)
    in_hand = None if carried is None or floor is None else tenth(carried - floor)
    spent, gained = daily_flows(context)
    recorded = context.recorded[span]
    return StatementDay(
        dawn_utc=day.dawn,
        end_utc=day.end,
        dawn_word=day.word,
        whole=day.whole,
        brought_forward=brought,
        sources=sources,
        loads=loads,
        charging_loss=loss,
        charging_loss_word=battery.efficiency.word,
        charging_loss_share=loss / into if into > 0 else None,
        not_itemised=itemised,
        not_accounted=left,
        not_accounted_limit=tenth(max(CLOSE_CHARGE, CLOSE_SHARE * (into + out))),
        carried_forward=carried,
        carried_word=Word.WORKED_OUT if carried is not None else Word.MISSING,
        floor_charge=floor,
        floor_word=(Word.ASSUMED if "house.floor" in rig.assumed else Word.TYPED),
        in_hand=in_hand,
        in_hand_planned=None if planned is None else tenth(planned.in_hand),
        nights_in_hand=nights_above_floor(
            in_hand, spent, gained, capacity - (floor or 0.0)
        ),
        nights_planned=None
        if planned is None
        else _planned_nights(context, planned, capacity - (floor or 0.0)),
        low_point=_low_point(context, span),
        low_point_planned=None if planned is None else planned.low_point,
        coverage=float(recorded.mean()) if recorded.size else 0.0,
        censored=float(context.estimates.censored[span].sum()) * 60.0,
        temp_air_mean=mean_air(context, span),
        drive=float(context.driving[span].sum()) * 60.0,
        notes=_day_notes(context, span, index),
    )


def _low_point(context: StatementContext, span: slice) -> LowPoint | None:
    soc = context.estimates.battery.soc[span]
    if not np.isfinite(soc).any():
        return None
    k = int(np.nanargmin(soc))
    capacity = context.estimates.battery.capacity.value
    return LowPoint(
        time_utc=float(context.record.minute_utc[span][k]),
        soc=float(soc[k]),
        spare=(float(soc[k]) - context.rig.house.floor) * capacity,
    )


def _planned_nights(
    context: StatementContext, day: PlannedDay, most: float
) -> int | None:
    spent = sum(a.charge for a in day.loads.values())
    gained = sum(
        a.charge
        for n, a in day.sources.items()
        if (s := context.rig.source(n)) is not None and s.kind == "solar"
    )
    return nights_above_floor(day.in_hand, spent, gained, most)


def _day_notes(context: StatementContext, span: slice, index: int) -> tuple[str, ...]:
    notes = []
    dark = float((~context.recorded[span]).sum()) / 60.0
    censored = float(context.estimates.censored[span].sum()) / 60.0
    if dark >= NAMED_HOURS:
        notes.append(f"{dark:.1f} h not recorded: use in them is not known.")
    if censored - dark >= NAMED_HOURS:
        notes.append(
            f"{censored - dark:.1f} h without power to the loads: that is not thrift."
        )
    if context.plan is not None and not context.planned and index == 0:
        notes.append("The plan could not be walked: the capacity is not known.")
    return tuple(notes)
