"""Runs of one word that are too long for a living sensor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.inputs import run_lengths

if TYPE_CHECKING:
    from campledger.model.series import Series

STUCK_SAMPLES = 60
"""Job C40."""
STUCK_SECONDS = {"current": 240.0, "voltage": 1800.0, "temp": 4.0 * 3600.0}
STUCK_TIMES = 20.0
"""Against the usual run of equal words, weighted by time. Common practice."""


def stuck_runs(series: Series, quantity: str) -> list[tuple[int, int]]:
    """
    Give the runs of one word that are too long to be alive.

    Parameters
    ----------
    series : Series
        One channel.
    quantity : str
        current, voltage or temp.

    Returns
    -------
    runs : list of (int, int)
        First index and index after the last.

    References
    ----------
    .. [1] Job C40; run length of equal words. Common practice, no source.
    """
    starts, ends, seconds = run_lengths(series)
    if not len(starts):
        return []
    number = ends - starts
    order = np.argsort(seconds)
    share = np.cumsum(seconds[order])
    usual = (
        seconds[order][np.searchsorted(share, 0.5 * share[-1])] if share[-1] else 0.0
    )
    limit = max(STUCK_SECONDS[quantity], STUCK_TIMES * float(usual))
    bad = (number > STUCK_SAMPLES) & (seconds > limit) & (series.value[starts] != 0.0)
    return list(zip(starts[bad].tolist(), ends[bad].tolist(), strict=True))
