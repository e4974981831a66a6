"""
Why the logger was off: said only if the volts on both sides support it.

The record stops because the battery was flat; then the missing hours are the worst
hours, and are censored, never counted as no use.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

NEAR_CUTOFF = 0.3
"""Volts above the cut-off at which a falling battery is likely flat soon. [V] Common
practice, no source."""
WELL_ABOVE = 12.4
"""A battery at or above this was not flat. [V] Common practice, no source."""
SHORT = 120.0
"""A hole shorter than this is a restart. [s] Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Darkness:
    """
    One time without readings.

    ``cause`` is flat, restart, switched or unknown; ``text`` says it in a line.
    """

    cause: str
    text: str


def why_dark(
    volts_before: float,
    volts_after: float,
    *,
    falling: bool,
    duration: float,
    cutoff: float,
) -> Darkness:
    """
    Say why there are no readings, as far as the volts tell.

    Parameters
    ----------
    volts_before : float
        Last house volts before; NaN = not known. [V]
    volts_after : float
        First house volts after; NaN = not known. [V]
    falling : bool
        Whether the volts fell over the last minutes before.
    duration : float
        Length of the hole; NaN = not known. [s]
    cutoff : float
        House volts at which loads disconnect. [V]

    Returns
    -------
    darkness : Darkness
        Cause and text.

    References
    ----------
    Common practice, no source.
    """
    seen = f"{_volts(volts_before)} before, {_volts(volts_after)} after"
    if not math.isnan(volts_before):
        if volts_before <= cutoff + NEAR_CUTOFF and falling:
            text = f"dark, battery likely flat ({seen}, falling)"
            return Darkness(cause="flat", text=text)
        if volts_before >= WELL_ABOVE and volts_after >= WELL_ABOVE:
            if duration < SHORT:
                return Darkness(cause="restart", text=f"restart ({seen})")
            text = f"logger off, battery not flat ({seen})"
            return Darkness(cause="switched", text=text)
    return Darkness(cause="unknown", text=f"no readings, cause not seen ({seen})")


def _volts(value: float) -> str:
    return "volts not known" if math.isnan(value) else f"{value:.2f} V"
