"""
From boot and uptime to true time: one anchor dates a boot, two give its rate.

Readings keep boot number and uptime for ever; what the wall clock said is an attribute.
Nothing here rewrites a reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.model.series import FloatArray

RATE_LIMIT = 500e-6
"""Largest believable rate error of a board's crystal. Common practice, no source."""
RATE_SPAN = 6 * 3600.0
"""Anchors closer than this say nothing about the rate."""


@dataclass(frozen=True, kw_only=True)
class ClockAnchor:
    """
    A moment of a boot whose true time is known.

    ``kind`` from strong to weak: typed, phone, system (synchronised clock), clock
    (the clock after its last step, assumed), sun. ``bound`` is the give-or-take in s.
    """

    boot: int
    uptime: float
    time_utc: float
    kind: str
    bound: float


STRENGTH = ("typed", "phone", "system", "clock", "sun")


@dataclass(frozen=True, kw_only=True)
class BootClock:
    """True time of a boot: ``time = origin + rate * uptime``."""

    origin: float
    rate: float
    kind: str
    bound: float

    def at(self, uptime: FloatArray) -> FloatArray:
        """Give true times of uptimes. [s]"""
        return self.origin + self.rate * uptime


def date_boot(anchors: Sequence[ClockAnchor]) -> BootClock | None:
    """
    Date one boot from its anchors.

    The strongest kind rules; among equals the latest gives the origin, and two that lie
    at least six hours apart give the rate if it is believable.

    Parameters
    ----------
    anchors : sequence of ClockAnchor
        All of one boot, any order.

    Returns
    -------
    clock : BootClock or None
        None if there is no anchor.
    """
    if not anchors:
        return None
    best = min(anchors, key=lambda a: STRENGTH.index(a.kind)).kind
    strong = sorted((a for a in anchors if a.kind == best), key=lambda a: a.uptime)
    last, first = strong[-1], strong[0]
    rate = 1.0
    span = last.uptime - first.uptime
    if span >= RATE_SPAN:
        measured = (last.time_utc - first.time_utc) / span
        if abs(measured - 1.0) <= RATE_LIMIT:
            rate = measured
    return BootClock(
        origin=last.time_utc - rate * last.uptime,
        rate=rate,
        kind=best,
        bound=last.bound,
    )


def clock_after_last_step(
    uptime: FloatArray, wall: FloatArray, *, step: float = 2.0
) -> tuple[float, float] | None:
    """
    Find what the wall clock said after it was last set within a boot.

    Parameters
    ----------
    uptime, wall : (n,) float64
        Uptime and wall clock of the readings of one boot, uptime increasing; wall may
        be NaN. [s]
    step : float
        A jump of wall minus uptime above this is a clock that was set. [s]

    Returns
    -------
    anchor : (uptime, wall) or None
        A reading after the last step; None if the clock never said anything.
    """
    known = np.isfinite(wall)
    if not known.any():
        return None
    up, said = uptime[known], wall[known]
    jumps = np.flatnonzero(np.abs(np.diff(said - up)) > step)
    first = int(jumps[-1]) + 1 if jumps.size else 0
    middle = (first + len(up) - 1) // 2
    return float(up[middle]), float(said[middle])
