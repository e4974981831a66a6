"""
What each anchor changed, and how well anchors are foretold by the rest.

Leaving one anchor out costs no new fit: its rows are taken out of the equations.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.fit import FULL_STD, STUDENT, soc_of, voltage_of
from campledger.estimate.battery.fit_data import acceptance_time
from campledger.model.estimates import Anchor

if TYPE_CHECKING:
    from campledger.estimate.battery.curve import IntArray
    from campledger.estimate.battery.fit import Point, Problem
    from campledger.model.series import BoolArray, FloatArray

SCALE_WEIGHT = 6.0
"""Anchors' worth of trust in the interval as computed. Common practice, no source."""
SCALE_LEAST, SCALE_MOST = 0.8, 2.5
REST_HOURS = 2.0
REST_RATE = 0.01
LOW_SOC = 0.15
EVENTS_MOST = 12
NINETY = 1.645
HOUR = 3600.0


def full_residuals(
    problem: Problem, point: Point
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    Give what each full says, its residual and its leverage.

    Parameters
    ----------
    problem : Problem
        The trip.
    point : Point
        A fit of it.

    Returns
    -------
    wanted, resid, leverage : (a,) float64
        State of charge said, said minus fitted, and share that it decided itself. [1]

    References
    ----------
    .. [1] Leverage of linear regression.
    """
    data, layout = problem.data, problem.layout
    at = data.full_at.astype(np.int64)
    soc, rows = soc_of(problem, point.x, point.capacity)
    tau = float(point.x[layout.at("tau")])
    lasting = acceptance_time(data.temp, tau=tau, lead=problem.lead)
    tail = data.full_current * lasting[at] / HOUR
    wanted = 1.0 + point.x[layout.at("full")] - tail / point.capacity
    jac = rows[at].copy()
    jac[:, layout.at("full")] -= 1.0
    std = FULL_STD[problem.kind_name]
    lever = np.einsum("ij,jk,ik->i", jac, point.covariance, jac) / std**2
    return wanted, wanted - soc[at], np.clip(lever, 0.0, 0.999)


def interval_scale(problem: Problem, point: Point) -> tuple[float, int, int]:
    """
    Give the factor by which anchors say the interval should be wider or narrower.

    Parameters
    ----------
    problem : Problem
        The trip.
    point : Point
        A fit of it.

    Returns
    -------
    scale : float
        Shrunk towards 1 for few anchors. [1]
    anchors, inside : int
        How many it stands on, and how many of these lay in the 90 % interval that the
        rest of the trip foretold.

    References
    ----------
    .. [1] Leave-one-out residuals; the idea of conformal calibration on past anchors.
       Common practice, no source.
    """
    _, resid, lever = full_residuals(problem, point)
    if len(resid) < 2:
        return 1.0, len(resid), len(resid)
    score = resid / (FULL_STD[problem.kind_name] * np.sqrt(1.0 - lever))
    square = float(np.sum(np.minimum(score**2, 16.0)))
    scale = np.sqrt((SCALE_WEIGHT + square) / (SCALE_WEIGHT + len(score)))
    inside = int(np.sum(np.abs(score) <= NINETY))
    return float(np.clip(scale, SCALE_LEAST, SCALE_MOST)), len(score), inside


def _without(
    problem: Problem, point: Point, span: IntArray
) -> tuple[float, float, float]:
    """Change of soc at the span's end by its volts; what they say alone; its spread."""
    soc, rows = soc_of(problem, point.x, point.capacity)
    volts, jac = voltage_of(problem, point.x, point.capacity, soc, rows)
    span = span[np.isfinite(problem.sigma[span])]
    sigma = problem.sigma[span]
    resid = (problem.data.voltage[span] - volts[span]) / sigma
    weight = (STUDENT + 1.0) / (STUDENT + resid**2)
    part = jac[span] / sigma[:, None]
    taken = (part * weight[:, None]).T @ part
    left = np.linalg.inv(point.covariance) - taken
    moved = np.linalg.lstsq(left, part.T @ (weight * resid), rcond=None)[0]
    row = rows[span[-1]]
    before = np.linalg.pinv(left)
    var0 = max(float(row @ before @ row), 1e-12)
    var1 = max(float(row @ point.covariance @ row), 1e-12)
    alone = 1.0 / max(1.0 / var1 - 1.0 / var0, 1e-9)
    return float(row @ moved), float(soc[span[-1]]), float(np.sqrt(alone))


def _runs(mark: BoolArray, least: int) -> list[IntArray]:
    index = np.flatnonzero(mark)
    if not len(index):
        return []
    parts = np.split(index, np.flatnonzero(np.diff(index) > 1) + 1)
    return [p for p in parts if len(p) >= least]


def list_anchors(
    problem: Problem, point: Point, minute_utc: FloatArray
) -> tuple[Anchor, ...]:
    """
    List every anchor with what it changed.

    Parameters
    ----------
    problem : Problem
        The trip.
    point : Point
        The best fit.
    minute_utc : (m,) float64
        Ends of the minutes of the trip. [s]

    Returns
    -------
    anchors : tuple of Anchor
        Fulls, rests (lead-acid) and low points, in time order.

    References
    ----------
    .. [1] Common practice, no source.
    """
    data = problem.data
    time = minute_utc[data.index.astype(np.int64)]
    found = []
    wanted, resid, lever = full_residuals(problem, point)
    for at, value, r, h in zip(
        data.full_at.astype(np.int64), wanted, resid, lever, strict=True
    ):
        volts, amps = data.voltage[at], data.current[at]
        found.append(
            Anchor(
                time_utc=float(time[at]),
                kind="full",
                soc=float(min(value, 1.0)),
                soc_std=FULL_STD[problem.kind_name],
                change=float(r * h / (1.0 - h)),
                text=f"{volts:.2f} V and {amps:.1f} A in the same minutes",
            )
        )
    soc, _ = soc_of(problem, point.x, point.capacity)
    least = max(1, int(REST_HOURS * 60.0 / data.minutes))
    usable = np.isfinite(problem.sigma)
    events: list[tuple[str, IntArray]] = []
    if problem.lead:
        calm = (np.abs(data.current) < REST_RATE * problem.rated) & usable
        events += [("rest", run) for run in _runs(calm, least)]
    events += [("cutoff", run) for run in _runs((soc < LOW_SOC) & usable, least // 4)]
    events = sorted(events, key=lambda e: -len(e[1]))[:EVENTS_MOST]
    for kind, run in events:
        change, value, std = _without(problem, point, run)
        what = "calm" if kind == "rest" else "low volts"
        hours = len(run) * data.minutes / 60.0
        volts = float(np.nanmean(data.voltage[run]))
        found.append(
            Anchor(
                time_utc=float(time[run[-1]]),
                kind=kind,
                soc=value,
                soc_std=min(std, 1.0),
                change=change,
                text=f"{hours:.1f} h of {what}, mean {volts:.2f} V",
            )
        )
    return tuple(sorted(found, key=lambda a: a.time_utc))
