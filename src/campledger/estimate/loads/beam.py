"""
The hypotheses of the joint decoding, and how a step moves and sorts them.

Every hypothesis is a linear system: powers of the loads that are on with their joint
covariance, the time since each was switched, and a score. All arrays have the
hypothesis first, so that a whole beam is moved at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from campledger.estimate.loads.tables import CHANGED, SWITCHED, WANDERED

if TYPE_CHECKING:
    from campledger.estimate.loads.moves import Picked
    from campledger.model.series import BoolArray, FloatArray

IntArray: TypeAlias = NDArray[np.int64]

SAME_SET = 4
"""Hypotheses kept of one set of running loads. Common practice, no source."""
WAITING = 12
"""Candidates looked at for each place in the beam. Common practice, no source."""
SCORE_GAP = 30.0
"""Hypotheses this far behind the best are dropped. Common practice, no source."""
FREEDOM = 4.0
"""Degrees of freedom of a misfit: heavy tails, so that one odd level ends nothing.
Common practice, no source."""
STAY_POSITIVE = 0.5
"""Running loads use at least this, W. Common practice, no source."""


@dataclass(kw_only=True)
class State:
    """
    Hypotheses (k): powers ``x`` (k, n) W, covariance ``p``, ``on``, ``since`` s.

    ``last`` W at which each load's last run ended, NaN before; ``ground`` W at which
    its present run began; ``score`` (k,).
    """

    x: FloatArray
    p: FloatArray
    on: BoolArray
    since: FloatArray
    last: FloatArray
    ground: FloatArray
    score: FloatArray

    def take(self, pick: IntArray) -> State:
        """Copy some hypotheses."""
        return State(**{n: getattr(self, n)[pick] for n in State.__dataclass_fields__})

    def join(self, other: State) -> State:
        """Put two beams together."""
        return State(
            **{
                n: np.concatenate((getattr(self, n), getattr(other, n)))
                for n in State.__dataclass_fields__
            }
        )

    def masks(self) -> IntArray:
        """Give the set of running loads of each as bits."""
        return np.asarray((self.on * (1 << np.arange(self.on.shape[1]))).sum(axis=1))


def fit(mean: FloatArray, spread: FloatArray, level: float, var: float) -> FloatArray:
    """
    Score an observed level: a heavy-tailed normal.

    Parameters
    ----------
    mean, spread : (c,) float64
        Expected sum (W) and its variance.
    level, var : float
        Observed (W) and its variance.

    Returns
    -------
    score : (c,) float64
        Log density but for a constant.

    References
    ----------
    .. [1] Student's t. Common practice, no source.
    """
    total = spread + var
    square = (level - mean) ** 2 / total
    score: FloatArray = -0.5 * (FREEDOM + 1) * np.log1p(square / FREEDOM) - 0.5 * (
        np.log(total)
    )
    return score


def apply(state: State, moves: Picked, time: float, score: FloatArray) -> State:
    """
    Carry out the picked moves.

    Parameters
    ----------
    state : State
        The beam.
    moves : Picked
        What to do, and to which hypothesis.
    time : float
        When. [s]
    score : (c,) float64
        Of the new hypotheses.

    Returns
    -------
    new : State
        One hypothesis for each.

    References
    ----------
    Common practice, no source.
    """
    new = state.take(moves.parent)
    new.score = score
    n = new.x.shape[1]
    off = (moves.off[:, None] >> np.arange(n)) & 1 > 0
    kind, load, level, var = moves.kind, moves.load, moves.level, moves.var
    for_good = off & (kind != CHANGED)[:, None]
    new.last = np.where(for_good & new.on, new.x, new.last)
    new.since = np.where(for_good, time, new.since)
    new.on = new.on & ~for_good
    new.x = np.where(off, 0.0, new.x)
    keep = ~off
    new.p = new.p * (keep[:, :, None] & keep[:, None, :])
    h = np.flatnonzero((load >= 0) & (kind != WANDERED))
    new.x[h, load[h]] = level[h]
    new.p[h, load[h], load[h]] = var[h]
    fresh = h[kind[h] == SWITCHED]
    new.on[fresh, load[fresh]] = True
    new.since[fresh, load[fresh]] = time
    new.ground[fresh, load[fresh]] = level[fresh]
    w = np.flatnonzero(kind == WANDERED)
    new.p[w, load[w], load[w]] += var[w]
    return new


def observe(state: State, level: float, var: float) -> None:
    """
    Update powers with the level of the sum, in place.

    Parameters
    ----------
    state : State
        The beam.
    level, var : float
        Observed (W) and its variance.

    References
    ----------
    .. [1] Kalman, J. Basic Eng. 82 (1960) 35. From memory.
    """
    row = state.p.sum(axis=2)
    gain = row / (row.sum(axis=1) + var)[:, None]
    miss = level - state.x.sum(axis=1)
    state.x = state.x + gain * miss[:, None]
    state.p = state.p - gain[:, :, None] * row[:, None, :]
    short = np.where(state.on, np.maximum(STAY_POSITIVE - state.x, 0.0), 0.0)
    short[:, 0] = 0.0
    state.score = state.score - (short**2).sum(axis=1)


def sets_after(state: State, moves: Picked) -> IntArray:
    """
    Give the sets of running loads after each move, as bits.

    Parameters
    ----------
    state : State
        The beam.
    moves : Picked
        Its candidates.

    Returns
    -------
    masks : (c,) int64
        Bits by load.

    References
    ----------
    Common practice, no source.
    """
    masks = state.masks()[moves.parent]
    plain = moves.kind == SWITCHED
    masks = np.where(plain, masks & ~moves.off, masks)
    add = np.where(plain & (moves.load >= 0), 1 << np.maximum(moves.load, 0), 0)
    return np.asarray(masks | add)


def best_first(scores: FloatArray, most: int) -> IntArray:
    """
    Sort the best candidates.

    Parameters
    ----------
    scores : (c,) float64
        Log scores.
    most : int
        How many at most.

    Returns
    -------
    order : (k,) int64
        Indices, best first, none hopelessly behind.

    References
    ----------
    Common practice, no source.
    """
    if len(scores) <= most:
        order = np.argsort(-scores, kind="stable")
    else:
        few = np.sort(np.argpartition(-scores, most)[:most])
        order = few[np.argsort(-scores[few], kind="stable")]
    return np.asarray(order[scores[order] > scores[order[0]] - SCORE_GAP])


def thin(masks: IntArray, beam: int) -> IntArray:
    """
    Keep the best, few of any one set of running loads.

    Parameters
    ----------
    masks : (c,) int64
        Sets as bits, best first.
    beam : int
        How many.

    Returns
    -------
    keep : (k,) int64
        Indices, best first.

    References
    ----------
    Common practice, no source.
    """
    by = np.argsort(masks, kind="stable")
    ranked = masks[by]
    start = np.concatenate(([True], ranked[1:] != ranked[:-1]))
    place = np.arange(len(by))
    rank = place - np.maximum.accumulate(np.where(start, place, 0))
    keep = np.zeros(len(by), dtype=bool)
    keep[by] = rank < SAME_SET
    return np.flatnonzero(keep)[:beam]


def prune(scores: FloatArray, masks: IntArray, beam: int) -> IntArray:
    """
    Keep the best, few of any one set of running loads.

    Parameters
    ----------
    scores : (c,) float64
        Log scores.
    masks : (c,) int64
        Sets as bits.
    beam : int
        How many.

    Returns
    -------
    keep : (k,) int64
        Indices, best first.

    References
    ----------
    Common practice, no source.
    """
    order = best_first(scores, WAITING * beam)
    return np.asarray(order[thin(masks[order], beam)])
