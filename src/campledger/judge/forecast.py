"""
Net charge of the coming hours, on many paths, from what this trip has shown so far.

Demand by clock hour, cooling against expected air, sun from the trip's own skies,
engine hours as planned or typed, and a battery that takes less as it fills.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cache
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import rig_date
from campledger.judge.enough_types import Question
from campledger.judge.forecast_draws import Pool, Prior, draw, pool_of
from campledger.judge.forecast_drives import DriveHabits, draw_drives, drive_habits
from campledger.judge.forecast_history import (
    SLOTS,
    STEP,
    VOLTAGE_CHARGING,
    History,
    clear_of_rig,
)
from campledger.judge.forecast_plan import planned_profile
from campledger.judge.forecast_sun import SunPool, draw_sun, sun_pool
from campledger.judge.forecast_temp import cooling_ratio
from campledger.judge.forecast_walk import Paths, WalkBattery, walk

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryModel, FridgeModel
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

PATHS = 1000
PLAN_DAYS = 1.0
"""How many recorded days a plan's figure is worth. Common practice, no source."""
HOURS_TRIP, HOURS_DAY = 48.0, 24.0
"""Record that carries the rungs "this trip" and "one day". [h]"""
ACCEPTANCE_SPREAD = 0.3
EFFICIENCY_LOWER, EFFICIENCY_SPREAD, EFFICIENCY_LEAST = 0.7, 0.25, 0.3
"""Lead-acid near full keeps less than a fit to volts says, by this share and log
spread: J. W. Stevens, G. P. Corey, "A study of lead-acid battery efficiency near
top-of-charge", Sandia (abstract), tells of steep losses there. The figures: common
practice, no source."""
CUT_SPREAD_LEAD, CUT_SPREAD_LFP, CUT_SPREAD_SEEN = 0.09, 0.04, 0.025
SAG_LEAD, SAG_LFP = 0.20, 0.10
"""Volts below open circuit after hours of usual load, beside the resistance. Common
practice, no source."""
"""How well the state at cut-off is known from the model, or once seen. Common
practice, no source."""
STD_LEAST = 0.003
REST = Prior(spread=0.35, freedom=3.0, memory=4 * 3600.0)
COOLING = Prior(spread=0.15, freedom=2.0, memory=3 * 3600.0)
"""Day-to-day spreads before the trip tells. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class State:
    """Where the battery stands: state of charge [1] and capacity [A.h], with std."""

    soc: float
    soc_std: float
    capacity: float
    capacity_std: float


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """What the trip so far says about the days to come; nothing drawn yet."""

    history: History
    rig: Rig
    plan: Plan | None
    model: BatteryModel
    fridges: tuple[FridgeModel, ...]
    basis: str
    rest: Pool
    rest_prior: Prior
    cooling: Pool
    cooling_prior: Prior
    sun: SunPool
    habits: DriveHabits
    soc_cut: float
    soc_cut_std: float
    soc_full: float


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """
    Paths and what drove them; means (k,) of demand, sun and engine in A.

    ``wanted`` goes below empty by what loads would still want.

    ``capacity`` (p,) A.h. ``paths`` may already be recalibrated.
    """

    paths: Paths
    wanted: Paths
    capacity: FloatArray
    demand: FloatArray
    cooling: FloatArray
    sun: FloatArray
    engine: FloatArray
    offer: FloatArray


def _with_plan(prior: Prior, profile: FloatArray | None) -> Prior:
    if profile is None:
        return prior
    return replace(prior, profile=profile, weight=PLAN_DAYS)


def _cut_off(history: History, model: BatteryModel, rig: Rig) -> tuple[float, float]:
    """Give the state of charge at which loads are cut off, and its spread."""
    off = history.cut > 0.3
    begins = np.flatnonzero(off[1:] & ~off[:-1])
    seen = history.soc[begins]
    seen = seen[np.isfinite(seen)]
    if seen.size:
        spread = max(CUT_SPREAD_SEEN, float(seen.std()))
        return float(seen[-3:].mean()), spread
    table = model.voltage_open_table - model.hysteresis
    lead = rig.house.is_lead
    drop = 1.6 * model.resistance * 5.0 + (SAG_LEAD if lead else SAG_LFP)
    volts = rig.house.voltage_cutoff + drop
    soc = float(np.interp(volts, table, model.soc_table))
    return soc, CUT_SPREAD_LEAD if lead else CUT_SPREAD_LFP


def outlook_of(
    history: History,
    rig: Rig,
    plan: Plan | None,
    model: BatteryModel,
    fridges: tuple[FridgeModel, ...] = (),
) -> Outlook:
    """
    Learn from the trip so far.

    Parameters
    ----------
    history : History
        The trip in half hours up to now.
    rig, plan : Rig, Plan or None
        The vehicle and what was planned.
    model : BatteryModel
        As fitted to this trip.
    fridges : tuple of FridgeModel
        Cooling against temperature.

    Returns
    -------
    outlook : Outlook
        Ready for `forecast`.
    """
    at, offset = history.at, history.utc_offset
    planned = planned_profile(plan, rig, at, offset, cooling=False)
    rest_prior = _with_plan(REST, planned)
    planned = planned_profile(plan, rig, at, offset, cooling=True)
    cold_prior = _with_plan(COOLING, planned)
    hours = history.hours
    basis = "this trip" if hours >= HOURS_TRIP else "one day"
    if hours < HOURS_DAY:
        basis = "plan only"
    cooled = float(np.nansum(history.cooling)) > 0.0
    if not cooled and hours > HOURS_DAY:
        # Unmetered cooling lies within the rest: the plan's parts go together.
        rest_prior = _joined(rest_prior, cold_prior)
        cold_prior = COOLING
    soc_cut, soc_cut_std = _cut_off(history, model, rig)
    return Outlook(
        history=history,
        rig=rig,
        plan=plan,
        model=model,
        fridges=fridges,
        basis=basis,
        rest=pool_of(history.rest, rest_prior),
        rest_prior=rest_prior,
        cooling=pool_of(history.cooling, cold_prior),
        cooling_prior=cold_prior,
        sun=sun_pool(history),
        habits=drive_habits(history, rig, plan),
        soc_cut=soc_cut,
        soc_cut_std=soc_cut_std,
        soc_full=1.0,
    )


def _joined(rest: Prior, cold: Prior) -> Prior:
    if rest.profile is None or cold.profile is None:
        return rest
    return replace(rest, profile=rest.profile + cold.profile)


def planned_clearness(outlook: Outlook, clear: FloatArray) -> FloatArray | None:
    """
    Give the planned clearness of each coming 24 hours.

    Parameters
    ----------
    outlook : Outlook
        Holds the plan.
    clear : (k,) float64
        Clear-sky current ahead. [A]

    Returns
    -------
    share : (days,) float64 or None
        NaN where not planned. [1]
    """
    plan, history = outlook.plan, outlook.history
    if plan is None:
        return None
    days = -(-len(clear) // SLOTS)
    out = np.full(days, np.nan)
    watts = sum(s.power_panel or 0.0 for s in outlook.rig.sources if s.kind == "solar")
    for k in range(days):
        part = clear[k * SLOTS : (k + 1) * SLOTS]
        centre = history.at + (k * SLOTS + int(np.argmax(part))) * STEP
        day = plan.day(rig_date(centre, history.utc_offset))
        if day is None or not watts:
            continue
        if day.clearness is not None:
            out[k] = day.clearness
        elif day.sun_hours is not None:
            usual = float(part.sum()) * STEP / 3600.0 * VOLTAGE_CHARGING / watts / 0.75
            out[k] = min(1.0, day.sun_hours / max(usual, 0.5))
    return out if np.isfinite(out).any() else None


@cache
def _normal(count: int) -> FloatArray:
    """Give evenly spread quantiles of the standard normal, mean 0."""
    normal = NormalDist()
    return np.array([normal.inv_cdf((k + 0.5) / count) for k in range(count)])


def _kept_near_full(model: BatteryModel, z: FloatArray, *, lead: bool) -> FloatArray:
    """Spread the share of charge that stays at full over the paths. [1]"""
    if not lead:
        return np.full(len(z), model.efficiency_full)
    kept = EFFICIENCY_LOWER * model.efficiency_full * np.exp(EFFICIENCY_SPREAD * z)
    least = min(EFFICIENCY_LEAST, model.efficiency_low)
    return np.clip(kept, least, model.efficiency_low)


def walk_battery(
    outlook: Outlook, state: State, paths: int, rng: np.random.Generator
) -> WalkBattery:
    """
    Spread state, capacity and properties of the battery over the paths.

    Parameters
    ----------
    outlook, state : Outlook, State
        The fitted battery and where it stands.
    paths : int
        How many; one path is the middle one, without chance.
    rng : numpy Generator
        Only shuffles evenly spread quantiles.

    Returns
    -------
    battery : WalkBattery
        Ready to walk.
    """
    model, house = outlook.model, outlook.rig.house
    z = np.zeros((5, paths))
    if paths > 1:
        z = np.stack([rng.permutation(_normal(paths)) for _ in range(5)])
    soc = state.soc + max(state.soc_std, 0.0) * z[0]
    capacity = state.capacity + state.capacity_std * z[1]
    cut = outlook.soc_cut + outlook.soc_cut_std * z[2]
    standby = sum(x.current_on or 0.0 for x in outlook.rig.loads if x.kind == "standby")
    return WalkBattery(
        soc=np.clip(soc, 0.0, 1.0),
        capacity=np.maximum(capacity, 0.3 * state.capacity),
        acceptance=model.acceptance_time * np.exp(ACCEPTANCE_SPREAD * z[3]),
        soc_full=np.full(paths, outlook.soc_full),
        soc_cut=np.clip(cut, 0.0, outlook.rig.house.floor + 0.3),
        efficiency_low=model.efficiency_low,
        efficiency_full=_kept_near_full(model, z[4], lead=house.is_lead),
        soc_gassing=model.soc_gassing,
        draw_cut=standby,
        draw_hidden=max(0.0, model.current_hidden),
        charge_max=house.current_charge_max,
    )


def _sun(
    outlook: Outlook,
    question: Question,
    clear: FloatArray,
    paths: int,
    rng: np.random.Generator,
) -> FloatArray:
    steps = len(clear)
    if not outlook.history.has_sun or not outlook.history.apart:
        return np.zeros((steps, paths))
    if question.sun == "none":
        return np.zeros((steps, paths))
    pool = outlook.sun
    if question.sun and len(pool.harvest):
        order = np.argsort(pool.harvest)
        pick = {"worst": 0, "middle": len(order) // 2, "best": -1}[question.sun]
        row = pool.index[order[pick]]
        return np.repeat(
            (row[np.arange(steps) % SLOTS] * clear)[:, None], paths, axis=1
        )
    planned = planned_clearness(outlook, clear)
    return draw_sun(pool, clear, paths, rng, planned)


def forecast(
    outlook: Outlook,
    state: State,
    question: Question,
    *,
    until: float,
    paths: int,
    rng: np.random.Generator,
    reduce_by: FloatArray | None = None,
) -> Forecast:
    """
    Draw the coming hours and walk the battery through them.

    Parameters
    ----------
    outlook : Outlook
        What the trip says.
    state : State
        Where the battery stands now.
    question : Question
        Typed drives, sun, heat, loads off.
    until : float
        End of the walk; the last step ends there. [s]
    paths : int
        How many futures.
    rng : numpy Generator
        Source of chance.
    reduce_by : (48,) float64, optional
        Demand taken off at each slot (loads switched off). [A]

    Returns
    -------
    forecast : Forecast
        Paths from now to ``until``.
    """
    history = outlook.history
    steps = max(1, int(np.ceil((until - history.at) / STEP - 1e-9)))
    ends = np.asarray(history.at + STEP * np.arange(1, steps + 1), dtype=np.float64)
    length = np.full(steps, STEP)
    length[-1] = until - (ends[-1] - STEP)
    rest = draw(
        outlook.rest, outlook.rest_prior, steps, paths, rng, signed=not history.apart
    )
    cold = draw(outlook.cooling, outlook.cooling_prior, steps, paths, rng)
    ratio = cooling_ratio(
        history, outlook.rig, outlook.plan, outlook.fridges, question.temp_max, ends
    )
    cold = cold * ratio[:, None]
    demand = rest + cold
    if reduce_by is not None:
        off = reduce_by[np.arange(steps) % SLOTS][:, None]
        demand = np.maximum(demand - off, 0.0)
    clear = clear_of_rig(ends, outlook.rig, history.utc_offset, _place(outlook))
    sun = _sun(outlook, question, clear, paths, rng)
    plan = outlook.plan if history.apart else None
    driven = draw_drives(
        history, outlook.habits, plan, question.drives, steps, paths, rng
    )
    engine = driven * outlook.habits.current
    battery = walk_battery(outlook, state, paths, rng)
    offer = sun + engine
    made = walk(battery, demand, offer, history.at, length)
    low = bool((made.soc <= battery.soc_cut + 0.01).any())
    wanted = made
    if low:
        wanted = walk(battery, demand, offer, history.at, length, wanted=True)
    return Forecast(
        paths=made,
        wanted=wanted,
        capacity=battery.capacity,
        demand=demand.mean(axis=1),
        cooling=cold.mean(axis=1),
        sun=sun.mean(axis=1),
        engine=engine.mean(axis=1),
        offer=offer.mean(axis=1),
    )


def _place(outlook: Outlook) -> tuple[float, float] | None:
    """Give tomorrow's position where the plan has one. [deg]"""
    if outlook.plan is None:
        return None
    when = rig_date(outlook.history.at, outlook.history.utc_offset)
    for day in (outlook.plan.day(when), outlook.plan.day(when + timedelta(days=1))):
        if day is not None and day.latitude is not None and day.longitude is not None:
            return day.latitude, day.longitude
    return None


def middle_path(
    outlook: Outlook,
    state: State,
    *,
    days: int,
    sun: str = "middle",
    drives: tuple[tuple[float, float], ...] = (),
    reduce_by: FloatArray | None = None,
) -> Paths:
    """
    Walk one path: mean demand, one of this trip's suns, only the given drives.

    Parameters
    ----------
    outlook, state : Outlook, State
        The trip and the battery.
    days : int
        How far.
    sun : str
        One of ``none``, ``worst``, ``middle``, ``best``.
    drives : tuple of (start, length)
        From now. [s]
    reduce_by : (48,) float64, optional
        Demand taken off at each slot. [A]

    Returns
    -------
    paths : Paths
        One column.
    """
    history = outlook.history
    steps = days * SLOTS
    ends = np.asarray(history.at + STEP * np.arange(1, steps + 1), dtype=np.float64)
    slot = np.arange(steps) % SLOTS
    mean = outlook.rest.mean + outlook.cooling.mean
    if reduce_by is not None:
        mean = np.maximum(mean - reduce_by, 0.0)
    demand = mean[slot][:, None]
    clear = clear_of_rig(ends, outlook.rig, history.utc_offset)
    rng = np.random.default_rng(0)
    chosen = Question(sun=sun if len(outlook.sun.harvest) else "")
    if not len(outlook.sun.harvest) and sun != "none":
        offer = (0.55 * outlook.sun.level * clear)[:, None] * float(
            history.has_sun and history.apart
        )
    else:
        offer = _sun(outlook, chosen, clear, 1, rng)
    edges = np.arange(steps) * STEP
    for start, length in drives:
        begin = np.clip(start - edges, 0.0, STEP)
        end = np.clip(start + length - edges, 0.0, STEP)
        offer = offer + ((end - begin) / STEP * outlook.habits.current)[:, None]
    sure = replace(state, soc_std=0.0, capacity_std=0.0)
    return walk(walk_battery(outlook, sure, 1, rng), demand, offer, history.at)
