"""What a meter that was on a circuit for a while teaches about the load behind it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.habits import LoadModel, build_model
from campledger.estimate.loads.metered import levels, on_state

if TYPE_CHECKING:
    from campledger.model.series import FloatArray, Series

RUNS_LEAST = 3
"""Fewer runs teach nothing on durations. Common practice, no source."""
TAUGHT_SPREAD = 0.08
"""A metered level is met again within this. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """Running currents A and durations s that a meter saw, ``name`` the load."""

    name: str
    current: float
    on_times: FloatArray
    off_times: FloatArray

    def teach(self, model: LoadModel, volts: float) -> LoadModel:
        """
        Put what was seen in the place of what the kind says.

        Parameters
        ----------
        model : LoadModel
            Of the kind.
        volts : float
            Typical volts. [V]

        Returns
        -------
        taught : LoadModel
            With the measured level and durations.

        References
        ----------
        Common practice, no source.
        """
        habit = replace(model.habit, multiples=(1.0,), spread=TAUGHT_SPREAD)
        if len(self.on_times) >= RUNS_LEAST:
            middle, spread = _durations(self.on_times, habit.on_spread)
            habit = replace(habit, on_time=middle, on_spread=spread)
        if len(self.off_times) >= RUNS_LEAST and model.cycles:
            middle, spread = _durations(self.off_times, habit.off_spread)
            habit = replace(habit, off_time=middle, off_spread=spread)
        taught = build_model(model.name, model.kind, self.current * volts, habit)
        if not model.cycles:
            # what was met for a while need not be every level it has
            mean = np.concatenate((taught.mean, model.mean))
            std = np.concatenate((taught.std, model.std))
            weight = np.concatenate(
                (taught.log_weight + np.log(0.7), model.log_weight + np.log(0.3))
            )
            return replace(
                taught,
                mean=mean,
                std=std,
                log_weight=weight,
                change_mean=mean,
                change_std=std,
                change_log_weight=weight,
            )
        return taught


def _durations(times: FloatArray, spread: float) -> tuple[float, float]:
    logs = np.log(np.maximum(times, 1.0))
    seen = float(np.std(logs)) + 0.2
    return float(np.exp(np.median(logs))), min(max(seen, 0.3), spread)


def learn_from_meter(name: str, series: Series) -> Lesson | None:
    """
    Read a load's habits from its own meter.

    Parameters
    ----------
    name : str
        Load.
    series : Series
        Its current, NaN where the meter was not there. [A]

    Returns
    -------
    lesson : Lesson or None
        None if the load never ran while metered.

    References
    ----------
    Common practice, no source.
    """
    good = np.isfinite(series.value)
    time, value = series.time_utc[good], series.value[good]
    found = levels(value)
    if not np.isfinite(found.threshold):
        return None
    on = on_state(value, found.threshold)
    change = np.flatnonzero(np.diff(on.astype(np.int8)) != 0) + 1
    length = np.diff(time[change])
    running = on[change[:-1]] if len(change) > 1 else np.zeros(0, dtype=bool)
    return Lesson(
        name=name,
        current=found.running,
        on_times=length[running],
        off_times=length[~running],
    )
