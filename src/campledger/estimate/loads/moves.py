"""
What may happen at a step: every single move of every hypothesis with its chance.

The moves of a hypothesis are columns of one dense table, because the beam is moved at
every step of a trip and a list built anew each time costs more than the sums.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.tables import CHANGED

if TYPE_CHECKING:
    from campledger.estimate.loads.beam import IntArray, State
    from campledger.estimate.loads.tables import Place, Tables
    from campledger.model.series import BoolArray, FloatArray

ALL_OFF_COST = 9.0
"""Everything off at once: a cut-off. Common practice, no source."""
NO_SURGE = 0.03
"""Chance of a surge where nothing started. Common practice, no source."""
WANDER_STEP = 0.2
"""A wandering load may jump by this share. Common practice, no source."""
BACK = 0.3
"""Chance that a change of level goes back to where the run began. Common practice, no
source."""
FADED = 0.75
LOG_FULL, LOG_FADED = float(np.log(0.4)), float(np.log(1.6))
"""A charger seldom ends above this share of where it began. Common practice, no
source."""
LOG_RESTART = float(np.log(0.2))
"""Chance that a load comes back with the power after a cut-off. Common practice, no
source."""
LEVEL_VAR = 0.25
"""Of any level a load goes to, W squared. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class At:
    """
    One step as it was seen.

    ``time`` s, local ``hour``, ``width`` s within which events count as one, ``level``
    W with variance ``var``, ``surge`` 1 if it overshot, ``pairs`` if two events are to
    be tried in any case, ``restart`` after a cut-off.
    """

    time: float
    hour: int
    width: float
    level: float
    var: float
    surge: int
    pairs: bool
    restart: bool = False


@dataclass(frozen=True, kw_only=True)
class Picked:
    """
    Chosen moves, arrays (c,).

    ``parent`` hypothesis; ``off`` loads switched off as bits; ``load`` switched on or
    changed, -1 none; its ``level`` and ``var``; ``kind``.
    """

    parent: IntArray
    off: IntArray
    load: IntArray
    level: FloatArray
    var: FloatArray
    kind: IntArray

    def take(self, pick: IntArray) -> Picked:
        """Copy some."""
        return Picked(
            **{n: getattr(self, n)[pick] for n in Picked.__dataclass_fields__}
        )

    def pack(self) -> FloatArray:
        """Keep what is needed to tell the story, (c, 5)."""
        parts = (self.off, self.load, self.level, self.var, self.kind)
        return np.stack([v.astype(np.float64) for v in parts], axis=1)


class Moves:
    """
    All moves of a beam as a table (k, c): ``gain``, ``mean``, ``spread``.

    Columns by load: nothing (0), off, on as last time, back to where the run began,
    wandered; then everything off, on at a known level, changed to a known level.
    """

    def __init__(self, state: State, tab: Tables, at: At) -> None:
        self.state, self.tab = state, tab
        k, n = state.x.shape
        self.n, self.split = n, 4 * n + 1
        self.width = self.split + len(tab.on_load) + len(tab.change_load)
        self.load_of, self.level_of, self.var_of, self.kind_of = tab.columns
        self.gain = np.empty((k, self.width))
        self.mean = np.empty((k, self.width))
        self.spread = np.empty((k, self.width))
        self.total = state.x.sum(axis=1)
        row = state.p.sum(axis=2)
        self.sum_spread = row.sum(axis=1)
        own = np.einsum("kii->ki", state.p)
        self.off_mean = self.total[:, None] - state.x
        off_spread = self.sum_spread[:, None] - 2 * row + own
        self.off_spread = np.maximum(off_spread, 0.0)
        quiet = tab.log_surge[0].max() if at.surge == 0 else np.log(NO_SURGE)
        self.quiet = float(quiet)
        self.log_step = float(np.log(at.width))
        self.no = np.where(state.on, 0.0, -np.inf)
        self.no[:, 0] = -np.inf
        self.unreal = np.zeros(self.width, dtype=bool)
        self.unreal[0] = True
        self.unreal[3 * n : 4 * n] = True
        age = tab.place(at.time - state.since)
        self._off(age)
        self._all_off(own[:, 0])
        self._on(age, at)
        self._changed()

    def _off(self, age: Place) -> None:
        state, tab, n = self.state, self.tab, self.n
        gain = tab.at(tab.off_log, age) + (self.log_step + self.quiet)
        full = state.x > FADED * state.ground
        gain += np.where(tab.fades, np.where(full, LOG_FULL, LOG_FADED), 0.0)
        self.gain[:, :n] = gain + self.no
        self.mean[:, :n], self.spread[:, :n] = self.off_mean, self.off_spread
        self.gain[:, 0] = self.quiet
        self.mean[:, 0], self.spread[:, 0] = self.total, self.sum_spread

    def _all_off(self, own: FloatArray) -> None:
        c = self.split - 1
        running = (self.no == 0.0).sum(axis=1)
        self.gain[:, c] = np.where(running > 1, self.log_step - ALL_OFF_COST, -np.inf)
        self.mean[:, c], self.spread[:, c] = self.state.x[:, 0], own

    def _on(self, age: Place, at: At) -> None:
        state, tab, n = self.state, self.tab, self.n
        rate = tab.on_rate(age, at.hour)
        rate += self.log_step + tab.log_surge[at.surge]
        if at.restart:
            # what is in no listed load is not known to come back
            rate[:, :-1] = np.maximum(rate[:, :-1], LOG_RESTART)
        rate = np.where(state.on, -np.inf, rate)
        rate[:, 0] = -np.inf
        known = np.isfinite(state.last)
        last = np.where(known, state.last, 1.0)
        part = slice(n, 2 * n)
        self.gain[:, part] = np.where(known, rate + tab.log_same, -np.inf)
        self.mean[:, part] = self.total[:, None] + last
        self.spread[:, part] = self.sum_spread[:, None] + self._last_var(last)
        # before a first run there is no last one: the other levels share its chance
        fresh = rate + np.where(known, 0.0, -tab.no_same)
        part = slice(self.split, self.split + len(tab.on_load))
        self.gain[:, part] = fresh[:, tab.on_load] + tab.on_weight
        self.mean[:, part] = self.total[:, None] + tab.on_mean
        self.spread[:, part] = self.sum_spread[:, None] + tab.on_var

    def _last_var(self, last: FloatArray) -> FloatArray:
        return np.asarray((self.tab.same_std * last) ** 2 + LEVEL_VAR)

    def _changed(self) -> None:
        state, tab, n = self.state, self.tab, self.n
        rate = tab.log_changes + (self.log_step + self.quiet) + self.no
        part = slice(2 * n, 3 * n)
        far = np.abs(state.ground - state.x) > 1.0
        self.gain[:, part] = np.where(far, rate + np.log(BACK), -np.inf)
        self.mean[:, part] = self.off_mean + state.ground
        self.spread[:, part] = self.off_spread + _back_var(state.ground)
        part = slice(3 * n, 4 * n)
        self.gain[:, part] = rate
        self.mean[:, part] = self.total[:, None]
        self.spread[:, part] = self.sum_spread[:, None] + _wander_var(state.x)
        part = slice(self.split + len(tab.on_load), self.width)
        at = tab.change_load
        self.gain[:, part] = (rate + np.log(1 - BACK))[:, at] + tab.change_slot_weight
        self.mean[:, part] = self.off_mean[:, at] + tab.change_slot_mean
        self.spread[:, part] = self.off_spread[:, at] + tab.change_slot_var

    def pick(self, flat: IntArray) -> Picked:
        """Say what the moves at flat places of the table are."""
        state, tab, n = self.state, self.tab, self.n
        parent, column = np.divmod(flat, self.width)
        load, kind = self.load_of[column], self.kind_of[column]
        block = column // n
        level, var = self.level_of[column], self.var_of[column]
        for which, source in ((1, state.last), (2, state.ground), (3, state.x)):
            at = np.flatnonzero(block == which)
            value = source[parent[at], load[at]]
            if which == 1:
                level[at] = value
                var[at] = (tab.same_std[load[at]] * value) ** 2 + LEVEL_VAR
            elif which == 2:
                level[at], var[at] = value, _back_var(value)
            else:
                var[at] = _wander_var(value)
        off = np.where((block == 0) | (kind == CHANGED), 1 << np.maximum(load, 0), 0)
        off[column == 0] = 0
        everything = np.flatnonzero(column == self.split - 1)
        off[everything] = _bits(self.no == 0.0)[parent[everything]]
        load[block == 0] = -1
        return Picked(
            parent=parent, off=off, load=load, level=level, var=var, kind=kind
        )


def _bits(flags: BoolArray) -> IntArray:
    return np.asarray((flags * (1 << np.arange(flags.shape[1]))).sum(axis=1))


def _back_var(ground: FloatArray) -> FloatArray:
    return np.asarray((0.04 * ground) ** 2 + LEVEL_VAR)


def _wander_var(x: FloatArray) -> FloatArray:
    return np.asarray((WANDER_STEP * x) ** 2 + LEVEL_VAR)
