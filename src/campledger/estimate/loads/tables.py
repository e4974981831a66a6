"""The models of all loads as stacked arrays, for a whole beam at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from campledger.estimate.loads.habits import TIME_BINS, TIME_LEAST, TIME_STEP
from campledger.model.series import FloatArray

if TYPE_CHECKING:
    from campledger.estimate.loads.habits import LoadModel


NOTHING, SWITCHED, CHANGED, WANDERED = 0, 1, 2, 3

TIME_FIRST = float(np.log(TIME_LEAST)) / TIME_STEP

IntArray: TypeAlias = NDArray[np.int64]
Place: TypeAlias = tuple[IntArray, FloatArray]


class Tables:
    """The models as stacked arrays."""

    def __init__(self, models: list[LoadModel]) -> None:
        self.n = len(models)
        self.index = np.arange(self.n)
        self.mean, self.var, weight = _stack(
            [(m.mean, m.std, m.log_weight) for m in models]
        )
        self.plain_weight = weight
        self.no_same = np.log1p(-np.array([m.same for m in models]))
        self.log_weight = weight + self.no_same[:, None]
        self.log_weight[0] = -np.inf
        self.change_mean, self.change_var, self.change_weight = _stack(
            [(m.change_mean, m.change_std, m.change_log_weight) for m in models]
        )
        self.log_same = np.log(np.array([max(m.same, 1e-9) for m in models]))
        self.same_std = np.array([m.same_std for m in models])
        self.off_log = np.stack([m.off_log_hazard for m in models])
        self.off_sum = np.stack([m.off_hazard_sum for m in models])
        self.on_log = np.stack([m.on_log_hazard for m in models])
        self.on_sum = np.stack([m.on_hazard_sum for m in models])
        self.cycles = np.array([m.cycles for m in models])
        self.rate = np.array([m.rate for m in models])
        self.by_hour = np.stack([m.by_hour for m in models])
        self.changes = np.array([m.changes for m in models])
        with np.errstate(divide="ignore"):
            self.log_changes = np.log(self.changes)
        self.wander = np.array([m.wander for m in models])
        self.fades = np.array([m.habit.fades for m in models])
        self.volts = np.array([m.volts for m in models])
        surge = np.clip([m.surge for m in models], 0.01, 0.97)
        self.log_surge = np.log(np.stack([1 - surge, surge]))

        self._slots()

    def _slots(self) -> None:
        """List the levels that loads start at and change to, the padding left out."""
        on = np.isfinite(self.log_weight)
        self.on_load, _ = np.nonzero(on)
        self.on_mean, self.on_var = self.mean[on], self.var[on]
        self.on_weight = self.log_weight[on]
        change = np.isfinite(self.change_weight) & (self.changes > 0)[:, None]
        self.change_load, _ = np.nonzero(change)
        self.change_slot_mean = self.change_mean[change]
        self.change_slot_var = self.change_var[change]
        self.change_slot_weight = self.change_weight[change]
        self.columns = self._columns()

    def _columns(self) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
        """Say what the columns of a table of moves are: load, level, variance, kind."""
        n, on, change = self.n, len(self.on_load), len(self.change_load)
        zero = np.zeros(4 * n + 1)
        load = np.concatenate(
            (np.tile(self.index, 4), [-1], self.on_load, self.change_load)
        )
        level = np.concatenate((zero, self.on_mean, self.change_slot_mean))
        var = np.concatenate((zero, self.on_var, self.change_slot_var))
        kinds = (SWITCHED, SWITCHED, CHANGED, WANDERED, SWITCHED, SWITCHED, CHANGED)
        kind = np.repeat(kinds, (n, n, n, n, 1, on, change))
        kind[0] = NOTHING
        return load, level, var, kind

    def place(self, age: FloatArray) -> Place:
        """Find ages (k, n) on the time axis of the hazard tables."""
        at = np.log(np.maximum(age, TIME_LEAST)) * (1 / TIME_STEP) - TIME_FIRST
        np.minimum(at, TIME_BINS - 1.001, out=at)
        low = at.astype(np.int64)
        return low + self.index * TIME_BINS, at - low

    def at(self, table: FloatArray, place: Place) -> FloatArray:
        """Interpolate a (n, TIME_BINS) table at places (k, n)."""
        low, part = place
        flat = table.reshape(-1)
        a = flat[low]
        value: FloatArray = a + part * (flat[low + 1] - a)
        return value

    def on_rate(self, place: Place, hour: int) -> FloatArray:
        """Natural logarithm of the rate at which off loads come on, (k, n)."""
        plain = np.log(self.rate * self.by_hour[:, hour])
        value: FloatArray = np.where(self.cycles, self.at(self.on_log, place), plain)
        return value


def _stack(
    rows: list[tuple[FloatArray, FloatArray, FloatArray]],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Stack levels of different number: mean, variance, log weight."""
    n, j = len(rows), max(len(r[0]) for r in rows)
    mean, var = np.ones((n, j)), np.ones((n, j))
    weight = np.full((n, j), -np.inf)
    for i, (m, s, w) in enumerate(rows):
        mean[i, : len(m)], var[i, : len(m)], weight[i, : len(m)] = m, s**2, w
    return mean, var, weight
