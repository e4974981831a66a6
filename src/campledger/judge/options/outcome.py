"""
From replayed paths to outcomes with intervals, and to differences that can be shown.

Paths differ by what the estimates leave open: capacity, opening charge, sun, demand.
The same draws serve the trip as driven and every change, so that differences are sharp.
What the replay of the unchanged rig misses is carried over to the changed one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options.engine import HOURS, STEP, Plant
from campledger.judge.options.replay import run
from campledger.judge.options.types import Outcome
from campledger.model.estimates import Estimate
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from campledger.judge.options.changes import Setup
    from campledger.judge.options.engine import Walked
    from campledger.judge.options.replay import Days
    from campledger.model.estimates import TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

PATHS = 40
NINETY = 1.645
HIDDEN_STD = 0.25
"""Scatter of a day's demand where too few days are known. Common practice. [1]"""
HIDDEN_LEAST = 0.05
DAYS_LEAST = 3
SEEN = 0.875
"""A day counts as known when so much of it was: 3 h may be hidden. Common practice."""
DEMAND_STD = 0.02
"""Scale of measured demand. Common practice, no source. [1]"""
FULL = 0.98
STEPS_DAY = int(86400.0 / STEP)


@dataclass(frozen=True, kw_only=True)
class Draws:
    """
    Common draws (p,); the first path is the middle of everything.

    ``hidden`` (p, n) scales demand in steps in which it did not show; ``warm`` and
    ``cloud`` are standard normal, for weather that was not measured.
    """

    capacity: FloatArray
    opening: FloatArray
    sun: FloatArray
    demand: FloatArray
    hidden: FloatArray
    error: FloatArray
    warm: FloatArray
    cloud: FloatArray


def draw(
    estimates: TripEstimates,
    days: Days,
    error_std: float,
    rng: np.random.Generator,
) -> Draws:
    """
    Draw what is open; the first path stands in the middle.

    Parameters
    ----------
    estimates : TripEstimates
        Capacity and opening with their intervals.
    days : Days
        The sun with its interval.
    error_std : float
        How far the unchanged replay strays from the count, standard. [1]
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    draws : Draws
        Arrays (p,).

    References
    ----------
    Common practice, no source.
    """
    battery = estimates.battery
    normal = rng.normal(size=(7, PATHS))
    normal[:, 0] = 0.0
    value = battery.capacity
    relative = value.give_or_take / NINETY / max(value.value, 1e-9)
    good = np.flatnonzero(np.isfinite(battery.soc))
    k = int(good[0]) if good.size else 0
    open_std = 0.5 * float(battery.soc_hi[k] - battery.soc_lo[k]) / NINETY
    total = max(float(days.sun.sum()), 1e-9)
    spread = 0.5 * float((days.sun_hi - days.sun_lo).sum()) / total / NINETY
    return Draws(
        capacity=np.maximum(1.0 + np.nan_to_num(relative) * normal[0], 0.3),
        opening=np.clip(days.soc_initial + open_std * normal[1], 0.02, 1.0),
        sun=np.maximum(1.0 + spread * normal[2], 0.1),
        demand=1.0 + DEMAND_STD * normal[3],
        hidden=_hidden(days, rng),
        error=error_std * normal[4],
        warm=normal[5],
        cloud=normal[6],
    )


def _hidden(days: Days, rng: np.random.Generator) -> FloatArray:
    """Scale hidden demand day by day, and all of it by what few known days leave."""
    n = len(days.hidden)
    index = np.arange(n) // STEPS_DAY
    total = np.bincount(index, weights=days.demand)
    known = np.bincount(index, weights=1.0 - days.hidden)
    count = np.bincount(index)
    good = (known >= SEEN * count) & (count == STEPS_DAY) & (total > 0.0)
    scatter, mean_std = HIDDEN_STD, HIDDEN_STD
    if good.sum() >= DAYS_LEAST:
        scatter = float(np.std(total[good], ddof=1) / np.mean(total[good]))
        scatter = max(scatter, HIDDEN_LEAST)
        mean_std = scatter / float(np.sqrt(good.sum()))
    each = scatter * rng.normal(size=(PATHS, len(total)))
    every = mean_std * rng.normal(size=(PATHS, 1))
    moved = (each + every)[:, index]
    moved[0] = 0.0
    out: FloatArray = np.maximum(1.0 + days.hidden[None, :] * moved, 0.0)
    return out


def replay(setup: Setup, days: Days, draws: Draws) -> Walked:
    """Replay a setup on every path."""
    load = setup.load[None, :] * draws.demand[:, None] * draws.hidden
    if setup.cooling is not None and setup.cooling_std > 0.0:
        more = np.maximum(setup.cooling_std * draws.warm, -1.0)
        load = load + more[:, None] * setup.cooling[None, :]
    cloud = np.maximum(1.0 + setup.sun_std * draws.cloud, 0.0)
    return run(
        plant_of(setup, setup.capacity * draws.capacity),
        days,
        load=load,
        sun=days.sun[None, :] * (setup.sun_factor * draws.sun * cloud)[:, None],
        drive=setup.drive,
        soc_initial=draws.opening,
        cooling=setup.cooling,
    )


def plant_of(setup: Setup, capacity: FloatArray) -> Plant:
    """Give the battery and chargers of a setup in these sizes. (p,) [A.h]"""
    return Plant(
        model=setup.model,
        stages=setup.stages,
        bounds=setup.bounds,
        capacity=capacity,
    )


def corrected(
    paths: Walked, base: Walked, setup: Setup, days: Days, draws: Draws
) -> FloatArray:
    """
    Carry the baseline's miss over to a changed path. (p, n) [1]

    A full battery is full: the miss fades where the changed path reaches the top.
    """
    miss = np.where(np.isfinite(days.soc), days.soc, np.nan)[None, :] - base.soc[:1]
    miss = np.nan_to_num(miss)
    room = np.clip((1.0 - paths.soc) / 0.1, 0.0, 1.0)
    moved = setup.carry * (miss + draws.error[:, None]) * np.minimum(1.0, room + 0.2)
    return np.clip(paths.soc + moved, 0.0, 1.0)


def _spread(values: FloatArray) -> Estimate:
    lo, hi = np.percentile(values, [5, 95])
    mid = float(values[0])
    return Estimate(value=mid, lo=min(float(lo), mid), hi=max(float(hi), mid))


def outcome_of(
    setup: Setup,
    paths: Walked,
    soc: FloatArray,
    days: Days,
    rig: Rig,
    *,
    mass: float | None,
    margin: float | None,
    price: float | None,
) -> Outcome:
    """
    Condense paths into an outcome.

    Parameters
    ----------
    setup : Setup
        The rig that was replayed.
    paths, soc : Walked, (p, n) float64
        Its paths and corrected states of charge. [1]
    days, rig : Days, Rig
        The measured days and the vehicle.
    mass, margin, price : float or None
        Change of mass [kg], payload margin left [kg], money a night.

    Returns
    -------
    outcome : Outcome
        The first path gives the values.

    References
    ----------
    Common practice, no source.
    """
    off = paths.without_power.sum(axis=1) * HOURS
    below = (soc < setup.floor).sum(axis=1) * HOURS
    cooling = any(x.kind in COOLING for x in rig.loads)
    offered = days.sun[None, :] * setup.sun_factor
    unused = np.maximum(offered - paths.sun_used, 0.0).sum(axis=1) * HOURS
    n = len(days.sun) // STEPS_DAY
    tops = (
        soc[0, : n * STEPS_DAY].reshape(n, STEPS_DAY).max(axis=1) if n else soc[:1, 0]
    )
    return Outcome(
        soc_min=_spread(soc.min(axis=1)),
        hours_below_floor=_spread(below),
        hours_without_power=_spread(off),
        fridge_hours_lost=_spread(off if cooling else 0.0 * off),
        unused_solar=_spread(unused),
        days_short_of_full=int((tops < FULL).sum()),
        mass=mass,
        margin=margin,
        price_per_night=price,
        floor=setup.floor,
        capacity=setup.capacity,
    )


def difference_of(soc: FloatArray, base: FloatArray) -> Estimate:
    """Give the change of the low point with its interval, path by path. [1]"""
    return _spread(soc.min(axis=1) - base.min(axis=1))
