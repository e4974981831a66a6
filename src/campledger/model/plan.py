"""A trip as planned: frozen before its first reading, never changed afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date


@dataclass(frozen=True, kw_only=True)
class PlanDay:
    """What was expected of one date; None = not said. ``drive`` s, ``sun`` h."""

    date: date | None
    drive: float | None = None
    temp_min: float | None = None
    temp_max: float | None = None
    sun_hours: float | None = None
    clearness: float | None = None
    latitude: float | None = None
    longitude: float | None = None


@dataclass(frozen=True, kw_only=True)
class PlanLoad:
    """
    What one load was expected to use a day.

    ``typed`` says which of the three was typed: ``hours``, ``duty`` or ``energy``;
    ``current_on`` A, ``hours`` h a day, ``energy`` W.h a day; None where not given.
    ``figure`` is label, sheet, measured or guess.
    """

    name: str
    typed: str
    current_on: float | None = None
    hours: float | None = None
    energy: float | None = None
    figure: str = "guess"


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan file; times in s since 1970 UTC, ``utc_offset`` of its start."""

    name: str
    start_utc: float
    end_utc: float
    utc_offset: float
    opening_soc: float | None
    every_day: PlanDay | None
    days: tuple[PlanDay, ...]
    loads: tuple[PlanLoad, ...]
    fingerprint: str
    text: str = ""

    def day(self, when: date) -> PlanDay | None:
        """
        Give what was planned for a date, filled up from ``[every_day]``.

        Parameters
        ----------
        when : date
            A date in rig time.

        Returns
        -------
        day : PlanDay or None
            None if neither the date nor every day was planned.
        """
        own = next((d for d in self.days if d.date == when), None)
        base = self.every_day
        if own is None or base is None:
            return own or base
        names = [n for n in PlanDay.__dataclass_fields__ if n != "date"]
        merged = {
            n: getattr(base, n) if getattr(own, n) is None else getattr(own, n)
            for n in names
        }
        return PlanDay(date=when, **merged)


@dataclass(frozen=True, kw_only=True)
class FrozenPlan:
    """
    A plan kept in the store.

    ``status`` is ``before`` (frozen before the first reading), ``after`` (kept, but
    under the heading "plan given afterwards, not frozen") or ``revision``.
    """

    plan: Plan
    frozen_utc: float
    revision: int
    status: str
