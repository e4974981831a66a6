"""
How sure a name is: what each run would have been worth to the other loads.

A small share left over does not prove the names right. So every run is asked which
other load could have made it; intervals and groups come from the answers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.habits import DAY, LoadModel, log_density
from campledger.estimate.loads.moves import BACK

if TYPE_CHECKING:
    from campledger.estimate.loads.decode import Conditions
    from campledger.estimate.loads.learn import Run
    from campledger.model.series import BoolArray, FloatArray

TEMPER = 0.5
"""Log-odds are worth this share of what the models claim, because the models are only
habits. Common practice, no source."""
ALIKE = 0.30
"""Two loads are one group when this share of their energy could be either's. Common
practice, no source."""
ALIKE_SMALLER, ALIKE_USE, ALIKE_LEAST = 0.55, 0.025, 0.02
"""They are one group too when this share of the smaller one, and of all use, could be
either's, if the smaller one is at least the last share of all use. Common practice, no
source; set on trips with known truth."""
TOGETHER = 0.5
"""Share of the doubt that is common to all runs. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Confusion:
    """
    Doubt about names, W.h.

    ``less``, ``more`` (n,) standard deviations down and up; ``shared`` (n, n) energy of
    runs of the row's load that could be the column's.
    """

    less: FloatArray
    more: FloatArray
    shared: FloatArray


def claim(model: LoadModel, run: Run, hour: int) -> float:
    """
    Say how well a run suits a load.

    Parameters
    ----------
    model : LoadModel
        The load.
    run : Run
        The run.
    hour : int
        Local hour at its start.

    Returns
    -------
    log_likelihood : float
        Rate, level, duration and surge together.

    References
    ----------
    Common practice, no source.
    """
    level = max(run.level, 0.1)
    z = (level - model.mean) / model.std
    terms = model.log_weight - 0.5 * z**2 - np.log(model.std)
    value = float(np.logaddexp.reduce(terms))
    if model.cycles:
        value += float(np.log(24.0 / DAY))
    else:
        value += float(np.log(model.rate * model.by_hour[hour]))
    if not run.open_end:
        value += log_density(
            run.end - run.begin, model.off_log_hazard, model.off_hazard_sum
        )
    surge = float(np.clip(model.surge, 0.01, 0.97))
    return value + float(np.log(surge if run.surge else 1 - surge))


def claim_within(model: LoadModel, run: Run) -> float:
    """
    Say how well a run suits what is plugged into an inverter that idles all the while.

    Parameters
    ----------
    model : LoadModel
        The inverter.
    run : Run
        The run.

    Returns
    -------
    log_likelihood : float
        A change of level and the change back.

    References
    ----------
    Common practice, no source.
    """
    level = max(run.level, 0.1)
    z = (level - model.change_mean) / model.change_std
    terms = model.change_log_weight - 0.5 * z**2 - np.log(model.change_std)
    value = float(np.logaddexp.reduce(terms)) + 2 * float(np.log(model.changes))
    return value - model.changes * (run.end - run.begin) + float(np.log(BACK))


def doubt(
    models: list[LoadModel], runs: list[Run], around: Conditions, on: BoolArray
) -> Confusion:
    """
    Work out the doubt about the names of all runs.

    Parameters
    ----------
    models : list of LoadModel
        Standing draw first.
    runs : list of Run
        All runs.
    around : Conditions
        Hours of the day.
    on : (k, n) bool
        Which loads run in each stretch.

    Returns
    -------
    confusion : Confusion
        In W.h.

    Notes
    -----
    Posterior of each run among the loads that were off during it, with tempered odds.

    References
    ----------
    Common practice, no source.
    """
    n = len(models)
    shared = np.zeros((n, n))
    own, other = np.zeros(n), np.zeros(n)
    for run in runs:
        energy = run.level * (run.end - run.begin) / 3600.0
        hour = int(around.hour[run.first])
        busy = on[run.first : run.last].mean(axis=0) > 0.1
        claims = np.full(n, -np.inf)
        for i in range(1, n):
            if i == run.load or not busy[i]:
                claims[i] = TEMPER * claim(models[i], run, hour)
            elif models[i].kind == "inverter":
                claims[i] = TEMPER * claim_within(models[i], run)
        chance = np.exp(claims - claims.max())
        chance = chance / chance.sum()
        shared[run.load] += energy * chance
        own[run.load] += energy**2 * chance[run.load] * (1 - chance[run.load])
        rest = energy**2 * chance * (1 - chance)
        rest[run.load] = 0.0
        other += rest
    np.fill_diagonal(shared, 0.0)
    lost, gained = shared.sum(axis=1), shared.sum(axis=0)
    less = np.sqrt(own * (1 - TOGETHER) + (TOGETHER * lost) ** 2)
    more = np.sqrt(other * (1 - TOGETHER) + (TOGETHER * gained) ** 2)
    return Confusion(less=less, more=more, shared=shared)


def group_alike(shared: FloatArray, energy: FloatArray) -> list[list[int]]:
    """
    Group the loads that cannot be told apart.

    Parameters
    ----------
    shared : (n, n) float64
        Energy that could be another load's (W.h).
    energy : (n,) float64
        Energy of each load (W.h).

    Returns
    -------
    groups : list of list of int
        Each of two or more loads, without the standing draw and the unknown use.

    References
    ----------
    Common practice, no source.
    """
    n, total = len(energy), float(np.sum(energy))
    group = list(range(n))
    for a in range(1, n - 1):
        for b in range(a + 1, n - 1):
            small, both = min(energy[a], energy[b]), energy[a] + energy[b]
            mixed = shared[a, b] + shared[b, a]
            alike = small > 0 and mixed > ALIKE * both
            much = mixed > max(ALIKE_SMALLER * small, ALIKE_USE * total)
            if alike or (much and small > ALIKE_LEAST * total):
                old, new = group[b], group[a]
                group = [new if g == old else g for g in group]
    found = [[i for i in range(n) if group[i] == g] for g in sorted(set(group))]
    return [g for g in found if len(g) > 1]
