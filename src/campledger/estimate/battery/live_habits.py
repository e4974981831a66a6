"""What the live estimate takes for granted of each group of chemistries, as data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, kw_only=True)
class Habits:
    """
    Settings of the live filters of one group of chemistries.

    ``sizes`` are the capacities to begin with: share of the rating, its spread and its
    weight. ``knots`` are where the open-circuit curve may bend. ``error_std`` is how
    far volts stray from the bent curve, and ``error_reach`` how much charge must move
    until they stray differently. ``read_std`` and ``read_rate`` are the noise of volts
    at rest and for a current of one capacity an hour, ``full_std`` the spread of a
    full. ``opening`` is one that nobody told; ``widen`` the interval's factor before
    and after the first full.
    """

    sizes: tuple[tuple[float, float, float], ...]
    knots: tuple[float, ...]
    error_std: float
    error_reach: float
    read_std: float
    read_rate: float
    full_std: float
    opening: tuple[float, float]
    widen: tuple[float, float]


HABITS: Mapping[str, Habits] = {
    # Common practice, no source; found on the tuning trips and kept for all others.
    "lfp": Habits(
        sizes=((0.985, 0.05, 0.70), (0.88, 0.05, 0.15), (0.77, 0.06, 0.15)),
        knots=(
            *(0.0, 0.05, 0.11, 0.18, 0.26, 0.34, 0.42),
            *(0.50, 0.58, 0.66, 0.74, 0.82, 0.90, 0.97),
        ),
        error_std=0.030,
        error_reach=0.06,
        read_std=0.030,
        read_rate=0.05,
        full_std=0.007,
        opening=(0.80, 0.25),
        widen=(1.0, 1.0),
    ),
    "lead": Habits(
        sizes=((0.95, 0.06, 0.80), (0.83, 0.10, 0.20)),
        knots=(0.0, 0.10, 0.20, 0.35, 0.50, 0.65, 0.80, 0.90, 1.0),
        error_std=0.025,
        error_reach=0.15,
        read_std=0.030,
        read_rate=0.3,
        full_std=0.010,
        opening=(0.75, 0.25),
        widen=(1.0, 0.72),
    ),
}
