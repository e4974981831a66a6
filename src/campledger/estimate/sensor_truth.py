"""
Sensor truth from the record alone: sign, scale, zero, and what goes round the shunt.

Figures only: whether one of them is a fault is the business of the fit-out, and nothing
here changes a reading.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import (
    Slope,
    fill_short_gaps,
    slope_with_intercept,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.model.series import BoolArray, FloatArray

RATIOS: tuple[tuple[float, str], ...] = (
    (0.1, "a factor of ten"),
    (0.2, "100 for 500 A"),
    (0.5, "a factor of two, e.g. 100 for 200 A"),
    (0.667, "50/75 mV: set as 75 mV, probably a 50 mV shunt"),
    (0.75, "75/100 mV"),
    (1.333, "100/75 mV"),
    (1.5, "75/50 mV: set as 50 mV, probably a 75 mV shunt"),
    (2.0, "a factor of two, e.g. 200 for 100 A"),
    (5.0, "500 for 100 A"),
    (10.0, "a factor of ten"),
)
"""Job C36: shunts and ranges that are taken for each other, both ways."""
SNAP_BAND = 0.02
STILL_SHARE = 0.2
"""What sources may move in a load's step that counts. Common practice, no source."""
STEPS_LEAST = 10
STRONG = 0.5
STRONG_LEAST = 60
"""A and readings: a circuit that never carried so much has no sign. Common practice."""
CALM_MINUTES = 10
"""Job C37."""
DEAD_SOURCE = 0.04
"""A above its own least reading below which a charger is off. Common practice."""
CYCLE_HOURS = 10.0
DAY_MINUTES = 1300
GAP_DOUBT = 0.7
"""A.h that short gaps of a span may hide. Common practice, no source."""
MOVED_LEAST = 3.0
"""A.h: a shallower cycle proves nothing. Job C38."""


@dataclass(frozen=True, kw_only=True)
class ScaleFit:
    """House current against the rest: ratio, offset (A), points, and each circuit's."""

    ratio: Slope
    offset: float
    complete: bool
    each: tuple[tuple[str, Slope], ...]


@dataclass(frozen=True, kw_only=True)
class Balance:
    """Charge in and out from full to full: ``hours``, A.h, and the cycles summed."""

    hours: float
    taken: float
    given: float
    cycles: int


def load_answers(
    load: FloatArray, sources: FloatArray, house: FloatArray, free: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """
    Pair a load's steps with those of the house current.

    Parameters
    ----------
    load, sources, house : (n,) float64
        Steps of the load, of all sources together, and of the house current. [A]
    free : (n,) bool
        No charger held the volts and swallowed the step.

    Returns
    -------
    expected, seen : (k,) float64
        What the house shunt should have moved by, and did; steps in which a source
        moved as well are left out. [A]

    References
    ----------
    .. [1] Charge balance of a node. Common practice, no source.
    """
    use = (np.abs(sources) < STILL_SHARE * np.abs(load)) & free
    return (sources - load)[use], house[use]


def combine_scale(
    each: Sequence[tuple[str, Slope]],
    current: FloatArray,
    rest: FloatArray | None,
) -> ScaleFit:
    """
    Fit house = ratio * (sources - loads) + offset.

    By regression over minutes only if every circuit is metered; else from load steps
    alone, where a load without a meter does no harm.

    Parameters
    ----------
    each : sequence of (str, Slope)
        The house current's steps on the steps of each metered load. [1]
    current : (m,) float64
        House current of each minute. [A]
    rest : (m,) float64 or None
        Sources less loads, if all of them are metered. [A]

    Returns
    -------
    fit : ScaleFit
        NaN where nothing was seen.

    References
    ----------
    .. [1] Common practice, no source.
    """
    nan = float("nan")
    whole = Slope(value=nan, lo=nan, hi=nan, count=0, intercept=nan)
    if rest is not None:
        whole = slope_with_intercept(rest, current)
    known = tuple((n, s) for n, s in each if s.count >= STEPS_LEAST)
    ratio = max(known, key=lambda x: x[1].count)[1] if known else whole
    return ScaleFit(
        ratio=ratio, offset=whole.intercept, complete=rest is not None, each=known
    )


def confusion(ratio: float) -> str:
    """
    Name the confusion of shunts or ranges that gives a ratio.

    Parameters
    ----------
    ratio : float
        What a sensor reads of the rest. [1]

    Returns
    -------
    text : str
        Empty if none is near.

    References
    ----------
    .. [1] Job C36; common practice, no source.
    """
    for value, text in RATIOS:
        if abs(ratio / value - 1.0) < SNAP_BAND:
            return f"{value:g}: {text}"
    return ""


def wrong_way(value: FloatArray) -> tuple[float, int]:
    """
    Tell how often a circuit that can only be above zero reads clearly below.

    Parameters
    ----------
    value : (n,) float64
        Current of a source or a load. [A]

    Returns
    -------
    share : float
        Of its strong readings; NaN with too few of them. [1]
    count : int
        Strong readings.

    References
    ----------
    .. [1] Common practice, no source.
    """
    strong = value[np.isfinite(value)]
    strong = strong[np.abs(strong) >= STRONG]
    if len(strong) < STRONG_LEAST:
        return float("nan"), len(strong)
    return float(np.mean(strong < 0.0)), len(strong)


def charge_from_nowhere(current: FloatArray, charging: FloatArray) -> tuple[float, int]:
    """
    Bound the zero of the house shunt: with no charger alive no battery is charged.

    Parameters
    ----------
    current : (m,) float64
        House current of each minute, + into the battery. [A]
    charging : (m,) float64
        All sources together. [A]

    Returns
    -------
    least : float
        What the shunt reads too much at least; below zero it bounds nothing, NaN if
        chargers were never off for ten minutes. [A]
    count : int
        Stretches without a charger.

    References
    ----------
    .. [1] Common practice, no source.
    """
    known = np.isfinite(charging) & np.isfinite(current)
    if not known.any():
        return float("nan"), 0
    dead = known & (np.nan_to_num(charging) < _floor(charging) + DEAD_SOURCE)
    index = np.flatnonzero(dead)
    parts = np.split(index, np.flatnonzero(np.diff(index) > 1) + 1)
    kernel = np.ones(CALM_MINUTES) / CALM_MINUTES
    tops = [
        float(np.convolve(current[p], kernel, "valid").max())
        for p in parts
        if len(p) >= CALM_MINUTES
    ]
    return (float(np.median(tops)), len(tops)) if tops else (float("nan"), 0)


def _floor(charging: FloatArray) -> float:
    return float(np.nanquantile(charging, 0.05))


def full_pairs(fulls: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """
    Pair the moments at which full charges a cycle apart were reached.

    Parameters
    ----------
    fulls : sequence of (float, float)
        When each was reached and left. [s]

    Returns
    -------
    pairs : list of (float, float)
        Reached, and reached again. [s]

    References
    ----------
    .. [1] Job C38; common practice, no source.
    """
    return [
        (first, reached)
        for (first, left), (reached, _) in itertools.pairwise(fulls)
        if (reached - left) / 3600.0 >= CYCLE_HOURS
    ]


def full_balance(
    minute_utc: FloatArray,
    current: FloatArray,
    pairs: Sequence[tuple[float, float]],
) -> Balance:
    """
    Sum what went in and came out between full charges.

    Parameters
    ----------
    minute_utc : (m,) float64
        Ends of the minutes. [s]
    current : (m,) float64
        House current, + into the battery. [A]
    pairs : sequence of (float, float)
        From ``full_pairs``. [s]

    Returns
    -------
    balance : Balance
        Spans with holes or without a cycle worth the name are left out.

    References
    ----------
    .. [1] Charge between two full charges: job C38. Common practice, no source.
    """
    hours = taken = given = 0.0
    cycles = 0
    for start, end in pairs:
        use = (minute_utc > start) & (minute_utc <= end)
        amps, doubt = fill_short_gaps(current[use])
        into = float(np.sum(np.clip(amps, 0.0, None))) / 60.0
        if doubt > GAP_DOUBT or into <= MOVED_LEAST:
            continue
        hours += (end - start) / 3600.0
        taken += into
        given += float(np.sum(np.clip(-amps, 0.0, None))) / 60.0
        cycles += 1
    return Balance(hours=hours, taken=taken, given=given, cycles=cycles)


@dataclass(frozen=True, kw_only=True)
class DayRest:
    """What a day leaves unexplained: ``rest`` A.h of ``through`` moved."""

    first: int
    last: int
    rest: float
    through: float


def day_rests(
    day: FloatArray,
    current: FloatArray,
    loss: FloatArray,
    soc: FloatArray,
    *,
    capacity: float,
) -> tuple[DayRest, ...]:
    """
    Lay each whole day's counted charge beside the charge at both its ends.

    Parameters
    ----------
    day : (m,) float64
        Number of the day of each minute. [1]
    current, loss : (m,) float64
        House current, + into the battery, and what charging lost. [A]
    soc : (m,) float64
        State of charge. [1]
    capacity : float
        Capacity now. [A.h]

    Returns
    -------
    days : tuple of DayRest
        Days with holes or without a charge at both ends are left out.

    References
    ----------
    .. [1] Job C39; charge balance. Common practice, no source.
    """
    found = []
    for number in np.unique(day):
        part = np.flatnonzero(day == number)
        ends = np.flatnonzero(np.isfinite(soc[part]))
        amps, doubt = fill_short_gaps(current[part])
        if len(part) < DAY_MINUTES or doubt > GAP_DOUBT or len(ends) < 2:
            continue
        first, last = int(part[ends[0]]), int(part[ends[-1]])
        inward = float(np.sum(np.clip(amps, 0.0, None))) / 60.0
        outward = float(np.sum(np.clip(-amps, 0.0, None))) / 60.0
        change = float(soc[last] - soc[first]) * capacity
        lost = float(np.sum(loss[part])) / 60.0
        found.append(
            DayRest(
                first=first,
                last=last,
                rest=inward - outward - lost - change,
                through=inward + outward,
            )
        )
    return tuple(found)
