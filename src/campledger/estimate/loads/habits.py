"""
What is expected of each kind of load before the trip has taught better.

All figures of the table are common practice, no source: they are only where learning
begins. A load's own amps from the rig file set its scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import erfc, log, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.rig import Load, Rig
    from campledger.model.series import FloatArray

HOUR = 3600.0
DAY = 86400.0
TIME_LEAST = 1.0
TIME_BINS = 96
TIME_STEP = log(30 * DAY / TIME_LEAST) / (TIME_BINS - 1)
BASE = "standing draw"
OTHER = "not itemised"
HAZARD_LEAST = 1e-9
HAZARD_LATE = 1.0 / (6 * HOUR)
ODD_SHARE = 0.08
"""Share of runs unlike the others: a door left open, warm food, a long film. Common
practice, no source."""
ODD_FACTOR = 3.0
ODD_SPREAD = 0.8
IDLE_AMPS = 0.7
"""An inverter without load draws about this, A (0.2 to 1.2 A). Common practice, no
source."""
IDLE_SPREAD = 0.4
ALWAYS = frozenset({"logger", "standby"})
"""Kinds that never stop: they are part of the standing draw."""
EVENING = (18, 24)
AWAKE = (6, 23)


@dataclass(frozen=True, kw_only=True)
class Habit:
    """
    How a kind of load behaves.

    ``on_time`` and ``off_time`` s with log-spreads (``off_time`` 0: switched by people,
    ``a_day`` times a day); ``multiples`` of the stated amps at which it may run, each
    within ``spread``; ``changes`` of level an hour; ``wander`` share an hour**0.5 by
    which its level drifts; ``volts`` exponent of its power; ``surge`` chance that a
    start overshoots; ``amps`` if the rig file says nothing; ``evening`` how much more
    often it is switched on in the evening; ``same`` chance that it runs as last time;
    ``closeness`` how far (natural logarithm) the stated amps may be from the real;
    ``fades`` for chargers, which end low and seldom at full power; ``odd`` share of
    runs much longer than the others.
    """

    on_time: float
    on_spread: float
    off_time: float = 0.0
    off_spread: float = 1.0
    a_day: float = 3.0
    multiples: tuple[float, ...] = (1.0,)
    spread: float = 0.2
    changes: float = 0.0
    wander: float = 0.03
    volts: float = 0.0
    surge: float = 0.1
    amps: float = 3.0
    evening: float = 1.0
    same: float = 0.5
    closeness: float = 0.6
    fades: bool = False
    odd: float = ODD_SHARE


HABITS: Mapping[str, Habit] = {
    "fridge": Habit(
        on_time=720.0,
        on_spread=0.9,
        off_time=1500.0,
        off_spread=1.0,
        spread=0.2,
        surge=0.6,
        amps=4.0,
        wander=0.06,
        same=0.9,
    ),
    "freezer": Habit(
        on_time=900.0,
        on_spread=0.9,
        off_time=1200.0,
        off_spread=1.0,
        spread=0.2,
        surge=0.6,
        amps=4.5,
        wander=0.06,
        same=0.9,
    ),
    "inverter": Habit(
        on_time=5400.0,
        on_spread=1.3,
        a_day=1.5,
        changes=3.0,
        wander=0.5,
        amps=8.0,
        multiples=(0.25, 0.5, 1.0, 2.0, 4.0, 8.0),
        spread=0.35,
        surge=0.2,
        same=0.3,
    ),
    "lights": Habit(
        on_time=5400.0,
        on_spread=1.2,
        a_day=3.0,
        changes=0.4,
        wander=0.02,
        volts=1.2,
        multiples=(0.35, 0.6, 0.85, 1.1, 1.4),
        spread=0.18,
        surge=0.02,
        amps=1.0,
        evening=5.0,
        same=0.2,
    ),
    "pump": Habit(
        on_time=15.0,
        on_spread=1.0,
        a_day=12.0,
        spread=0.15,
        wander=0.05,
        volts=1.0,
        surge=0.2,
        amps=5.0,
        same=0.3,
        odd=0.01,
    ),
    "fan": Habit(
        on_time=9000.0,
        on_spread=1.2,
        a_day=2.0,
        changes=0.3,
        wander=0.02,
        volts=0.5,
        multiples=(0.5, 0.75, 1.0, 1.4, 2.0),
        spread=0.16,
        surge=0.05,
        amps=1.0,
        same=0.2,
    ),
    "charger": Habit(
        on_time=7200.0,
        on_spread=0.8,
        a_day=2.0,
        changes=0.35,
        wander=0.45,
        amps=3.0,
        multiples=(0.6, 1.0, 1.4),
        spread=0.2,
        surge=0.05,
        same=0.3,
        fades=True,
    ),
    "heater": Habit(
        on_time=7200.0,
        on_spread=1.3,
        a_day=2.0,
        changes=2.0,
        wander=0.1,
        amps=2.0,
        multiples=(0.5, 1.0, 2.0, 5.0),
        spread=0.3,
        surge=0.2,
        same=0.3,
    ),
    "other": Habit(
        on_time=1800.0,
        on_spread=1.6,
        a_day=2.0,
        changes=0.5,
        wander=0.1,
        amps=3.0,
        multiples=(0.4, 0.7, 1.0, 1.5),
        spread=0.3,
        same=0.3,
    ),
}
"""Common practice, no source."""

UNKNOWN = Habit(
    on_time=900.0,
    on_spread=1.8,
    a_day=0.06,
    changes=0.05,
    wander=0.45,
    amps=2.4,
    multiples=(0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4),
    spread=0.4,
    same=0.1,
    surge=0.03,
    closeness=10.0,
)
"""A use that is in no listed load. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class LoadModel:
    """
    One load as the decoder sees it, W and s.

    ``mean``, ``std``, ``log_weight`` (j,) are the levels it starts at, ``change_*``
    those it changes to; ``same`` chance
    and ``same_std`` share that a run begins as the last one ended; hazards (TIME_BINS,)
    by time since switched; ``rate`` per s and ``by_hour`` (24,) for people's loads.
    """

    name: str
    kind: str
    mean: FloatArray
    std: FloatArray
    log_weight: FloatArray
    change_mean: FloatArray
    change_std: FloatArray
    change_log_weight: FloatArray
    same: float
    same_std: float
    off_log_hazard: FloatArray
    off_hazard_sum: FloatArray
    on_log_hazard: FloatArray
    on_hazard_sum: FloatArray
    rate: float
    by_hour: FloatArray
    changes: float
    wander: float
    volts: float
    surge: float
    habit: Habit

    @property
    def cycles(self) -> bool:
        """Tell a thermostat from a person's switch."""
        return self.habit.off_time > 0


def time_axis() -> FloatArray:
    """
    Give the times of the hazard tables.

    Returns
    -------
    time : (TIME_BINS,) float64
        Even in the logarithm. [s]

    References
    ----------
    Common practice, no source.
    """
    return np.asarray(
        TIME_LEAST * np.exp(TIME_STEP * np.arange(TIME_BINS)), dtype=np.float64
    )


def hazard(
    median: float, spread: float, odd_share: float = ODD_SHARE
) -> tuple[FloatArray, FloatArray]:
    """
    Tabulate the hazard of a log-normal duration, with a tail of odd ones.

    Parameters
    ----------
    median : float
        Median duration. [s]
    spread : float
        Standard deviation of its natural logarithm. [1]
    odd_share : float, optional
        Share of runs unlike the others. [1]

    Returns
    -------
    log_hazard, hazard_sum : (TIME_BINS,) float64
        Natural logarithm of the hazard per s, and the hazard summed up to each time.

    References
    ----------
    .. [1] Hazard = density / survival; log-normal durations. Common practice.
    """
    time = time_axis()
    survival, density = np.zeros(TIME_BINS), np.zeros(TIME_BINS)
    usual = (1 - odd_share, median, spread)
    odd = (odd_share, ODD_FACTOR * median, spread + ODD_SPREAD)
    for share, middle, width in (usual, odd):
        z = (np.log(time) - log(middle)) / width
        survival += share * np.array([0.5 * erfc(v / sqrt(2.0)) for v in z])
        density += share * np.exp(-0.5 * z**2) / (time * width * sqrt(2 * pi))
    survival = np.maximum(survival, 1e-12)
    # what has lasted unusually long ends at some ordinary rate after all
    least = np.where(time > median, HAZARD_LATE, HAZARD_LEAST)
    rise = np.log(np.maximum(density / survival, least))
    total = np.maximum.accumulate(-np.log(survival))
    return rise, total


def log_density(age: float, log_hazard: FloatArray, total: FloatArray) -> float:
    """
    Give the natural logarithm of the density of a duration from its hazard.

    Parameters
    ----------
    age : float
        The duration. [s]
    log_hazard, total : (TIME_BINS,) float64
        As ``hazard`` gives them.

    Returns
    -------
    value : float
        Per s.

    References
    ----------
    .. [1] Density = hazard x survival. Common practice.
    """
    x = np.log(max(age, TIME_LEAST))
    at = np.log(time_axis())
    return float(np.interp(x, at, log_hazard) - np.interp(x, at, total))


def _by_hour(habit: Habit) -> FloatArray:
    hours = np.arange(24)
    weight = np.where((hours >= AWAKE[0]) & (hours < AWAKE[1]), 1.3, 0.25)
    weight = np.where(
        (hours >= EVENING[0]) & (hours < EVENING[1]), weight * habit.evening, weight
    )
    return np.asarray(weight / weight.mean(), dtype=np.float64)


def build_model(name: str, kind: str, power: float, habit: Habit) -> LoadModel:
    """
    Turn a kind's habits into a model with the load's own scale.

    Parameters
    ----------
    name, kind : str
        Load.
    power : float
        Its stated power while on. [W]
    habit : Habit
        Its habits.

    Returns
    -------
    model : LoadModel
        For the first round.

    References
    ----------
    Common practice, no source.
    """
    multiples = np.asarray(habit.multiples)
    mean = power * multiples
    closeness = -0.5 * (np.log(multiples) / habit.closeness) ** 2
    weight = closeness - np.log(np.exp(closeness).sum())
    off = hazard(habit.on_time, habit.on_spread, habit.odd)
    on = hazard(max(habit.off_time, 1.0), habit.off_spread)
    return LoadModel(
        name=name,
        kind=kind,
        mean=mean,
        std=habit.spread * mean,
        log_weight=weight,
        change_mean=mean,
        change_std=habit.spread * mean,
        change_log_weight=weight,
        same=habit.same,
        same_std=0.05,
        off_log_hazard=off[0],
        off_hazard_sum=off[1],
        on_log_hazard=on[0],
        on_hazard_sum=on[1],
        rate=habit.a_day / DAY,
        by_hour=_by_hour(habit) if habit.off_time == 0 else np.ones(24),
        changes=habit.changes / HOUR,
        wander=habit.wander,
        volts=habit.volts,
        surge=habit.surge,
        habit=habit,
    )


def first_models(rig: Rig, names: tuple[str, ...], volts: float) -> list[LoadModel]:
    """
    Give the models of the first round: standing draw, the loads, the unknown use.

    Parameters
    ----------
    rig : Rig
        Load list.
    names : tuple of str
        Loads to be told apart, without those that never stop.
    volts : float
        Typical volts of the house. [V]

    Returns
    -------
    models : list of LoadModel
        The standing draw first, the unknown use last.

    References
    ----------
    Common practice, no source.
    """
    base = build_model(BASE, "base", 1.0, Habit(on_time=DAY, on_spread=1.0))
    models = [replace(base, wander=0.0)]
    for name in names:
        load = rig.load(name)
        if load is not None:
            models.append(_from_rig(load, volts))
    models.append(build_model(OTHER, "unknown", UNKNOWN.amps * volts, UNKNOWN))
    return models


def _from_rig(load: Load, volts: float) -> LoadModel:
    habit = HABITS.get(load.kind, HABITS["other"])
    stated = load.current_on
    if stated is None:
        habit = replace(habit, spread=min(0.5, 2 * habit.spread))
    model = build_model(load.name, load.kind, (stated or habit.amps) * volts, habit)
    if load.kind == "inverter":
        idle = (load.current_idle or IDLE_AMPS) * volts
        spread = 0.15 if load.current_idle else IDLE_SPREAD
        model = replace(
            model,
            mean=np.append(model.mean, idle),
            std=np.append(model.std, spread * idle),
            log_weight=np.append(model.log_weight - log(3.0), log(2.0 / 3.0)),
        )
    return model
