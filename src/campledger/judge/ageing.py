"""
A battery beside an earlier trip: does it hold less, does it resist more?

Only figures found from a trip's own swings and load steps are laid side by side, never
a rating or a typed capacity. What cannot be compared says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.capacity import change_since
from campledger.model.estimates import Estimate

if TYPE_CHECKING:
    from campledger.estimate.capacity import TripBattery

INTERVALS_APART = 2.0
"""Resistance grows with the time between readings; farther apart is not compared.
Common practice, no source."""
STEP_SHARE = 0.05
"""Least share by which two resistances from steps may differ without a cause: charge,
temperature and the loads that stepped. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Aged:
    """
    One quantity now, then, and their ratio; ``then_utc`` NaN where none is known.

    Capacity in A.h, resistance in Ohm at 25 Cel; ``why`` says what is missing.
    """

    now: Estimate
    then: Estimate
    then_utc: float
    ratio: Estimate
    changed: bool
    why: str = ""


@dataclass(frozen=True, kw_only=True)
class BatteryAgeing:
    """The house battery of this trip beside ``trips`` earlier ones."""

    capacity: Aged
    resistance: Aged
    trips: int


def judge_ageing(now: TripBattery, earlier: tuple[TripBattery, ...]) -> BatteryAgeing:
    """
    Lay the battery of a trip beside the earliest trip that tells the same.

    Parameters
    ----------
    now : TripBattery
        Of this trip.
    earlier : tuple of TripBattery
        Of earlier trips of the same battery.

    Returns
    -------
    ageing : BatteryAgeing
        With the reason where nothing can be compared.

    References
    ----------
    .. [1] Common practice, no source.
    """
    before = sorted(earlier, key=lambda t: t.end_utc)
    knows = [t for t in before if np.isfinite(t.capacity.value)]
    near = [
        t
        for t in before
        if np.isfinite(t.resistance.value) and _alike(t.interval, now.interval)
    ]
    far = any(np.isfinite(t.resistance.value) for t in before) and not near
    return BatteryAgeing(
        capacity=_aged(
            now.capacity,
            (knows[0].capacity, knows[0].end_utc) if knows else None,
            "no earlier trip had such a swing",
        ),
        resistance=_aged(
            _rough(now.resistance),
            (_rough(near[0].resistance), near[0].end_utc) if near else None,
            "earlier trips were read at another interval"
            if far
            else "no earlier trip had the load steps",
        ),
        trips=len(before),
    )


def _alike(one: float, other: float) -> bool:
    return bool(max(one, other) <= INTERVALS_APART * min(one, other))


def _rough(resistance: Estimate) -> Estimate:
    """Widen by what the spread of the steps does not hold."""
    half = max(resistance.give_or_take, STEP_SHARE * resistance.value)
    if not np.isfinite(half):
        return resistance
    return Estimate(
        value=resistance.value,
        lo=resistance.value - half,
        hi=resistance.value + half,
        word=resistance.word,
        reason=resistance.reason,
    )


def _aged(now: Estimate, then: tuple[Estimate, float] | None, why: str) -> Aged:
    known = np.isfinite(now.value)
    missing = Estimate.missing(why if known else now.reason)
    if then is None or not known:
        return Aged(
            now=now,
            then=then[0] if then is not None else missing,
            then_utc=then[1] if then is not None else float("nan"),
            ratio=missing,
            changed=False,
            why=missing.reason,
        )
    ratio = change_since(now, then[0])
    return Aged(
        now=now,
        then=then[0],
        then_utc=then[1],
        ratio=ratio,
        changed=ratio.reason == "changed",
    )
