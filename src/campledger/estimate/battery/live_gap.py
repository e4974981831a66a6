"""
What a gap may hide: the current as a process that forgets, tied at both ends.

Before the gap it was what it was, and far inside it is what it usually is. When the
first reading comes back, the gap is tied to that one as well, so that a drive seen on
either side fills it.
"""

from __future__ import annotations

import math

HOUR = 3600.0
FORGETS = 1.0
"""Hours in which a current is forgotten. Common practice, no source."""
CURRENT_STD, CHARGER_SHARE = 1.5, 0.35
"""A, and share of the chargers' rating: a drive may hide in a gap. Common practice."""
USUAL_HOURS = 12.0


class Gap:
    """
    Charge of a gap and its variance, while it lasts and when it ends.

    Parameters
    ----------
    charger : float
        Rating of all chargers together. [A]

    References
    ----------
    .. [1] Integral of an Ornstein-Uhlenbeck process from a known value, and between
       two known values: D. T. Gillespie, Phys. Rev. E 54 (1996) 2084, and Gaussian
       conditioning; the closed forms are checked against sums in the tests.
    """

    def __init__(self, *, charger: float) -> None:
        self._std = math.hypot(CURRENT_STD, CHARGER_SHARE * charger)
        self._before = math.nan
        self._usual = 0.0
        self._hours = self._charge = 0.0

    @property
    def open(self) -> bool:
        """Whether a gap is going on."""
        return self._hours > 0.0

    def follow(self, current: float, seconds: float) -> None:
        """Remember the current of a span with readings, and what is usual."""
        self._before = current
        share = 1.0 - math.exp(-seconds / HOUR / USUAL_HOURS)
        self._usual += share * (current - self._usual)

    def cross(self, seconds: float) -> tuple[float, float]:
        """
        Go on without readings.

        Parameters
        ----------
        seconds : float
            The span. [s]

        Returns
        -------
        charge, variance : float
            Of this span, given all before it [A.h, A.h^2].
        """
        charge, variance = self._from_start(self._hours)
        self._hours += seconds / HOUR
        after, grown = self._from_start(self._hours)
        self._charge = after
        return after - charge, max(grown - variance, 0.0)

    def close(self, after: float) -> tuple[float, float]:
        """
        End the gap at a known current.

        Parameters
        ----------
        after : float
            The first current after the gap. [A]

        Returns
        -------
        charge, variance : float
            What is to be added to all that ``cross`` gave [A.h, A.h^2].
        """
        usual, hours = self._usual, self._hours
        before = usual if math.isnan(self._before) else self._before
        bend = math.tanh(0.5 * hours / FORGETS)
        charge = usual * hours + (before + after - 2.0 * usual) * FORGETS * bend
        tied = self._scale() * (2.0 * hours / FORGETS - 4.0 * bend)
        _, loose = self._from_start(hours)
        less = charge - self._charge, min(tied - loose, 0.0)
        self._hours = self._charge = 0.0
        return less

    def _scale(self) -> float:
        return (self._std * FORGETS) ** 2

    def _from_start(self, hours: float) -> tuple[float, float]:
        before = self._usual if math.isnan(self._before) else self._before
        part = math.exp(-hours / FORGETS)
        mean = self._usual * hours + (before - self._usual) * FORGETS * (1.0 - part)
        width = 2.0 * hours / FORGETS - 3.0 + 4.0 * part - part**2
        return mean, self._scale() * max(width, 0.0)

    def numbers(self) -> list[float]:
        """Give the state as numbers."""
        before = self._usual if math.isnan(self._before) else self._before
        return [before, self._usual, self._hours, self._charge]

    def take(self, numbers: list[float]) -> None:
        """Take up a state."""
        self._before, self._usual, self._hours, self._charge = numbers
