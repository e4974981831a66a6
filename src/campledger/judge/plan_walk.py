"""
A plan walked forward on paper: what each camp day should bring, and where it ends.

Loads are spread over the hours of the day, sun over its daylight, drives from ten
o'clock. The battery and its chargers are those of the replay (`judge.options.engine`),
with what is usual for their kind: charge that a nearly full battery would not take is
not counted. On paper no load is ever cut off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.simulate import typical
from campledger.judge.options.engine import (
    HOURS,
    STEP,
    Bounds,
    Flows,
    Plant,
    Walked,
    walk,
)
from campledger.judge.options.minutes import PANEL_DERATE
from campledger.judge.options.stages import usual_stages
from campledger.judge.statement_types import LowPoint

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.judge.campday import CampDay
    from campledger.model.plan import Plan, PlanDay, PlanLoad
    from campledger.model.rig import Rig, Source
    from campledger.model.series import BoolArray, FloatArray

VOLTAGE_PANEL = 18.0
"""Power-point volts of a 12 V panel behind a simple regulator. Common practice."""
DRIVE_STARTS = 10 * 3600.0
TEMP_USUAL = 25.0
NEVER = -1.0e9
"""Volts that are never reached: nothing is cut off on paper."""


@dataclass(frozen=True, kw_only=True)
class PlannedAmount:
    """Planned charge [A.h] and energy [W.h] of one load or source in one camp day."""

    charge: float
    energy: float


@dataclass(frozen=True, kw_only=True)
class PlannedDay:
    """What was planned for one camp day (its part in the trip), and where it ends."""

    loads: Mapping[str, PlannedAmount]
    sources: Mapping[str, PlannedAmount]
    carried_forward: float
    in_hand: float
    low_point: LowPoint
    unused: float


def planned_load(
    load: PlanLoad, rig: Rig, share: float, voltage: float
) -> PlannedAmount:
    """
    Plan one load for a share of a day.

    Parameters
    ----------
    load : PlanLoad
        As typed.
    rig : Rig
        Gives the amps where the plan does not.
    share : float
        Share of a whole day. [1]
    voltage : float
        Mean volts of that load, for the unit that was not typed. [V]

    Returns
    -------
    amount : PlannedAmount
        Charge and energy.
    """
    if load.energy is not None:
        energy = load.energy * share
        return PlannedAmount(charge=energy / voltage, energy=energy)
    current = load_current(load, rig)
    charge = (current or 0.0) * (load.hours or 0.0) * share
    return PlannedAmount(charge=charge, energy=charge * voltage)


def load_current(load: PlanLoad, rig: Rig) -> float | None:
    """Give the planned amps while on: the plan's own, else the rig's. [A]"""
    if load.current_on is not None:
        return load.current_on
    described = rig.load(load.name)
    return described.current_on if described is not None else None


def planned_sun(day: PlanDay | None, source: Source, voltage: float) -> PlannedAmount:
    """
    Plan the sun of a whole day.

    Parameters
    ----------
    day : PlanDay or None
        ``sun_hours``, or ``clearness`` counted on an eight-hour clear day.
    source : Source
        The panel and its regulator.
    voltage : float
        Volts at which it charges. [V]

    Returns
    -------
    amount : PlannedAmount
        Charge and energy at the battery.
    """
    hours = 0.0
    if day is not None and day.sun_hours is not None:
        hours = day.sun_hours
    power = source.power_panel or 0.0
    if source.regulator == "pwm":
        charge = power / VOLTAGE_PANEL * hours
        return PlannedAmount(charge=charge, energy=charge * voltage)
    energy = power * hours * PANEL_DERATE
    return PlannedAmount(charge=energy / voltage, energy=energy)


@dataclass(frozen=True, kw_only=True)
class _Paper:
    """One camp day on paper: step ends and what each source offers in it. [A.h]"""

    ends: FloatArray
    loads: Mapping[str, PlannedAmount]
    sources: Mapping[str, FloatArray]
    suns: frozenset[str]

    @property
    def use(self) -> FloatArray:
        """Charge asked for in each step. (n,) [A.h]"""
        n = len(self.ends)
        return np.full(n, sum(a.charge for a in self.loads.values()) / n)


def _paper(day: CampDay, plan: Plan, rig: Rig, volts: Mapping[str, float]) -> _Paper:
    planned = plan.day(day.date)
    nominal = rig.house.voltage_nominal
    n = max(1, int(np.ceil((day.end - day.start) / STEP)))
    ends = np.minimum(day.start + STEP * np.arange(1, n + 1), day.end)
    mid = ends - STEP / 2
    dusk = day.sunset if np.isfinite(day.sunset) else day.dawn + 43200.0
    phase = np.clip((mid - day.dawn) / (dusk - day.dawn), 0.0, 1.0)
    shape = np.sin(np.pi * phase)
    shape /= max(1e-9, 2.0 / np.pi * (dusk - day.dawn) / STEP)
    suns = [s for s in rig.sources if s.kind == "solar"]
    offers: dict[str, FloatArray] = {
        s.name: shape
        * planned_sun(planned, s, volts.get(s.name, s.voltage_float)).charge
        for s in suns
    }
    drive = (planned.drive or 0.0) if planned is not None else 0.0
    begin = max(day.start, min(day.dawn + DRIVE_STARTS - 21600.0, day.end - drive))
    starts = np.concatenate(([day.start], ends[:-1]))
    driving = np.minimum(ends, begin + drive) - np.maximum(starts, begin)
    driving = np.clip(driving, 0.0, STEP)
    for source in rig.sources:
        if source.kind in {"dcdc", "isolator"}:
            offers[source.name] = (source.current_rated or 0.0) * driving / 3600.0
    return _Paper(
        ends=ends,
        loads={
            x.name: planned_load(x, rig, day.share, volts.get(x.name, nominal))
            for x in plan.loads
        },
        sources=offers,
        suns=frozenset(s.name for s in suns),
    )


def walk_plan(
    plan: Plan,
    rig: Rig,
    days: Sequence[CampDay],
    *,
    capacity: float,
    voltages: Mapping[str, float] | None = None,
) -> tuple[PlannedDay, ...]:
    """
    Walk a plan through its camp days.

    Parameters
    ----------
    plan : Plan
        The plan.
    rig : Rig
        The vehicle.
    days : sequence of CampDay
        From `camp_days`.
    capacity : float
        Capacity now. [A.h]
    voltages : mapping, optional
        Mean measured volts by load or source; else nominal. [V]

    Returns
    -------
    planned : tuple of PlannedDay
        One for each camp day.
    """
    volts = voltages or {}
    papers = [_paper(day, plan, rig, volts) for day in days]
    if not papers:
        return ()
    opening = 1.0 if plan.opening_soc is None else plan.opening_soc
    walked = _walked(papers, rig, capacity, opening)
    edges = np.cumsum([0, *(len(p.ends) for p in papers)])
    return tuple(
        _planned_day(p, rig, volts, capacity, walked, slice(a, b))
        for p, a, b in zip(papers, edges[:-1], edges[1:], strict=True)
    )


def _walked(
    papers: Sequence[_Paper], rig: Rig, capacity: float, opening: float
) -> Walked:
    """Walk a usual battery of this kind through all days at once."""
    house = rig.house
    model = typical(house.chemistry, capacity)
    stages = usual_stages(
        model,
        voltage_absorption=house.voltage_absorption,
        voltage_float=max(
            [s.voltage_float for s in rig.sources] or [house.voltage_float]
        ),
    )
    use = np.concatenate([p.use for p in papers])
    sun = np.concatenate([_offered(p, sun=True) for p in papers])
    drive = np.concatenate([_offered(p, sun=False) for p in papers])
    n, watts = len(use), house.voltage_nominal / HOURS
    flows = Flows(
        load=use * watts,
        always=np.zeros(n),
        sun=sun * watts,
        drive=drive * watts,
        volts=np.full(n, house.voltage_nominal),
        rest=np.full(n, house.voltage_nominal),
        temp=np.full(n, TEMP_USUAL),
        fresh_sun=_rises(sun),
        fresh_drive=_rises(drive),
        cooling=np.zeros(n),
        currents=True,
    )
    plant = Plant(
        model=model,
        stages=stages,
        bounds=Bounds(voltage_cutoff=NEVER, voltage_reconnect=NEVER),
        capacity=np.array([capacity]),
    )
    return walk(plant, flows, np.array([opening]))


def _offered(paper: _Paper, *, sun: bool) -> FloatArray:
    """Charge that all suns, or all engine chargers, offer in each step. [A.h]"""
    total = np.zeros(len(paper.ends))
    for name, offer in paper.sources.items():
        if (name in paper.suns) == sun:
            total += offer
    return total


def _rises(offer: FloatArray) -> BoolArray:
    """Mark steps in which something begins to be offered."""
    on = offer > 0.0
    return on & ~np.concatenate(([False], on[:-1]))


def _planned_day(
    paper: _Paper,
    rig: Rig,
    volts: Mapping[str, float],
    capacity: float,
    walked: Walked,
    span: slice,
) -> PlannedDay:
    """Cut one day out of the walk; a source gives its part of what was taken."""
    path = walked.soc[0, span]
    low = int(np.argmin(path))
    per_watt = HOURS / rig.house.voltage_nominal
    by_sun = walked.sun_used[0, span] * per_watt
    by_drive = np.maximum(walked.current[0, span] * HOURS + paper.use - by_sun, 0.0)
    every = _offered(paper, sun=True), _offered(paper, sun=False)
    sources, unused = {}, 0.0
    for name, offer in paper.sources.items():
        row = 0 if name in paper.suns else 1
        taken = np.minimum((by_sun, by_drive)[row], every[row])
        part = np.where(every[row] > 0, offer / np.maximum(every[row], 1e-12), 0.0)
        charge = float((taken * part).sum())
        unused += float(offer.sum()) - charge
        sources[name] = PlannedAmount(
            charge=charge, energy=charge * volts.get(name, _charge_volts(rig, name))
        )
    floor = rig.house.floor * capacity
    left = float(path[-1]) * capacity
    return PlannedDay(
        loads=paper.loads,
        sources=sources,
        carried_forward=left,
        in_hand=left - floor,
        low_point=LowPoint(
            time_utc=float(paper.ends[low]),
            soc=float(path[low]),
            spare=float(path[low]) * capacity - floor,
        ),
        unused=unused,
    )


def _charge_volts(rig: Rig, name: str) -> float:
    source = rig.source(name)
    return source.voltage_float if source is not None else rig.house.voltage_float
