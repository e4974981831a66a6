"""
A plan walked forward on paper: what each camp day should bring, and where it ends.

Loads are spread over the hours of the day, sun over its daylight, drives from ten
o'clock. Charge that a nearly full battery would not take is not counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.statement_types import LowPoint

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.judge.campday import CampDay
    from campledger.model.plan import Plan, PlanDay, PlanLoad
    from campledger.model.rig import Rig, Source
    from campledger.model.series import FloatArray

PANEL_DERATE = 0.75
"""Share of nameplate energy that reaches the battery. Common practice, no source."""
VOLTAGE_PANEL = 18.0
"""Power-point volts of a 12 V panel behind a simple regulator. Common practice."""
ACCEPTANCE_LEAD = 1.5 * 3600.0
"""Lead-acid: the last charge is taken with this time constant. Common practice."""
ACCEPTANCE_LFP = 0.3 * 3600.0
"""Lithium: the same. Common practice, no source."""
DRIVE_STARTS = 10 * 3600.0
STEP = 600.0
MONTH = 30 * 86400.0


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


def _charging(
    day: CampDay, planned: PlanDay | None, rig: Rig, sun_charge: Mapping[str, float]
) -> tuple[FloatArray, Mapping[str, FloatArray]]:
    """Give step ends and the charge offered by each source in each step."""
    n = max(1, int(np.ceil((day.end - day.start) / STEP)))
    ends = np.minimum(day.start + STEP * np.arange(1, n + 1), day.end)
    mid = ends - STEP / 2
    dusk = day.sunset if np.isfinite(day.sunset) else day.dawn + 43200.0
    phase = np.clip((mid - day.dawn) / (dusk - day.dawn), 0.0, 1.0)
    shape = np.sin(np.pi * phase)
    shape /= max(1e-9, 2.0 / np.pi * (dusk - day.dawn) / STEP)
    offers: dict[str, FloatArray] = {
        name: charge * shape for name, charge in sun_charge.items()
    }
    drive = (planned.drive or 0.0) if planned is not None else 0.0
    begin = max(day.start, min(day.dawn + DRIVE_STARTS - 21600.0, day.end - drive))
    starts = np.concatenate(([day.start], ends[:-1]))
    driving = np.minimum(ends, begin + drive) - np.maximum(starts, begin)
    driving = np.clip(driving, 0.0, STEP)
    for source in rig.sources:
        if source.kind in {"dcdc", "isolator"}:
            offers[source.name] = (source.current_rated or 0.0) * driving / 3600.0
    return ends, offers


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
    nominal = rig.house.voltage_nominal
    opening = 1.0 if plan.opening_soc is None else plan.opening_soc
    charge = opening * capacity
    tau = ACCEPTANCE_LEAD if rig.house.is_lead else ACCEPTANCE_LFP
    efficiency = 0.95 if rig.house.is_lead else 1.0
    floor = rig.house.floor * capacity
    out = []
    for day in days:
        planned = plan.day(day.date)
        loads = {
            x.name: planned_load(x, rig, day.share, volts.get(x.name, nominal))
            for x in plan.loads
        }
        suns = {
            s.name: planned_sun(planned, s, volts.get(s.name, s.voltage_float))
            for s in rig.sources
            if s.kind == "solar"
        }
        ends, offers = _charging(
            day, planned, rig, {n: a.charge for n, a in suns.items()}
        )
        use = sum(a.charge for a in loads.values()) / len(ends)
        path, taken = _fill(
            charge, np.full(len(ends), use), offers, capacity, tau, efficiency
        )
        charge = float(path[-1])
        low = int(np.argmin(path))
        sources = {
            name: PlannedAmount(
                charge=float(got.sum()),
                energy=float(got.sum()) * volts.get(name, _charge_volts(rig, name)),
            )
            for name, got in taken.items()
        }
        offered = sum(float(x.sum()) for x in offers.values())
        out.append(
            PlannedDay(
                loads=loads,
                sources=sources,
                carried_forward=charge,
                in_hand=charge - floor,
                low_point=LowPoint(
                    time_utc=float(ends[low]),
                    soc=float(path[low]) / capacity,
                    spare=float(path[low]) - floor,
                ),
                unused=offered - sum(a.charge for a in sources.values()),
            )
        )
    return tuple(out)


def _charge_volts(rig: Rig, name: str) -> float:
    source = rig.source(name)
    return source.voltage_float if source is not None else rig.house.voltage_float


def _fill(
    charge: float,
    use: FloatArray,
    offers: Mapping[str, FloatArray],
    capacity: float,
    tau: float,
    efficiency: float,
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Step the battery through a day; offers are cut back to what it takes."""
    n = len(use)
    taken = {name: np.zeros(n) for name in offers}
    path = np.empty(n)
    for k in range(n):
        offer = sum(float(x[k]) for x in offers.values())
        room = max(0.0, capacity - charge)
        into = min(offer, use[k] + room * (1.0 - np.exp(-STEP / tau)) / efficiency)
        share = into / offer if offer > 0 else 0.0
        for name, x in offers.items():
            taken[name][k] = share * x[k]
        net = into - use[k]
        charge = max(0.0, charge + (net * efficiency if net > 0 else net))
        path[k] = charge
    return path, taken
