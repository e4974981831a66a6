"""
Camp days: dawn to dawn, at the position of each day.

Dawn is sunrise (upper limb, standard refraction, level horizon). Where there is none,
06:00 local mean solar time; without a position 06:00 rig time. Dawns are put on the
whole minute, because minutes are the unit of the account.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.solar_position import sunrise_sunset
from campledger.model.series import MINUTE
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig

DAY = 86400.0
SIX = 6 * 3600.0


@dataclass(frozen=True, kw_only=True)
class CampDay:
    """
    One camp day of a trip.

    ``date`` is the rig date of its dawn; ``start`` and ``end`` are the part of it that
    lies in the trip; ``sunset`` is NaN where unknown.
    """

    date: date
    dawn: float
    next_dawn: float
    start: float
    end: float
    sunset: float
    word: Word

    @property
    def share(self) -> float:
        """Share of the whole day that lies in the trip. [1]"""
        return (self.end - self.start) / (self.next_dawn - self.dawn)

    @property
    def whole(self) -> bool:
        """Tell whether the trip holds all of it."""
        return self.share > 1.0 - 60.0 / DAY

    @property
    def daylight_share(self) -> float:
        """Share of its daylight that lies in the trip. [1]"""
        dusk = self.sunset if np.isfinite(self.sunset) else self.dawn + DAY / 2
        inside = min(self.end, dusk) - max(self.start, self.dawn)
        return float(np.clip(inside / (dusk - self.dawn), 0.0, 1.0))


def rig_date(time_utc: float, utc_offset: float) -> date:
    """Give the date that the rig's clock shows."""
    return datetime.fromtimestamp(time_utc + utc_offset, tz=UTC).date()


def _midnight(day: date, utc_offset: float) -> float:
    moment = datetime(day.year, day.month, day.day, tzinfo=UTC)
    return moment.timestamp() - utc_offset


def dawn_of(
    day: date, rig: Rig, plan: Plan | None, utc_offset: float
) -> tuple[float, float, Word]:
    """
    Give dawn and sunset of a rig date.

    Parameters
    ----------
    day : date
        In rig time.
    rig, plan : Rig, Plan or None
        A plan's day may carry its own position.
    utc_offset : float
        Of the trip. [s]

    Returns
    -------
    dawn, sunset : float
        Sunset is NaN where there is none or no position. [s]
    word : Word
        WORKED_OUT from a position, else ASSUMED.
    """
    latitude, longitude = rig.latitude, rig.longitude
    planned = plan.day(day) if plan is not None else None
    if planned is not None and planned.latitude is not None:
        latitude, longitude = planned.latitude, planned.longitude
    midnight = _midnight(day, utc_offset)
    if latitude is None or longitude is None:
        return midnight + SIX, float("nan"), Word.ASSUMED
    rise, fall = sunrise_sunset(day, latitude, longitude)
    if not np.isfinite(rise):
        mean_solar = _midnight(day, longitude / 15.0 * 3600.0)
        return _on_minute(mean_solar + SIX), float("nan"), Word.ASSUMED
    return _on_minute(rise), fall, Word.WORKED_OUT


def _on_minute(time_utc: float) -> float:
    return round(time_utc / MINUTE) * MINUTE


def camp_days(
    start: float, end: float, rig: Rig, plan: Plan | None, utc_offset: float
) -> tuple[CampDay, ...]:
    """
    Rule a trip off at each dawn.

    Parameters
    ----------
    start, end : float
        Bounds of the trip. [s]
    rig, plan : Rig, Plan or None
        For positions.
    utc_offset : float
        Of the trip. [s]

    Returns
    -------
    days : tuple of CampDay
        In order, without holes, covering the trip.
    """
    day = rig_date(start, utc_offset) - timedelta(days=1)
    last = rig_date(end, utc_offset) + timedelta(days=1)
    marks: list[tuple[date, float, float, Word]] = []
    while day <= last:
        dawn, dusk, word = dawn_of(day, rig, plan, utc_offset)
        marks.append((day, dawn, dusk, word))
        day += timedelta(days=1)
    out = []
    for (when, dawn, dusk, word), (_, following, _, _) in pairwise(marks):
        a, b = max(start, dawn), min(end, following)
        if b > a:
            out.append(
                CampDay(
                    date=when,
                    dawn=dawn,
                    next_dawn=following,
                    start=a,
                    end=b,
                    sunset=dusk,
                    word=word,
                )
            )
    return tuple(out)
