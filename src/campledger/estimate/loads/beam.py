"""
The hypotheses of the joint decoding, and what may happen to them at a step.

Every hypothesis is a linear system: powers of the loads that are on with their joint
covariance, the time since each was switched, and a score. All arrays have the
hypothesis first, so that a whole beam is moved at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from campledger.estimate.loads.tables import Tables
    from campledger.model.series import BoolArray, FloatArray

IntArray: TypeAlias = NDArray[np.int64]

SAME_SET = 4
"""Hypotheses kept of one set of running loads. Common practice, no source."""
SCORE_GAP = 30.0
"""Hypotheses this far behind the best are dropped. Common practice, no source."""
FREEDOM = 4.0
"""Degrees of freedom of a misfit: heavy tails, so that one odd level ends nothing.
Common practice, no source."""
ALL_OFF_COST = 9.0
"""Everything off at once: a cut-off. Common practice, no source."""
NO_SURGE = 0.03
"""Chance of a surge where nothing started. Common practice, no source."""
WANDER_STEP = 0.2
"""A wandering load may jump by this share. Common practice, no source."""
BACK = 0.3
"""Chance that a change of level goes back to where the run began. Common practice, no
source."""
STAY_POSITIVE = 0.5
"""Running loads use at least this, W. Common practice, no source."""

FADED = 0.75
LOG_FULL, LOG_FADED = float(np.log(0.4)), float(np.log(1.6))
"""A charger seldom ends above this share of where it began. Common practice, no
source."""

NOTHING, SWITCHED, CHANGED, WANDERED = 0, 1, 2, 3


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


@dataclass(frozen=True, kw_only=True)
class Moves:
    """
    Candidate moves, arrays (c,).

    ``parent`` hypothesis; ``off`` loads switched off as bits; ``load`` switched on or
    changed, -1 none; its ``level`` and ``var``; ``kind``; ``mean`` and ``spread`` of
    the sum after it; ``gain`` its prior log chance.
    """

    parent: IntArray
    off: IntArray
    load: IntArray
    level: FloatArray
    var: FloatArray
    kind: IntArray
    mean: FloatArray
    spread: FloatArray
    gain: FloatArray

    def pack(self, pick: IntArray) -> FloatArray:
        """Keep what is needed to tell the story, (c, 5)."""
        parts = (self.off, self.load, self.level, self.var, self.kind)
        return np.stack([v[pick].astype(np.float64) for v in parts], axis=1)


class _Lister:
    """Collects the moves of a whole beam."""

    def __init__(
        self, state: State, tab: Tables, time: float, hour: int, step: float, surge: int
    ) -> None:
        self.state, self.tab = state, tab
        self.k, self.n = state.x.shape
        self.surge, self.hour, self.log_step = surge, hour, float(np.log(step))
        self.total = state.x.sum(axis=1)
        self.row = state.p.sum(axis=2)
        self.spread = self.row.sum(axis=1)
        self.own = np.diagonal(state.p, axis1=1, axis2=2)
        self.age = time - state.since
        quiet = tab.log_surge[0].max() if surge == 0 else np.log(NO_SURGE)
        self.quiet = float(quiet)
        shape = (self.k, self.n)
        self.people = np.broadcast_to(np.arange(self.k)[:, None], shape)
        self.loads = np.broadcast_to(tab.index[None, :], shape)
        self.off_mean = self.total[:, None] - state.x
        off_spread = self.spread[:, None] - 2 * self.row + self.own
        self.off_spread = np.maximum(off_spread, 0.0)
        self.parts: list[list[NDArray[np.generic]]] = []

    def add(self, mask: BoolArray, *columns: object) -> None:
        """Add the moves where the mask is True; columns broadcast to it."""
        self.parts.append(
            [np.broadcast_to(np.asarray(v), mask.shape)[mask] for v in columns]
        )

    def nothing_and_off(self) -> None:
        state, tab = self.state, self.tab
        every = np.arange(self.k)
        none = np.ones(self.k, dtype=bool)
        self.add(
            none, every, 0, -1, 0.0, 0.0, NOTHING, self.total, self.spread, self.quiet
        )
        may = state.on & (tab.index > 0)
        gain = tab.look(tab.off_log, self.age) + self.log_step + self.quiet
        full = tab.fades & (state.x > FADED * state.ground)
        gain = gain + np.where(full, LOG_FULL, np.where(tab.fades, LOG_FADED, 0.0))
        self.add(
            may,
            self.people,
            1 << self.loads,
            -1,
            0.0,
            0.0,
            SWITCHED,
            self.off_mean,
            self.off_spread,
            gain,
        )
        bits = (may * (1 << tab.index)).sum(axis=1)
        self.add(
            may.sum(axis=1) > 1,
            every,
            bits,
            -1,
            0.0,
            0.0,
            SWITCHED,
            state.x[:, 0],
            self.own[:, 0],
            self.log_step - ALL_OFF_COST,
        )

    def switched_on(self) -> None:
        state, tab = self.state, self.tab
        may = ~state.on & (tab.index > 0)
        rate = tab.on_rate(self.age, self.hour) + self.log_step
        rate = rate + tab.log_surge[self.surge]
        known = np.isfinite(state.last)
        last = np.where(known, state.last, 1.0)
        var = (tab.same_std * last) ** 2 + 0.25
        self.add(
            may & known,
            self.people,
            0,
            self.loads,
            last,
            var,
            SWITCHED,
            self.total[:, None] + last,
            self.spread[:, None] + var,
            rate + tab.log_same,
        )
        # before a first run there is no last one: the other levels share its chance
        gain = (rate + np.where(known, 0.0, -tab.no_same))[:, :, None] + tab.log_weight
        self.add(
            may[:, :, None] & np.isfinite(tab.log_weight),
            self.people[:, :, None],
            0,
            self.loads[:, :, None],
            tab.mean,
            tab.var,
            SWITCHED,
            self.total[:, None, None] + tab.mean,
            self.spread[:, None, None] + tab.var,
            gain,
        )

    def changed(self) -> None:
        state, tab = self.state, self.tab
        may = state.on & (tab.changes > 0)
        rate = tab.log_changes + self.log_step + self.quiet
        gain = (rate + np.log(1 - BACK))[:, None] + tab.change_weight
        self.add(
            may[:, :, None] & np.isfinite(tab.change_weight),
            self.people[:, :, None],
            1 << self.loads[:, :, None],
            self.loads[:, :, None],
            tab.change_mean,
            tab.change_var,
            CHANGED,
            self.off_mean[:, :, None] + tab.change_mean,
            self.off_spread[:, :, None] + tab.change_var,
            gain,
        )
        back = may & (np.abs(state.ground - state.x) > 1.0)
        var = (0.04 * state.ground) ** 2 + 0.25
        self.add(
            back,
            self.people,
            1 << self.loads,
            self.loads,
            state.ground,
            var,
            CHANGED,
            self.off_mean + state.ground,
            self.off_spread + var,
            (rate + np.log(BACK))[None, :],
        )
        jump = (WANDER_STEP * state.x) ** 2 + 0.25
        self.add(
            may,
            self.people,
            0,
            self.loads,
            0.0,
            jump,
            WANDERED,
            self.total[:, None],
            self.spread[:, None] + jump,
            rate[None, :],
        )


def list_moves(
    state: State, tab: Tables, *, time: float, hour: int, step: float, surge: int
) -> Moves:
    """
    List every single move of every hypothesis with its prior chance.

    Parameters
    ----------
    state : State
        The beam.
    tab : Tables
        The loads.
    time : float
        When. [s]
    hour : int
        Local hour.
    step : float
        Time within which events count as one. [s]
    surge : int
        1 if the step overshot.

    Returns
    -------
    moves : Moves
        Nothing, off, everything off, on, changed, wandered.

    References
    ----------
    Common practice, no source.
    """
    lister = _Lister(state, tab, time, hour, step, surge)
    lister.nothing_and_off()
    lister.switched_on()
    lister.changed()
    cols = [np.concatenate(c) for c in zip(*lister.parts, strict=True)]
    ints = [cols[i].astype(np.int64) for i in (0, 1, 2, 5)]
    reals = [cols[i].astype(np.float64) for i in (3, 4, 6, 7, 8)]
    return Moves(
        parent=ints[0],
        off=ints[1],
        load=ints[2],
        kind=ints[3],
        level=reals[0],
        var=reals[1],
        mean=reals[2],
        spread=reals[3],
        gain=reals[4],
    )


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


def apply(
    state: State, moves: Moves, pick: IntArray, time: float, score: FloatArray
) -> State:
    """
    Carry out the picked moves.

    Parameters
    ----------
    state : State
        The beam.
    moves : Moves
        Its candidates.
    pick : (c,) int64
        Which.
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
    new = state.take(moves.parent[pick])
    new.score = score
    n = new.x.shape[1]
    off = (moves.off[pick][:, None] >> np.arange(n)) & 1 > 0
    kind = moves.kind[pick]
    load, level, var = moves.load[pick], moves.level[pick], moves.var[pick]
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


def sets_after(state: State, moves: Moves) -> IntArray:
    """
    Give the sets of running loads after each move, as bits.

    Parameters
    ----------
    state : State
        The beam.
    moves : Moves
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
    order = np.argsort(-scores, kind="stable")[: 12 * beam]
    order = order[scores[order] > scores[order[0]] - SCORE_GAP]
    by = np.argsort(masks[order], kind="stable")
    ranked = masks[order][by]
    start = np.concatenate(([True], ranked[1:] != ranked[:-1]))
    place = np.arange(len(by))
    rank = place - np.maximum.accumulate(np.where(start, place, 0))
    keep = np.zeros(len(by), dtype=bool)
    keep[by] = rank < SAME_SET
    return np.asarray(order[keep][:beam])
