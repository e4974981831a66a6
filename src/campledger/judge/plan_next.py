"""Measured figures carried into the plan of the next trip; the old plan stays."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import COOLING
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.model.estimates import FridgeModel, LoadUse, TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

HOURS_DAY = 24.0
FURTHER = 5.0
"""Hotter than anything measured by this: say so. [K] Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class NextPlan:
    """A plan made of measured figures, and what each figure rests on."""

    plan: Plan
    notes: tuple[str, ...]


def next_plan(
    record: TripRecord, rig: Rig, estimates: TripEstimates, old: Plan
) -> NextPlan:
    """
    Make the next plan: amps and hours as measured, days and drives as the old one.

    Parameters
    ----------
    record, rig, estimates : TripRecord, Rig, TripEstimates
        The trip that was measured.
    old : Plan
        Gives the shape of the days; it is not changed.

    Returns
    -------
    made : NextPlan
        Loads carry ``figure = "measured"`` where they were; others as they stood.

    References
    ----------
    Common practice, no source.
    """
    days = len(record.minute_utc) / 1440.0
    notes, loads = [], []
    names = [x.name for x in estimates.loads]
    names += [p.name for p in old.loads if p.name not in names]
    for name in names:
        use = estimates.load(name)
        before = next((p for p in old.loads if p.name == name), None)
        if use is None or use.word is Word.MISSING:
            if before is not None:
                loads.append(before)
                notes.append(f"{name}: not measured, carried over as it stood.")
            continue
        made = _measured(use, days)
        if made is None:
            continue
        loads.append(made)
        notes.append(
            f"{name}: {made.current_on:.2f} A for {made.hours:.1f} h a day, {use.word}."
        )
    notes += _temperatures(record, rig, estimates)
    every = _every_day(record, old)
    plan = replace(
        old,
        name=f"After {old.name}",
        loads=tuple(loads),
        every_day=every,
        fingerprint="",
        text="",
    )
    return NextPlan(plan=plan, notes=tuple(notes))


def _measured(use: LoadUse, days: float) -> PlanLoad | None:
    hours = float(np.nansum(use.on_share)) / 60.0
    charge = float(np.nansum(use.charge))
    if hours <= 0 or charge <= 0 or days <= 0:
        return None
    known = float(np.isfinite(use.on_share).sum()) / 1440.0 or days
    figure = "measured" if use.word is Word.MEASURED else "guess"
    return PlanLoad(
        name=use.name,
        typed="hours",
        current_on=charge / hours,
        hours=min(24.0, hours / known),
        figure=figure,
    )


def _every_day(record: TripRecord, old: Plan) -> PlanDay | None:
    if "temp_air_c" not in record.minutes:
        return old.every_day
    air = record.minutes["temp_air_c"].mean
    n = len(air) // 1440
    if n == 0:
        return old.every_day
    whole = air[: n * 1440].reshape(n, 1440)
    whole = whole[np.isfinite(whole).any(axis=1)]
    if len(whole) == 0:
        return old.every_day
    low = float(np.nanmean(np.nanmin(whole, axis=1)))
    high = float(np.nanmean(np.nanmax(whole, axis=1)))
    base = old.every_day or PlanDay(date=None)
    return replace(base, temp_min=round(low, 1), temp_max=round(high, 1))


def _duties(record: TripRecord, model: FridgeModel, inside: float) -> list[str]:
    """Say the duty at this trip's air, and the range to expect in hotter air."""
    if "temp_air_c" not in record.minutes or model.current_running <= 0.0:
        return []
    air = float(np.nanmean(record.minutes["temp_air_c"].mean))
    if not np.isfinite(air):
        return []
    most = HOURS_DAY * model.current_running
    now = model.charge_a_day(air - inside)
    hotter = inside + model.difference_max + FURTHER
    then = model.charge_a_day(hotter - inside)
    lo, hi = (min(x / most, 1.0) for x in (then.lo, then.hi))
    return [
        f"{model.name}: duty {min(now.value / most, 1.0):.2f} at {air:.0f} degC on the "
        f"mean; at {hotter:.0f} degC expect {lo:.2f} to {hi:.2f}."
    ]


def _temperatures(record: TripRecord, rig: Rig, estimates: TripEstimates) -> list[str]:
    """Say what range of air the cooling figures rest on."""
    notes = []
    for model in estimates.fridges:
        load = rig.load(model.name)
        if load is None or load.kind not in COOLING:
            continue
        inside = load.temp_set if load.temp_set is not None else 4.0
        hottest = inside + model.difference_max
        notes.append(
            f"{model.name}: measured up to {hottest:.0f} degC of air on a day's mean; "
            f"beyond {hottest + FURTHER:.0f} degC it is outside what was measured."
        )
        notes += _duties(record, model, inside)
    if not estimates.fridges and "temp_air_c" not in record.minutes:
        notes.append("air temperature was not measured: figures hold for such days.")
    return notes
