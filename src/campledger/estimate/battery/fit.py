"""
Fit everything that is unknown at one capacity: Gauss-Newton over whitened unknowns.

Unknowns have a Gaussian prior (log for positive ones); volts are robust and thinned for
their correlation; anchors and bounds are soft. Nothing is known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.curve import LOW, STEP, Curve, build_curve
from campledger.estimate.battery.fit_data import WELL_DEEP, acceptance_time

if TYPE_CHECKING:
    from campledger.estimate.battery.fit_data import FitData
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

HOUR = 3600.0
TEMP_REFERENCE = 25.0
CORRELATION = {"lfp": 6.0, "lead": 4.0}
"""Hours over which errors of the voltage model hang together; the rest voltage of
lithium moves for up to a day (Batteries 2025, 11(5), 186). Common practice."""
STUDENT = 4.0
"""Degrees of freedom of the volts' residuals. Common practice, no source."""
OFFSET_STD = 0.06
"""A: ten microvolts on usual shunts and something behind the shunt (methods 7)."""
WALK_STD = 0.004
"""A a day: drift with temperature of shunt monitors (methods 7)."""
VOLTAGE_OFFSET_STD = 0.015
FULL_STD = {"lfp": 0.006, "lead": 0.012}
FULL_COMMON_STD = 0.004
"""What all fulls of a rig share: its chargers stop where they stop."""
AGEING = 3.0
"""Resistance goes with this power of 1/capacity: the usual end-of-life criteria, 80 %
of capacity or twice the resistance, fall together. Common practice, no source."""
PLACE_STD = 0.008
"""Share of charge by which a steep part may stand elsewhere. Common practice."""
BOUND_STD = 0.008
DEEP_SHARE = 0.12
WELL_PER_K = 0.02
"""Diffusion in acid slows by about this for a kelvin. Common practice, no source."""
TAPER_STD = 0.35
TAPER_LEAST = 0.015
GAS_LN_STD = 0.6
GAS_100 = 0.020
"""A per 100 A.h at 20 Cel and 2.23 V a cell: Schiffer et al. 2007, see fit_data."""
SLOW_SHARE = (0.5, 0.5)
SLOW_LN_STD = 0.7
WELL_LN_STD = 0.6
"""Spreads of the fit's unknowns. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Where each unknown sits; ``mean`` and ``std`` (p,) are the prior."""

    names: tuple[str, ...]
    mean: FloatArray
    std: FloatArray
    bend: slice
    walk: slice
    gaps: slice

    def at(self, name: str) -> int:
        """Give the place of an unknown."""
        return self.names.index(name)


@dataclass(frozen=True, kw_only=True)
class Problem:
    """One trip ready to be fitted."""

    data: FitData
    curve: Curve
    layout: Layout
    kind_name: str
    lead: bool
    rated: float
    expected: float
    sigma: FloatArray
    per_k: float
    well_time: float
    thin: float


@dataclass(frozen=True, kw_only=True)
class Point:
    """A fit at one capacity: unknowns, covariance, cost and log evidence."""

    capacity: float
    x: FloatArray
    covariance: FloatArray
    cost: float
    evidence: float


def _layout(
    rig: Rig,
    data: FitData,
    curve: Curve,
    opening: tuple[float, float],
    unmeasured: float,
) -> Layout:
    kind = of_house(rig.house)
    share = rig.house.capacity_rated / 100.0
    r0 = kind.resistance_100[0] / share
    rows: list[tuple[str, float, float]] = [
        ("start", *opening),
        (
            "offset",
            -kind.current_hidden_100[0] * share - unmeasured,
            float(np.hypot(OFFSET_STD, unmeasured)),
        ),
        ("loss", 1.0 - kind.efficiency_low[0], kind.efficiency_low[1]),
        ("gas", np.log(GAS_100 * share), GAS_LN_STD if rig.house.is_lead else 1e-6),
        ("tau", np.log(kind.acceptance_time[0]), kind.acceptance_time[1]),
        ("r0", np.log(r0), kind.resistance_100[1]),
        ("r1", np.log(SLOW_SHARE[0] * r0), SLOW_LN_STD),
        ("r2", np.log(SLOW_SHARE[1] * r0), SLOW_LN_STD),
        ("hyst", kind.hysteresis[0], kind.hysteresis[1]),
        ("volts", 0.0, VOLTAGE_OFFSET_STD),
        ("well", np.log(kind.well_share), WELL_LN_STD if rig.house.is_lead else 1e-6),
        ("deep", np.log(DEEP_SHARE), WELL_LN_STD if rig.house.is_lead else 1e-6),
        ("full", 0.0, FULL_COMMON_STD),
    ]
    first = len(rows)
    rows += [(f"bend{k}", 0.0, float(s)) for k, s in enumerate(curve.spread)]
    second = len(rows)
    rows += [(f"walk{k}", 0.0, WALK_STD) for k in range(data.walk.shape[1])]
    third = len(rows)
    rows += [(f"gap{k}", 0.0, float(s)) for k, s in enumerate(data.gap_std)]
    return Layout(
        names=tuple(r[0] for r in rows),
        mean=np.array([r[1] for r in rows]),
        std=np.array([r[2] for r in rows]),
        bend=slice(first, second),
        walk=slice(second, third),
        gaps=slice(third, len(rows)),
    )


def _steepness(data: FitData, curve: Curve, rig: Rig) -> FloatArray:
    """Slope of the table where the volts stand: a knee's place is never exact."""
    fine = np.arange(len(curve.volts)) * STEP + LOW
    rising = np.maximum.accumulate(curve.volts)
    r = of_house(rig.house).resistance_100[0] * 100.0 / rig.house.capacity_rated
    level = np.where(np.isfinite(data.voltage), data.voltage, rising[0])
    soc = np.interp(level - 1.6 * r * data.current, rising, fine)
    slope = np.gradient(rising, STEP)
    out: FloatArray = np.interp(soc, fine, slope)
    return out


def prepare(
    rig: Rig,
    data: FitData,
    opening: tuple[float, float],
    *,
    unmeasured: float = 0.0,
) -> Problem:
    """
    Set up the fit of one trip.

    Parameters
    ----------
    rig : Rig
        The vehicle as described.
    data : FitData
        The trip laid out.
    opening : tuple of float
        Mean and standard deviation of the opening state of charge. [1]
    unmeasured : float
        Expected draw of loads in no circuit, when circuits stand for the shunt. [A]

    Returns
    -------
    problem : Problem
        Ready for any capacity.

    References
    ----------
    .. [1] Common practice, no source.
    """
    kind = of_house(rig.house)
    curve = build_curve(rig.house)
    group = "lead" if rig.house.is_lead else "lfp"
    thin = float(np.sqrt(max(1.0, CORRELATION[group] * 60.0 / data.minutes)))
    return Problem(
        data=data,
        curve=curve,
        layout=_layout(rig, data, curve, opening, unmeasured),
        kind_name=group,
        lead=rig.house.is_lead,
        rated=rig.house.capacity_rated,
        expected=rig.house.capacity_rated * kind.capacity_ratio[0],
        sigma=np.hypot(data.noise, _steepness(data, curve, rig) * PLACE_STD) * thin,
        per_k=kind.resistance_per_k,
        well_time=kind.well_time,
        thin=thin,
    )


def soc_of(
    problem: Problem, x: FloatArray, capacity: float
) -> tuple[FloatArray, FloatArray]:
    """
    Give the state of charge and its derivative by every unknown.

    Parameters
    ----------
    problem : Problem
        The trip.
    x : (p,) float64
        Unknowns.
    capacity : float
        Capacity now. [A.h]

    Returns
    -------
    soc : (n,) float64
        Not clipped. [1]
    rows : (n, p) float64
        Derivatives.

    References
    ----------
    .. [1] Charge balance. Common practice, no source.
    """
    data, layout = problem.data, problem.layout
    gas = float(np.exp(x[layout.at("gas")])) if problem.lead else 0.0
    rows = np.zeros((len(data.hours), len(x)))
    rows[:, layout.at("start")] = capacity
    rows[:, layout.at("offset")] = data.hours
    rows[:, layout.at("loss")] = -data.through
    rows[:, layout.at("gas")] = -gas * data.gas
    rows[:, layout.walk] = data.walk
    rows[:, layout.gaps] = data.gaps
    rows /= capacity
    linear = x.copy()
    linear[layout.at("gas")] = 1.0
    return data.stored / capacity + rows @ linear, rows


def voltage_of(
    problem: Problem, x: FloatArray, capacity: float, soc: FloatArray, rows: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """
    Give the modelled voltage and its derivative by every unknown.

    Parameters
    ----------
    problem : Problem
        The trip.
    x : (p,) float64
        Unknowns.
    capacity : float
        Capacity now. [A.h]
    soc : (n,) float64
        State of charge. [1]
    rows : (n, p) float64
        Its derivatives.

    Returns
    -------
    voltage : (n,) float64
        At the terminals. [V]
    jacobian : (n, p) float64
        Derivatives.

    References
    ----------
    .. [1] G. L. Plett, enhanced self-correcting cell model; from memory.
    .. [2] J. F. Manwell, J. G. McGowan, Solar Energy 50 (1993) 399: two wells; from
       memory.
    """
    data, layout = problem.data, problem.layout
    head, jac = soc, rows.copy()
    if problem.lead:
        share = float(np.exp(x[layout.at("well")]))
        deep = float(np.exp(x[layout.at("deep")]))
        cold = np.exp(-WELL_PER_K * (data.temp - TEMP_REFERENCE)) / HOUR / capacity
        lag = share * problem.well_time * cold * data.well[:, 0]
        slow = deep * WELL_DEEP * problem.well_time * cold * data.well[:, 1]
        head = soc + lag + slow
        jac[:, layout.at("well")], jac[:, layout.at("deep")] = lag, slow
    volts, slope, weight = problem.curve.at(head, x[layout.bend])
    jac *= slope[:, None]
    jac[:, layout.bend] = weight.T
    factor = np.maximum(1.0 + problem.per_k * (data.temp - TEMP_REFERENCE), 0.3)
    for name, driven in (
        ("r0", data.current),
        ("r1", data.filtered[:, 0]),
        ("r2", data.filtered[:, 1]),
    ):
        drop = float(np.exp(x[layout.at(name)])) * factor * driven
        volts = volts + drop
        jac[:, layout.at(name)] = drop
    hyst, offset = layout.at("hyst"), layout.at("volts")
    volts = volts + x[hyst] * data.swing + x[offset]
    jac[:, hyst], jac[:, offset] = data.swing, 1.0
    return volts, jac


@dataclass
class _System:
    """Normal equations in the making."""

    matrix: FloatArray
    vector: FloatArray
    cost: float

    def add(self, rows: FloatArray, resid: FloatArray, *, robust: bool = False) -> None:
        """Add residuals ``resid`` = (wanted - modelled)/std with their rows/std."""
        weight = np.ones(len(resid))
        if robust:
            weight = (STUDENT + 1.0) / (STUDENT + resid**2)
            self.cost += float(np.sum((STUDENT + 1.0) * np.log1p(resid**2 / STUDENT)))
        else:
            self.cost += float(resid @ resid)
        heavy = rows * weight[:, None]
        self.matrix += heavy.T @ rows
        self.vector += heavy.T @ resid


def _taper(
    problem: Problem,
    x: FloatArray,
    soc: FloatArray,
    rows: FloatArray,
    capacity: float,
    system: _System,
) -> None:
    data, layout = problem.data, problem.layout
    at = np.flatnonzero(data.taper)
    if not problem.lead or not len(at):
        return
    gas = float(np.exp(x[layout.at("gas")]))
    rate = np.diff(np.concatenate(([0.0], data.gas)))[at] * 60.0 / data.minutes
    accepted = np.maximum(data.current[at] - gas * rate, 0.002 * problem.rated)
    short = 1.0 - soc[at]
    missing = np.maximum(short, TAPER_LEAST)
    std = TAPER_STD * np.sqrt(max(1.0, 60.0 / data.minutes))
    std = std * (1.0 + (0.02 / missing))
    lasting = acceptance_time(data.temp, tau=x[layout.at("tau")], lead=problem.lead)
    model = np.log(missing * capacity * HOUR / lasting[at])
    jac = -(rows[at] / missing[:, None]) * (short > TAPER_LEAST)[:, None]
    jac[:, layout.at("tau")] -= 1.0
    resid = np.log(accepted) - model
    system.add(jac / std[:, None], resid / std, robust=True)


def _anchors(
    problem: Problem,
    x: FloatArray,
    soc: FloatArray,
    rows: FloatArray,
    capacity: float,
    system: _System,
) -> None:
    data, layout = problem.data, problem.layout
    at = data.full_at.astype(np.int64)
    if not len(at):
        return
    std = FULL_STD[problem.kind_name]
    lasting = acceptance_time(data.temp, tau=x[layout.at("tau")], lead=problem.lead)
    tail = data.full_current * lasting[at] / HOUR / capacity
    jac = rows[at].copy()
    jac[:, layout.at("tau")] += tail
    common = layout.at("full")
    jac[:, common] -= 1.0
    system.add(jac / std, (1.0 + x[common] - tail - soc[at]) / std)


def _bounds(
    problem: Problem, soc: FloatArray, rows: FloatArray, system: _System
) -> None:
    std = BOUND_STD * problem.thin
    over, under = soc > 1.0, soc < 0.0
    system.add(rows[over] / std, (1.0 - soc[over]) / std)
    system.add(rows[under] / std, -soc[under] / std)


def assemble(problem: Problem, x: FloatArray, capacity: float) -> _System:
    """
    Build the normal equations at a point, in whitened unknowns.

    Parameters
    ----------
    problem : Problem
        The trip.
    x : (p,) float64
        Unknowns.
    capacity : float
        Capacity now. [A.h]

    Returns
    -------
    system : _System
        Matrix, gradient and cost, the prior included.

    References
    ----------
    .. [1] Gauss-Newton with reweighting. Common practice, no source.
    """
    layout, data = problem.layout, problem.data
    size = len(x)
    middle = layout.mean.copy()
    middle[layout.at("r0")] -= AGEING * np.log(capacity / problem.expected)
    system = _System(matrix=np.zeros((size, size)), vector=np.zeros(size), cost=0.0)
    soc, rows = soc_of(problem, x, capacity)
    volts, jac = voltage_of(problem, x, capacity, soc, rows)
    use = np.isfinite(problem.sigma)
    sigma = problem.sigma[use]
    system.add(
        jac[use] / sigma[:, None], (data.voltage[use] - volts[use]) / sigma, robust=True
    )
    _anchors(problem, x, soc, rows, capacity, system)
    _taper(problem, x, soc, rows, capacity, system)
    _bounds(problem, soc, rows, system)
    z = (x - middle) / layout.std
    system.matrix = system.matrix * np.outer(layout.std, layout.std) + np.eye(size)
    system.vector = system.vector * layout.std - z
    system.cost += float(z @ z)
    return system


def fit_at(
    problem: Problem, capacity: float, start: FloatArray, *, rounds: int = 40
) -> Point:
    """
    Fit all unknowns at one capacity from one start.

    Parameters
    ----------
    problem : Problem
        The trip.
    capacity : float
        Capacity now. [A.h]
    start : (p,) float64
        First guess of the unknowns.
    rounds : int
        Most steps. [1]

    Returns
    -------
    point : Point
        The nearest minimum with its Laplace evidence.

    References
    ----------
    .. [1] Gauss-Newton with damping; Laplace's approximation. Common practice.
    """
    x = start.copy()
    std = problem.layout.std
    damp = 1e-3
    system = assemble(problem, x, capacity)
    for _ in range(rounds):
        lifted = system.matrix + damp * np.diag(np.diag(system.matrix))
        step = np.linalg.solve(lifted, system.vector)
        size = float(np.max(np.abs(step)))
        step *= min(1.0, 1.5 / max(size, 1e-12))
        trial = x + step * std
        fresh = assemble(problem, trial, capacity)
        if fresh.cost <= system.cost:
            gain = system.cost - fresh.cost
            x, system, damp = trial, fresh, max(damp * 0.2, 1e-6)
            if gain < 0.01 and size < 0.3:
                break
        else:
            damp = min(damp * 10.0, 1e3) if damp > 1e-5 else 1e-2
            if size < 1e-3 or damp >= 1e3:
                break
    inverse = np.linalg.inv(system.matrix)
    _, logdet = np.linalg.slogdet(system.matrix)
    return Point(
        capacity=capacity,
        x=x,
        covariance=(inverse * np.outer(std, std)).astype(np.float64),
        cost=system.cost,
        evidence=-0.5 * (system.cost + float(logdet)),
    )
