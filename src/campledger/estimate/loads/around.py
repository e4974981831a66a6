"""What surrounds each stretch: volts, sources, the hour, and power coming back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.decode import Conditions
from campledger.estimate.loads.metered import SECONDS_PER_HOUR

if TYPE_CHECKING:
    from campledger.estimate.loads.remainder import Remainder
    from campledger.estimate.loads.segments import Segments
    from campledger.model.series import BoolArray

BASE_PERCENTILE = 2.0
"""Of the remainder: a first guess of the standing draw. Common practice, no source."""
NOTHING_ON = 3.0
"""Nothing but the standing draw runs below it and this, W. Common practice, no
source."""
CUT_OFF_NEAR = 0.5
LOWEST_PERCENTILE = 2.0
"""A cut-off happens within this of the volts given and of the lowest volts, V: it is
meant under load, and delayed. Common practice, no source."""
DARK_LEAST = 120.0
"""A cut-off lasts at least this long, s. Common practice, no source."""


def conditions(
    rest: Remainder, segments: Segments, utc_offset: float, cutoff: float = 0.0
) -> Conditions:
    """
    Work out what surrounds each stretch.

    Parameters
    ----------
    rest : Remainder
        With volts and sources.
    segments : Segments
        Level stretches.
    utc_offset : float
        Local minus universal time. [s]
    cutoff : float, optional
        Volts at which loads are cut off. [V]

    Returns
    -------
    around : Conditions
        Arrays by stretch.

    References
    ----------
    Common practice, no source.
    """
    first, last = segments.first, segments.last - 1
    log_volts = np.log(np.maximum(rest.volts, 1.0))
    source_step = np.zeros(len(segments))
    source_step[1:] = rest.source_power[first[1:]] - rest.source_power[last[:-1]]
    return Conditions(
        volts_change=np.nan_to_num(log_volts[last] - log_volts[first]),
        source_change=rest.source_power[last] - rest.source_power[first],
        source_step=source_step,
        hour=((segments.begin + utc_offset) // SECONDS_PER_HOUR % 24).astype(np.int64),
        restart=_restarts(rest, segments, cutoff),
    )


def _restarts(rest: Remainder, segments: Segments, cutoff: float) -> BoolArray:
    """Find where much comes on after a time with nothing that began at low volts."""
    low = float(np.nanpercentile(rest.power, BASE_PERCENTILE)) + NOTHING_ON
    before = rest.volts[segments.last - 1]
    lowest = float(np.nanpercentile(rest.volts, LOWEST_PERCENTILE))
    limit = min(cutoff, lowest) + CUT_OFF_NEAR
    out = np.zeros(len(segments), dtype=bool)
    dark, began_low = 0.0, False
    for s in range(1, len(segments)):
        if segments.level_begin[s] < low:
            if dark == 0.0:
                began_low = bool(before[s - 1] < limit)
            dark += float(segments.end[s] - segments.begin[s])
            continue
        out[s] = began_low and dark > DARK_LEAST
        dark = 0.0
    return out
