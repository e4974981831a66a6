"""
Weigh the capacities: fits on a grid of capacities become one mixture of Gaussians.

Few Gaussians with exact mixture quantiles, so that nothing depends on chance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.fit import (
    STUDENT,
    Point,
    Problem,
    fit_at,
    soc_of,
    voltage_of,
)

if TYPE_CHECKING:
    from campledger.model.rig import House
    from campledger.model.series import FloatArray

GRID = (0.60, 0.67, 0.73, 0.78, 0.82, 0.86, 0.90, 0.935, 0.97, 1.0, 1.03, 1.07, 1.12)
"""Shares of the rating at which a fit is made."""
GRID_KNOWN = (-3.0, -2.0, -1.2, -0.5, 0.0, 0.5, 1.2, 2.0, 3.0)
KNOWN_STD = 0.02
"""Of a capacity measured on an earlier trip. Common practice, no source."""
AGED_SHARE, AGED_MEAN, AGED_STD = 0.25, 0.83, 0.11
"""Batteries in use that hold clearly less than the label. Common practice."""
STARTS = (0.95, 0.70, 0.40)
FINE = 81
SCALE_LEAST = {"lfp": 1.0, "lead": 0.6}
SCALE_MOST = 3.0
"""How far a first fit may change the volts' noise. A bent plateau fits volts better
than it tells charge, so that lithium never gets less. Common practice, no source."""
KEEP = 1e-4
VOLUME = {"lfp": 0.0, "lead": 1.0}
"""Part of Laplace's volume term in weighing capacities. On lithium it speaks only of
how steep the knee is, whose shape is not trusted. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Mixture:
    """
    Gaussians over the unknowns, one for each capacity, ``weight`` (c,) sums to 1.

    ``mean`` (c, n) and ``std`` (c, n) are state of charge on the fit's grid.
    """

    capacity: FloatArray
    weight: FloatArray
    mean: FloatArray
    std: FloatArray
    points: tuple[Point, ...]
    best: Point

    def moment(self, place: int) -> tuple[float, float]:
        """Give mean and deviation of one unknown."""
        mean = np.array([p.x[place] for p in self.points])
        var = np.array([p.covariance[place, place] for p in self.points])
        middle = float(self.weight @ mean)
        return middle, float(np.sqrt(self.weight @ (var + (mean - middle) ** 2)))


def rescaled(problem: Problem, point: Point) -> Problem:
    """
    Scale the volts' noise by what a first fit left over.

    Parameters
    ----------
    problem : Problem
        The trip.
    point : Point
        A fit of it.

    Returns
    -------
    problem : Problem
        With a smaller or larger noise, within limits.

    References
    ----------
    .. [1] Reduced chi-square. Common practice, no source.
    """
    soc, rows = soc_of(problem, point.x, point.capacity)
    volts, _ = voltage_of(problem, point.x, point.capacity, soc, rows)
    use = np.isfinite(problem.sigma)
    if not use.any():
        return problem
    resid = (problem.data.voltage - volts)[use] / problem.sigma[use] * problem.thin
    weight = (STUDENT + 1.0) / (STUDENT + (resid / problem.thin) ** 2)
    scale = float(np.sqrt(np.mean(weight * resid**2)))
    scale = float(np.clip(scale, SCALE_LEAST[problem.kind_name], SCALE_MOST))
    return replace(problem, sigma=problem.sigma * scale)


def log_prior(house: House, capacity: FloatArray) -> FloatArray:
    """
    Give the log prior of the capacity now.

    Parameters
    ----------
    house : House
        Rating, or a capacity measured earlier.
    capacity : (n,) float64
        Capacity now. [A.h]

    Returns
    -------
    density : (n,) float64
        Log density up to a constant.

    References
    ----------
    .. [1] Common practice, no source.
    """
    if house.capacity_now is not None:
        wide = KNOWN_STD * house.capacity_now
        known: FloatArray = -0.5 * ((capacity - house.capacity_now) / wide) ** 2
        return known
    kind = of_house(house)
    ratio = capacity / house.capacity_rated
    mean, std = kind.capacity_ratio
    fresh = np.exp(-0.5 * ((ratio - mean) / std) ** 2) / std
    aged = np.exp(-0.5 * ((ratio - AGED_MEAN) / AGED_STD) ** 2) / AGED_STD
    out: FloatArray = np.log((1.0 - AGED_SHARE) * fresh + AGED_SHARE * aged + 1e-12)
    return out


def _grid(house: House) -> list[float]:
    if house.capacity_now is not None:
        wide = KNOWN_STD * house.capacity_now
        return [house.capacity_now + k * wide for k in GRID_KNOWN]
    return [house.capacity_rated * k for k in GRID]


def _support(point: Point, kind_name: str) -> float:
    """Fit and, in part, the volume term: how far a capacity is borne out."""
    share = VOLUME[kind_name]
    return share * point.evidence - (1.0 - share) * 0.5 * point.cost


def _better(first: Point | None, second: Point) -> Point:
    return second if first is None or second.evidence > first.evidence else first


def _tuned(problem: Problem, house: House) -> Problem:
    grid = np.array(_grid(house))
    size = float(grid[int(np.argmax(log_prior(house, grid)))])
    first: Point | None = None
    for soc in STARTS:
        x = problem.layout.mean.copy()
        x[0] = soc
        first = _better(first, fit_at(problem, size, x))
    return problem if first is None else rescaled(problem, first)


def _sweep(problem: Problem, house: House) -> list[Point]:
    """Fit on the grid from several starts, then pass good fits to the neighbours."""
    grid = _grid(house)
    base = problem.layout.mean
    found: list[Point | None] = [None] * len(grid)
    middle = int(np.argmax(log_prior(house, np.array(grid))))
    order = sorted(range(len(grid)), key=lambda k: abs(k - middle))
    for k in order:
        near = [found[j] for j in (k - 1, k + 1) if 0 <= j < len(grid)]
        starts = [p.x for p in near if p is not None]
        if k == middle or not starts or abs(k - middle) % 3 == 0:
            for soc in STARTS:
                x = base.copy()
                x[0] = soc
                starts.append(x)
        for x in starts:
            found[k] = _better(found[k], fit_at(problem, grid[k], x))
    done = [p for p in found if p is not None]
    for sweep in (range(1, len(done)), range(len(done) - 2, -1, -1)):
        shift = -1 if sweep.step > 0 else 1
        for k in sweep:
            fit = fit_at(problem, grid[k], done[k + shift].x)
            done[k] = _better(done[k], fit)
    return done


def _refine(problem: Problem, house: House, points: list[Point]) -> list[Point]:
    """Fit between the neighbours of the best while the posterior is narrower."""
    for _ in range(2):
        points = sorted(points, key=lambda p: p.capacity)
        size = np.array([p.capacity for p in points])
        score = np.array([p.evidence for p in points]) + log_prior(house, size)
        best = int(np.argmax(score))
        for j in (best - 1, best + 1):
            if 0 <= j < len(points):
                half = 0.5 * (points[best].capacity + points[j].capacity)
                one = fit_at(problem, half, points[best].x)
                points.append(_better(one, fit_at(problem, half, points[j].x)))
    return sorted(points, key=lambda p: p.capacity)


def weigh(problem: Problem, house: House) -> Mixture:
    """
    Fit at many capacities and weigh them.

    Parameters
    ----------
    problem : Problem
        One trip ready to be fitted.
    house : House
        The house battery.

    Returns
    -------
    mixture : Mixture
        Interpolated between the fits onto a fine grid of capacities.

    References
    ----------
    .. [1] H. Rue, S. Martino, N. Chopin, "Approximate Bayesian inference for latent
       Gaussian models by using integrated nested Laplace approximations", J. R.
       Statist. Soc. B 71 (2009) 319; from memory.
    """
    problem = _tuned(problem, house)
    points = _refine(problem, house, _sweep(problem, house))
    size = np.array([p.capacity for p in points])
    evidence = np.array([_support(p, problem.kind_name) for p in points])
    fine = np.linspace(size[0], size[-1], FINE)
    score = np.interp(fine, size, evidence) + log_prior(house, fine)
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    keep = weight > KEEP * weight.max()
    fine, weight = fine[keep], weight[keep] / weight[keep].sum()
    mean, std, chosen = [], [], []
    tracks = [_track(problem, p) for p in points]
    for c in fine:
        k = int(np.clip(np.searchsorted(size, c) - 1, 0, len(size) - 2))
        t = float((c - size[k]) / (size[k + 1] - size[k]))
        mean.append((1.0 - t) * tracks[k][0] + t * tracks[k + 1][0])
        std.append((1.0 - t) * tracks[k][1] + t * tracks[k + 1][1])
        chosen.append(points[k] if t < 0.5 else points[k + 1])
    return Mixture(
        capacity=fine,
        weight=weight,
        mean=np.stack(mean),
        std=np.stack(std),
        points=tuple(chosen),
        best=chosen[int(np.argmax(weight))],
    )


def _track(problem: Problem, point: Point) -> tuple[FloatArray, FloatArray]:
    soc, rows = soc_of(problem, point.x, point.capacity)
    variance = np.einsum("ij,ij->i", rows @ point.covariance, rows)
    return soc, np.sqrt(np.maximum(variance, 0.0))


def normal_share(z: FloatArray) -> FloatArray:
    """
    Give the share of a Gaussian below z, to 2e-4.

    Parameters
    ----------
    z : (n,) float64
        Standard deviations from the mean. [1]

    Returns
    -------
    share : (n,) float64
        Between 0 and 1. [1]

    References
    ----------
    .. [1] Logistic approximation of the normal distribution; from memory, checked
       against erf in the tests.
    """
    bounded = np.clip(z, -8.0, 8.0)
    out: FloatArray = 1.0 / (
        1.0 + np.exp(-bounded * (1.5976 + 0.070565992 * bounded**2))
    )
    return out


def quantile(
    weight: FloatArray, mean: FloatArray, std: FloatArray, share: float
) -> FloatArray:
    """
    Give a quantile of a mixture of Gaussians at each grid point.

    Parameters
    ----------
    weight : (c,) float64
        Sums to 1.
    mean, std : (c, n) float64
        Of each part.
    share : float
        Between 0 and 1. [1]

    Returns
    -------
    value : (n,) float64
        Found by halving.

    References
    ----------
    .. [1] Bisection.
    """
    low = np.min(mean - 6.0 * std, axis=0)
    high = np.max(mean + 6.0 * std, axis=0)
    for _ in range(18):
        half = 0.5 * (low + high)
        below = weight @ normal_share((half - mean) / std) < share
        low, high = np.where(below, half, low), np.where(below, high, half)
    out: FloatArray = 0.5 * (low + high)
    return out
