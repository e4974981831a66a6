"""Storage, not camp: 72 h without drive, sun or any load beyond the standing draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray
    from campledger.store import Store

HOURS = 72
SOURCE_MEAN = 0.15
"""Hourly mean of a source below this is nothing. [A] Common practice, no source."""
BEYOND_STANDING = 0.4
"""Hourly mean draw above the standing draw by this is a load. [A] Common practice."""
STANDING_SHARE = 10


def idle_spans(
    store: Store, rig: Rig, start: float, end: float
) -> Sequence[tuple[float, float]]:
    """
    Find stretches of 72 h and more in which the vehicle only stood.

    Parameters
    ----------
    store : Store
        Open for reading.
    rig : Rig
        Names the sources.
    start, end : float
        Where to look. [s]

    Returns
    -------
    spans : sequence of (start, end)
        Empty where current was not measured.
    """
    if end - start < HOURS * 3600.0:
        return ()
    record = store.record(start, end, rig.corrections)
    if "current_house_a" not in record.minutes:
        return ()
    house = _hourly(record.minutes["current_house_a"].mean)
    quiet = np.isfinite(house)
    for source in (*[s.name for s in rig.sources], "charge"):
        name = f"current_{source}_a"
        if name in record.minutes:
            quiet &= np.nan_to_num(_hourly(record.minutes[name].mean)) < SOURCE_MEAN
    if not quiet.any():
        return ()
    standing = float(np.percentile(-house[quiet], STANDING_SHARE))
    standing = max(standing, 0.0)
    quiet &= (-house < standing + BEYOND_STANDING) & (house < SOURCE_MEAN)
    return [
        (start + a * 3600.0, min(end, start + b * 3600.0))
        for a, b in _runs(quiet)
        if b - a >= HOURS
    ]


def _hourly(minutes: np.ndarray) -> np.ndarray:
    n = len(minutes) // 60
    hours = minutes[: n * 60].reshape(n, 60)
    known = np.isfinite(hours)
    count = known.sum(axis=1)
    total = np.where(known, hours, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    edges = np.diff(np.concatenate(([0], flags.astype(int), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))
