"""
Joint decoding over time: which load switched at which step.

Every step may be a load switched on or off, a change of level, two at once, everything
off, or nothing; durations are explicit; between steps powers drift.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from campledger.estimate.loads.beam import (
    WAITING,
    IntArray,
    State,
    apply,
    best_first,
    fit,
    observe,
    prune,
    sets_after,
    thin,
)
from campledger.estimate.loads.drift import SOURCE_LEAK, calm_and_wild
from campledger.estimate.loads.moves import At, Moves, Picked
from campledger.estimate.loads.tables import CHANGED, WANDERED, Tables

if TYPE_CHECKING:
    from campledger.estimate.loads.habits import LoadModel
    from campledger.estimate.loads.segments import Segments
    from campledger.model.series import BoolArray, FloatArray

BEAM = 48
PAIR_PARENTS = 8
PAIR_FIRSTS = 400
PAIR_COST = 2.0
"""Two events at one step cost this besides. Common practice, no source."""
MISFIT = 12.0
"""A squared normalised misfit above this calls for two events at once. Common practice,
no source."""
MISFIT_SLOW = 5.0
SLOW = 20.0
"""Readings further apart than this may hide two events in one step, s. Common practice,
no source."""
LOG_STEADY, LOG_LOOSE = float(np.log(0.7)), float(np.log(0.3))
"""Chance that a stretch is steady or wanders. Common practice, no source."""
OPENING = 600.0
"""At the beginning loads are taken to have been switched this long ago, s. Common
practice, no source."""
BASE_VAR = 4.0
"""Of the first guess of the standing draw, W squared. Common practice, no source."""
DUTY_CYCLES, DUTY_LEAST, DUTY_MOST = 0.35, 0.01, 0.30
"""Chance that a load is on as the record begins. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """
    What surrounds each stretch, arrays (k,).

    ``volts_change`` relative change of volts over it; ``source_change`` W by which the
    sources changed over it, ``source_step`` W into it; ``hour`` of local day;
    ``restart`` marks a stretch that may be the return of power after a cut-off.
    """

    volts_change: FloatArray
    source_change: FloatArray
    source_step: FloatArray
    hour: IntArray
    restart: BoolArray


@dataclass(frozen=True, kw_only=True)
class Event:
    """What happened at the beginning of a stretch; loads by index."""

    segment: int
    off: tuple[int, ...]
    on: tuple[tuple[int, float, float], ...]
    changed: bool = False
    wandered: int = -1


@dataclass(frozen=True, kw_only=True)
class Decoded:
    """The best story: events, and (load, W, variance) on at the start."""

    events: tuple[Event, ...]
    initial: tuple[tuple[int, float, float], ...]


Record: TypeAlias = "tuple[IntArray, FloatArray, FloatArray | None]"


def _start(tab: Tables, base: float, time: float) -> State:
    """Open with every set of up to three running loads."""
    n = tab.n
    duty = np.clip(tab.rate * 5400.0, DUTY_LEAST, DUTY_MOST)
    duty[tab.cycles] = DUTY_CYCLES
    loads = range(1, n - 1)
    sets = [c for size in range(4) for c in combinations(loads, size)]
    k = len(sets)
    x, p = np.zeros((k, n)), np.zeros((k, n, n))
    on = np.zeros((k, n), dtype=bool)
    weight = np.exp(tab.plain_weight)
    weight = weight / weight.sum(axis=1, keepdims=True)
    mean = (weight * tab.mean).sum(axis=1)
    var = (weight * (tab.var + tab.mean**2)).sum(axis=1) - mean**2
    x[:, 0], p[:, 0, 0], on[:, 0] = base, BASE_VAR, True
    for h, chosen in enumerate(sets):
        for i in chosen:
            x[h, i], p[h, i, i], on[h, i] = mean[i], var[i], True
    some = on[:, 1:]
    score = np.where(some, np.log(duty[1:]), np.log1p(-duty[1:])).sum(axis=1)
    return State(
        x=x,
        p=p,
        on=on,
        since=np.full((k, n), time - OPENING),
        last=np.full((k, n), np.nan),
        ground=x.copy(),
        score=score,
    )


def _advance(
    state: State,
    tab: Tables,
    span: tuple[float, float],
    hour: int,
    volts_change: float,
    source_change: float,
) -> FloatArray:
    """Let time pass: survival of every state, drift of every power; give the wild."""
    begin, end = span
    duration = end - begin
    age = np.maximum(begin - state.since, 0.0)
    sooner, later = tab.place(age), tab.place(age + duration)
    stay_on = tab.at(tab.off_sum, later) - tab.at(tab.off_sum, sooner)
    cycle = tab.at(tab.on_sum, later) - tab.at(tab.on_sum, sooner)
    stay_off = np.where(tab.cycles, cycle, tab.rate * tab.by_hour[:, hour] * duration)
    cost = np.where(state.on, stay_on + tab.changes * duration, stay_off)
    state.score = state.score - cost[:, 1:].sum(axis=1)
    state.x = state.x * (1 + tab.volts * volts_change)
    calm, wild = calm_and_wild(
        state.x, age, tab.wander, duration, volts_change, source_change
    )
    state.p[:, tab.index, tab.index] += np.where(state.on, calm, 0.0)
    return np.where(state.on, wild, 0.0)


def _settle(
    state: State, tab: Tables, wild: FloatArray, level: float, var: float
) -> None:
    """Score a stretch's end: each hypothesis is steady or wanders, as fits better."""
    mean, spread = state.x.sum(axis=1), state.p.sum(axis=(1, 2))
    steady = fit(mean, spread, level, var) + LOG_STEADY
    loose = fit(mean, spread + wild.sum(axis=1), level, var) + LOG_LOOSE
    free = loose > steady
    state.p[:, tab.index, tab.index] += np.where(free[:, None], wild, 0.0)
    state.score = state.score + np.maximum(steady, loose)
    observe(state, level, var)


def _choose(
    state: State, moves: Moves, prior: FloatArray, at: At, beam: int
) -> tuple[Picked, FloatArray]:
    """Pick the moves that come into the beam, best first, with their scores."""
    score = (prior[:, None] + moves.gain).ravel()
    score += fit(moves.mean, moves.spread, at.level, at.var).ravel()
    order = best_first(score, WAITING * beam)
    picked = moves.pick(order)
    keep = thin(sets_after(state, picked), beam)
    return picked.take(keep), score[order[keep]]


def _expand(state: State, tab: Tables, at: At, beam: int) -> tuple[State, Record]:
    """Try every move at a step, pairs where single ones fit badly."""
    moves = Moves(state, tab, at)
    picked, score = _choose(state, moves, state.score, at, beam)
    single = apply(state, picked, at.time, score)
    mean, spread = float(single.x[0].sum()), float(single.p[0].sum())
    miss = (at.level - mean) ** 2 / (spread + at.var)
    limit = MISFIT if at.width < SLOW else MISFIT_SLOW
    # a use in no listed load is believed only after two listed ones were tried
    listed = picked.load[0] != tab.n - 1
    if miss < limit and listed and not at.pairs:
        return single, (picked.parent, picked.pack(), None)
    double, parent, first, last = _pairs(state, tab, at, beam)
    blank = np.zeros((len(picked.parent), 5))
    blank[:, 1] = -1
    both = single.join(double)
    final = prune(both.score, both.masks(), beam)
    parents = np.concatenate((picked.parent, parent))
    firsts = np.concatenate((blank, first))
    lasts = np.concatenate((picked.pack(), last))
    return both.take(final), (parents[final], lasts[final], firsts[final])


def _pairs(
    state: State, tab: Tables, at: At, beam: int
) -> tuple[State, IntArray, FloatArray, FloatArray]:
    """Two events at one step: a first move unseen, a second that is seen."""
    few = np.argsort(-state.score)[:PAIR_PARENTS]
    half = state.take(few)
    ones = Moves(half, tab, replace(at, surge=0))
    table = half.score[:, None] + ones.gain - PAIR_COST
    table[:, ones.unreal] = -np.inf
    prior = table.ravel()
    real = best_first(prior, PAIR_FIRSTS)
    first = ones.pick(real)
    middle = apply(half, first, at.time, prior[real])
    twos = Moves(middle, tab, at)
    second, score = _choose(middle, twos, middle.score, at, beam)
    double = apply(middle, second, at.time, score)
    one = first.take(second.parent)
    return double, few[one.parent], one.pack(), second.pack()


def decode(
    models: list[LoadModel],
    segments: Segments,
    around: Conditions,
    *,
    step: float,
    base: float,
    beam: int = BEAM,
) -> Decoded:
    """
    Find the most likely story of all loads together.

    Parameters
    ----------
    models : list of LoadModel
        Standing draw first, the unknown use last.
    segments : Segments
        Level stretches.
    around : Conditions
        What surrounds them.
    step : float
        Time within which two events count as one step. [s]
    base : float
        First guess of the standing draw as the shunts read it. [W]
    beam : int, optional
        Hypotheses kept.

    Returns
    -------
    decoded : Decoded
        Of the best hypothesis.

    References
    ----------
    .. [1] Beam search over a factorial, explicit-duration (semi-Markov) switching
       linear system; Kalman update. Common practice, no source.
    """
    tab = Tables(models)
    first = _start(tab, base, float(segments.begin[0]))
    level, var = float(segments.level_begin[0]), float(segments.var_begin[0])
    sums, spread = first.x.sum(axis=1), first.p.sum(axis=(1, 2))
    score = first.score + fit(sums, spread, level, var)
    origin = prune(score, first.masks(), beam)
    state = first.take(origin)
    state.score = score[origin]
    observe(state, level, var)
    history: list[Record] = []
    for s in range(len(segments)):
        hour = int(around.hour[s])
        if s > 0:
            at = _look_at(segments, around, s, step)
            gap = max(at.time - float(segments.end[s - 1]), 0.0)
            if gap > 0:
                wild = _advance(
                    state,
                    tab,
                    (at.time - gap, at.time),
                    hour,
                    0.0,
                    float(around.source_step[s]),
                )
                if segments.hole[s]:
                    state.p[:, tab.index, tab.index] += wild
            else:
                state.p[:, 0, 0] += (SOURCE_LEAK * float(around.source_step[s])) ** 2
            state, record = _expand(state, tab, at, beam)
            history.append(record)
            observe(state, at.level, at.var)
        wild = _advance(
            state,
            tab,
            (float(segments.begin[s]), float(segments.end[s])),
            hour,
            float(around.volts_change[s]),
            float(around.source_change[s]),
        )
        _settle(
            state, tab, wild, float(segments.level_end[s]), float(segments.var_end[s])
        )
        state.score = state.score - state.score.max()
    return _backtrace(history, int(np.argmax(state.score)), first.take(origin))


def _look_at(segments: Segments, around: Conditions, s: int, step: float) -> At:
    time = float(segments.begin[s])
    hole, restart = bool(segments.hole[s]), bool(around.restart[s])
    gap = max(time - float(segments.end[s - 1]), 0.0)
    return At(
        time=time,
        hour=int(around.hour[s]),
        width=max(step, gap) if hole else step,
        level=float(segments.level_begin[s]),
        var=float(segments.var_begin[s]),
        surge=int(segments.surge[s] > 0),
        pairs=hole or restart or step > SLOW,
        restart=restart,
    )


def _event(s: int, rows: list[FloatArray], n: int) -> Event:
    off: list[int] = []
    on: list[tuple[int, float, float]] = []
    changed, wandered = False, -1
    for row in rows:
        bits, load, kind = int(row[0]), int(row[1]), int(row[4])
        off += [i for i in range(n) if bits >> i & 1]
        if kind == WANDERED:
            wandered = load
        elif load >= 0:
            on.append((load, float(row[2]), float(row[3])))
        changed = changed or kind == CHANGED
    return Event(
        segment=s, off=tuple(off), on=tuple(on), changed=changed, wandered=wandered
    )


def _backtrace(history: list[Record], best: int, first: State) -> Decoded:
    n = first.x.shape[1]
    events = []
    at = best
    for s in range(len(history), 0, -1):
        parent, last, before = history[s - 1]
        rows = [last[at]] if before is None else [before[at], last[at]]
        event = _event(s, rows, n)
        if event.off or event.on or event.wandered >= 0:
            events.append(event)
        at = int(parent[at])
    initial = tuple(
        (i, float(first.x[at, i]), float(first.p[at, i, i]))
        for i in range(n)
        if first.on[at, i]
    )
    return Decoded(events=tuple(events[::-1]), initial=initial)
