"""
Standing still: how many days to the floor with what stands on; and ready to leave.

Days are charge in hand over standing draw and self-discharge. Ready is full, cold and
a frozen plan, each said with its own evidence or as not known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.estimates import Estimate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.rig import House
    from campledger.model.series import FloatArray

SELF_DISCHARGE: Mapping[str, float] = {
    "flooded": 0.03,
    "agm": 0.03,
    "gel": 0.03,
    "lfp": 0.02,
}
"""Share of the capacity lost a month at 20 Cel. Lead-acid: job text B21 (second-hand);
lithium: common practice, no source."""
MONTH_DAYS = 30.0
SELF_SPREAD = 0.5
"""Give-or-take of the self-discharge, share of it. Common practice, no source."""
NIGHT = (2.0, 5.0)
"""Hours of local time in which the standing draw shows. Job text B12. [h]"""
NIGHT_SHARE = 5.0
"""Percentile of the night's draw that is the standing draw. Job text B12."""
NIGHT_MINUTES = 60
"""Fewer minutes than this tell nothing."""
LEAST_DRAW = 0.005
"""A smaller draw cannot be told from none. [A] Common practice, no source."""
LONGEST = 3650.0
"""Beyond this days are not told. [day]"""
FULL_FRESH = 12 * 3600.0
"""A full charge longer ago than this is no evidence for leaving. [s]"""
USED_MOST = 0.02
"""Share of the capacity that may be used since and still be full. Common practice."""
WARM = 2.0
"""A fridge is at its set point within this. [K] Common practice, no source."""


def standing_draw(
    minute_utc: FloatArray, current: FloatArray, *, utc_offset: float
) -> float:
    """
    Find what the vehicle draws when nothing runs: low end of the nights.

    Parameters
    ----------
    minute_utc : (m,) float64
        Ends of minutes. [s]
    current : (m,) float64
        House battery current, + into it; NaN = missing. [A]
    utc_offset : float
        Local time minus UTC. [s]

    Returns
    -------
    draw : float
        NaN if no night was seen. [A]

    References
    ----------
    Common practice, no source.
    """
    hour = ((minute_utc + utc_offset) / 3600.0) % 24.0
    night = (hour > NIGHT[0]) & (hour <= NIGHT[1]) & np.isfinite(current)
    if int(night.sum()) < NIGHT_MINUTES:
        return math.nan
    return max(float(np.percentile(-current[night], NIGHT_SHARE)), 0.0)


@dataclass(frozen=True, kw_only=True)
class Parked:
    """
    How long the battery lasts when nobody is there.

    ``days`` and ``days_without_logger`` (None if its share is not known) until the
    floor; infinite = beyond ten years. ``draw`` in A.
    """

    days: Estimate
    days_without_logger: Estimate | None
    draw: float
    text: str


def days_to_floor(in_hand: Estimate, draw: Estimate, lost: Estimate) -> Estimate:
    """
    Give the days until the floor.

    Parameters
    ----------
    in_hand : Estimate
        Charge above the floor. [A.h]
    draw : Estimate
        Standing draw. [A]
    lost : Estimate
        Self-discharge a day. [A.h]

    Returns
    -------
    days : Estimate
        0 if the floor is reached already. [d]

    References
    ----------
    Common practice, no source.
    """

    def ratio(hand: float, amps: float, own: float) -> float:
        a_day = 24.0 * amps + own
        if hand <= 0.0:
            return 0.0
        days = hand / a_day if a_day > 0.0 else math.inf
        return days if days <= LONGEST else math.inf

    return Estimate(
        value=ratio(in_hand.value, draw.value, lost.value),
        lo=ratio(in_hand.lo, draw.hi, lost.hi),
        hi=ratio(in_hand.hi, max(draw.lo, 0.0), lost.lo),
    )


def judge_parked(
    house: House,
    *,
    in_hand: Estimate,
    capacity: float,
    draw: Estimate,
    logger: float | None,
) -> Parked:
    """
    Say how long the battery lasts parked, and what to do.

    Parameters
    ----------
    house : House
        Chemistry and floor.
    in_hand : Estimate
        Charge above the floor. [A.h]
    capacity : float
        Capacity now. [A.h]
    draw : Estimate
        Standing draw; NaN value if no night was seen. [A]
    logger : float or None
        The logger's own part of it. [A]

    Returns
    -------
    parked : Parked
        Days and a sentence.

    References
    ----------
    Common practice, no source.
    """
    nan = Estimate(value=math.nan, lo=math.nan, hi=math.nan)
    if math.isnan(draw.value):
        text = "can't tell how long it lasts parked: no night was recorded"
        return Parked(days=nan, days_without_logger=None, draw=math.nan, text=text)
    own = SELF_DISCHARGE[house.chemistry] / MONTH_DAYS * capacity
    lost = Estimate(
        value=own, lo=own * (1.0 - SELF_SPREAD), hi=own * (1.0 + SELF_SPREAD)
    )
    days = days_to_floor(in_hand, draw, lost)
    without = None
    if logger is not None:
        rest = [max(x - logger, 0.0) for x in (draw.value, draw.lo, draw.hi)]
        other = Estimate(value=rest[0], lo=rest[1], hi=rest[2])
        without = days_to_floor(in_hand, other, lost)
    text = _parked_text(house, days, without, draw.value, logger)
    return Parked(days=days, days_without_logger=without, draw=draw.value, text=text)


def _days(days: Estimate) -> str:
    if not math.isfinite(days.value):
        return "not within ten years"
    low = f"{days.lo:.0f}"
    high = f"{days.hi:.0f}" if math.isfinite(days.hi) else "many"
    return f"in about {days.value:.0f} days ({low} to {high})"


def _parked_text(
    house: House,
    days: Estimate,
    without: Estimate | None,
    draw: float,
    logger: float | None,
) -> str:
    if days.value == 0.0:
        return "at or below the floor now: charge before you park it"
    of_it = ""
    if logger is not None:
        of_it = f", {min(logger, draw):.2f} of it this logger"
    text = (
        f"Parked: standing draw {draw:.2f} A{of_it}; at the floor "
        f"({house.floor:.0%}) {_days(days)}."
    )
    longer = without is not None and without.value > 1.5 * days.value
    if longer and without is not None:
        text += f" Pull the logger's fuse: then {_days(without)}."
    if house.is_lead:
        text += " Store it full: lead-acid ages when it stands half empty."
    else:
        text += " Store it cool and about half full, not full and hot."
    return text


@dataclass(frozen=True, kw_only=True)
class Ready:
    """
    Whether to leave now.

    ``verdict`` is ready, not_yet or cannot_tell; ``text`` one line for each part.
    """

    verdict: str
    text: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Leaving:
    """
    What is known at departure; NaN or None = not known.

    ``full_utc`` and ``tail`` of the last full charge, ``used`` since then (A.h),
    ``fridge`` and ``fridge_set`` (Cel), ``frozen_utc`` of the plan.
    """

    now: float
    full_utc: float = math.nan
    tail: float = math.nan
    used: float = math.nan
    capacity: float = math.nan
    fridge: float = math.nan
    fridge_set: float = math.nan
    frozen_utc: float = math.nan
    has_fridge: bool = True


def judge_ready(known: Leaving, *, clock: Mapping[float, str] | None = None) -> Ready:
    """
    Judge whether full, cold and planned.

    Parameters
    ----------
    known : Leaving
        What is known now.
    clock : mapping of float to str, optional
        How times are written, by time; default hours before now.

    Returns
    -------
    ready : Ready
        Verdict and lines.

    References
    ----------
    Common practice, no source.
    """
    parts = [_full(known, clock or {}), _cold(known), _planned(known, clock or {})]
    states = [state for state, _ in parts if state]
    if "no" in states:
        verdict = "not_yet"
    elif "unknown" in states:
        verdict = "cannot_tell"
    else:
        verdict = "ready"
    return Ready(verdict=verdict, text=tuple(text for _, text in parts if text))


def _when(moment: float, now: float, clock: Mapping[float, str]) -> str:
    return clock.get(moment) or f"{(now - moment) / 3600.0:.1f} h ago"


def _full(known: Leaving, clock: Mapping[float, str]) -> tuple[str, str]:
    if math.isnan(known.full_utc):
        return "unknown", "Full: not seen (volts held and a small current together)."
    age = known.now - known.full_utc
    when = _when(known.full_utc, known.now, clock)
    tail = "" if math.isnan(known.tail) else f" ({known.tail:.1f} A tail)"
    if age > FULL_FRESH:
        return "no", f"Full {when}{tail}, too long ago: charge once more."
    share = known.used / known.capacity
    if share > USED_MOST:
        return "no", f"Full {when}{tail}, {known.used:.1f} Ah used since."
    return "yes", f"Full {when}{tail}."


def _cold(known: Leaving) -> tuple[str, str]:
    if not known.has_fridge:
        return "", ""
    if math.isnan(known.fridge):
        return "unknown", "Fridge: its temperature is not measured."
    text = f"Fridge {known.fridge:.0f} degC"
    if math.isnan(known.fridge_set):
        return "unknown", f"{text}; its set point is not in the rig file."
    if known.fridge > known.fridge_set + WARM:
        return "no", f"{text}, set to {known.fridge_set:.0f}: let it pull down first."
    return "yes", f"{text}."


def _planned(known: Leaving, clock: Mapping[float, str]) -> tuple[str, str]:
    if math.isnan(known.frozen_utc):
        return "no", "Plan not frozen: campledger plan freeze PLAN."
    return "yes", f"Plan frozen {_when(known.frozen_utc, known.now, clock)}."
