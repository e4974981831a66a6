"""From paths to the figures of the answer: chance, spare, low point, hours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.enough_types import (
    CHANCE_NO,
    CHANCE_YES,
    NO,
    TOO_CLOSE,
    YES,
    HoursToFloor,
)
from campledger.judge.statement_types import LowPoint
from campledger.model.estimates import Estimate
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.judge.forecast import Forecast
    from campledger.model.series import FloatArray

HOUR = 3600.0


@dataclass(frozen=True, kw_only=True)
class Judged:
    """The main answer's figures before they are put together."""

    chance: float
    in_hand: Estimate
    spare: Estimate
    soc: Estimate
    low: LowPoint
    low_charge: float
    hours: HoursToFloor


def quantiles(values: FloatArray, word: Word = Word.WORKED_OUT) -> Estimate:
    """Give the median with the 5 % and 95 % points."""
    lo, middle, hi = np.quantile(values, [0.05, 0.5, 0.95])
    return Estimate(value=float(middle), lo=float(lo), hi=float(hi), word=word)


def chance_to_last(made: Forecast, floor: float, until: float) -> float:
    """Give the share of paths that stay at or above the floor to the deadline. [1]"""
    inside = made.paths.time_utc <= until + 1.0
    return float((made.paths.soc[inside].min(axis=0) >= floor).mean())


def _hours_to_floor(made: Forecast, floor: float) -> HoursToFloor:
    soc, time = made.paths.soc, made.paths.time_utc
    below = soc < floor
    first = np.argmax(below, axis=0)
    crossed = below.any(axis=0)
    at = np.maximum(first, 1)
    column = np.arange(soc.shape[1])
    above, under = soc[at - 1, column], soc[at, column]
    share = np.clip((above - floor) / np.maximum(above - under, 1e-12), 0.0, 1.0)
    when = (time[at - 1] + share * (time[at] - time[at - 1]) - time[0]) / HOUR
    hours = np.where(crossed, np.where(first == 0, 0.0, when), np.inf)
    ranked = np.sort(hours)
    picks = [float(ranked[int(q * (len(ranked) - 1))]) for q in (0.1, 0.5, 0.9)]
    p10, p50, p90 = (p if np.isfinite(p) else None for p in picks)
    return HoursToFloor(p10=p10, p50=p50, p90=p90)


def judge(made: Forecast, floor: float, until: float) -> Judged:
    """
    Judge the paths against the floor.

    Parameters
    ----------
    made : Forecast
        Recalibrated.
    floor : float
        Share of the capacity now. [1]
    until : float
        Deadline. [s]

    Returns
    -------
    judged : Judged
        Everything that the answer needs of the paths.
    """
    inside = made.paths.time_utc <= until + 1.0
    soc = made.paths.soc[inside]
    wanted = made.wanted.soc[inside]
    spare = (wanted.min(axis=0) - floor) * made.capacity
    middle = np.median(soc, axis=1)
    lowest = int(np.argmin(middle))
    least = soc.min(axis=0)
    return Judged(
        chance=chance_to_last(made, floor, until),
        in_hand=quantiles((soc[0] - floor) * made.capacity),
        spare=quantiles(spare),
        soc=quantiles(soc[0]),
        low=LowPoint(
            time_utc=float(made.paths.time_utc[lowest]),
            soc=float(np.median(least)),
            spare=float(np.median((least - floor) * made.capacity)),
        ),
        low_charge=float(np.median(least * made.capacity)),
        hours=_hours_to_floor(made, floor),
    )


def verdict_of(chance: float) -> str:
    """Give the verdict of a stated chance (contract, section 0)."""
    if chance >= CHANCE_YES:
        return YES
    return NO if chance <= CHANCE_NO else TOO_CLOSE
