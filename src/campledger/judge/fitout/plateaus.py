"""Where a charger held the volts: what every finding about its settings needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import runs

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

HELD_LEAST_LEAD, HELD_LEAST_LFP = 13.15, 13.45
"""Volts above rest. Common practice, no source. [V]"""
SHORTEST = 12
"""Minutes. Common practice, no source."""
WANDER, DRIFT = 0.06, 0.05
"""Largest spread within the shortest hold, and from its middle. [V]"""


@dataclass(frozen=True, kw_only=True)
class Plateau:
    """
    A stretch in which a charger held the volts; ``first`` and ``last`` are minutes.

    ``current_first`` and ``current`` are what went in at its start and end, A.
    """

    first: int
    last: int
    volts: float
    temp: float
    current: float
    current_first: float


def find_plateaus(
    volts: FloatArray, amps: FloatArray, temp: FloatArray, *, least: float
) -> list[Plateau]:
    """
    Find where the volts were held, above rest and at no discharge.

    Parameters
    ----------
    volts, amps, temp : (m,) float64
        Battery volts [V], amps (+ into it) [A] and temperature by minute. [Cel]
    least : float
        Volts above which a battery is not at rest. [V]

    Returns
    -------
    plateaus : list of Plateau
        In time order.

    References
    ----------
    .. [1] Common practice, no source.
    """
    with np.errstate(invalid="ignore"):
        up = (volts > least) & (amps > -0.3)
    found = []
    for a, b in runs(up):
        if b - a < SHORTEST:
            continue
        frames = np.lib.stride_tricks.sliding_window_view(volts[a:b], SHORTEST)
        calm = np.ptp(frames, axis=1) <= WANDER
        i = a
        while i + SHORTEST <= b:
            if not calm[i - a]:
                i += 1
                continue
            middle = float(np.median(volts[i : i + SHORTEST]))
            away = np.flatnonzero(np.abs(volts[i + SHORTEST : b] - middle) >= DRIFT)
            j = i + SHORTEST + (int(away[0]) if len(away) else b - i - SHORTEST)
            part = slice(i, j)
            found.append(
                Plateau(
                    first=i,
                    last=j,
                    volts=float(np.median(volts[part])),
                    temp=float(np.median(temp[part])),
                    current=float(amps[j - 1]),
                    current_first=float(np.max(amps[i : i + 3])),
                )
            )
            i = j
    return found
