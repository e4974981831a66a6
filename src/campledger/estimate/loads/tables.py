"""The models of all loads as stacked arrays, for a whole beam at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.habits import TIME_BINS, TIME_LEAST, TIME_STEP

if TYPE_CHECKING:
    from campledger.estimate.loads.habits import LoadModel
    from campledger.model.series import FloatArray


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

    def look(self, table: FloatArray, age: FloatArray) -> FloatArray:
        """Interpolate a (n, TIME_BINS) table at ages (k, n)."""
        at = np.log(np.maximum(age, TIME_LEAST) / TIME_LEAST) / TIME_STEP
        at = np.minimum(at, TIME_BINS - 1.001)
        low = at.astype(np.int64)
        flat = table.reshape(-1)
        base = self.index * TIME_BINS
        a = flat[base + low]
        value: FloatArray = a + (at - low) * (flat[base + low + 1] - a)
        return value

    def on_rate(self, age: FloatArray, hour: int) -> FloatArray:
        """Natural logarithm of the rate at which off loads come on, (k, n)."""
        plain = np.log(self.rate * self.by_hour[:, hour])
        value: FloatArray = np.where(self.cycles, self.look(self.on_log, age), plain)
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
