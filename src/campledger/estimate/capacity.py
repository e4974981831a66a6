"""
Capacity and resistance over trips: swings between anchors, and load steps.

Both sides of a swing are uncertain, so the line is fitted by total least squares. The
low end of a swing is read from volts by the table alone, never from the fit, so that a
capacity that somebody assumed does not come back as one that was found. Without a deep
enough swing the answer is that it cannot be told yet.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house, open_circuit_table
from campledger.estimate.battery.curve import OWN_SPREAD
from campledger.estimate.battery.load_steps import (
    resistance_from_steps,
    step_ratios,
)
from campledger.model.estimates import Anchor, Estimate

if TYPE_CHECKING:
    from campledger.estimate.battery.curve import IntArray
    from campledger.model.estimates import BatteryEstimate
    from campledger.model.rig import House, Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

__all__ = [
    "Swing",
    "TripBattery",
    "capacity_over_trips",
    "change_since",
    "find_swings",
    "low_points",
    "resistance_from_steps",
    "step_ratios",
    "trip_battery",
]

SWING_LEAST = 0.40
"""Share of capacity: job B22 and C53, no capacity from small swings."""
ANCHOR_STD_MOST = {"lfp": 0.06, "lead": 0.10}
"""Spread of an anchor that still counts; published tables of rest volts differ by 12
points of charge. Common practice, no source."""
KNEE_SOC, KNEE_MINUTES, KNEE_RATE = 0.06, 10, 0.1
"""Lithium's volts tell charge only below its knee, at small currents."""
REST_HOURS, REST_RATE = 4.0, 0.01
"""Job B22: a known rest. A share of the capacity an hour."""
POINT_STD = 0.01
"""Spread of a low point besides the table's. Common practice, no source."""
APART_MINUTES = 360
GAP_SHARE = 0.02
CHARGE_STD = 0.01
"""Spread of counted charge, share of it: gain of shunt and chip. Common practice."""
NINETY = 1.645


@dataclass(frozen=True, kw_only=True)
class Swing:
    """
    A stretch between two anchors.

    ``share`` is the change of state of charge that the anchors tell, ``charge`` what
    was counted (A.h, charging losses taken off), each with its standard deviation.
    ``table_std`` is the part of ``share_std`` that is the open-circuit table's own, the
    same in every swing of a battery: more swings do not lessen it.
    """

    start_utc: float
    end_utc: float
    share: float
    share_std: float
    charge: float
    charge_std: float
    table_std: float = 0.0


@dataclass(frozen=True, kw_only=True)
class TripBattery:
    """
    A battery as one trip found it, to be laid beside another trip.

    ``capacity`` A.h is from swings alone; ``resistance`` Ohm at 25 Cel from load steps,
    read every ``interval`` s. ``swings`` counts those that qualified.
    """

    start_utc: float
    end_utc: float
    capacity: Estimate
    resistance: Estimate
    interval: float
    swings: int


def trip_battery(
    record: TripRecord, rig: Rig, estimate: BatteryEstimate
) -> TripBattery:
    """
    Give the battery as one trip found it.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        The vehicle as described.
    estimate : BatteryEstimate
        Of this trip.

    Returns
    -------
    battery : TripBattery
        Missing figures say what they need.

    References
    ----------
    .. [1] See ``capacity_over_trips`` and ``resistance_from_steps``.
    """
    swings = find_swings(estimate, low_points(record, rig, estimate))
    current = record.channels.get("current_house_a")
    capacity = capacity_over_trips(swings, rated=rig.house.capacity_rated)
    if current is None:
        capacity = Estimate.missing("can't tell: needs a shunt in the main negative")
    return TripBattery(
        start_utc=record.start_utc,
        end_utc=record.end_utc,
        capacity=capacity,
        resistance=resistance_from_steps(record, rig),
        interval=current.interval if current is not None else np.nan,
        swings=len(swings),
    )


def low_points(
    record: TripRecord, rig: Rig, estimate: BatteryEstimate
) -> tuple[Anchor, ...]:
    """
    Find where volts alone tell the charge: lithium below its knee, lead-acid at rest.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        Table and kind of the battery.
    estimate : BatteryEstimate
        For the current and the resistance; its state of charge is not used.

    Returns
    -------
    anchors : tuple of Anchor
        In time order, one for each stretch.

    References
    ----------
    .. [1] Open-circuit tables of ``chemistry``; hours of rest: common practice, no
       source.
    """
    house = rig.house
    name = "voltage_house_v"
    if name not in record.channels:
        return ()
    volts = np.asarray(record.minutes[name].mean, dtype=np.float64)
    current = estimate.current_corrected
    ohms = estimate.resistance.value
    if not np.isfinite(ohms):
        ohms = of_house(house).resistance_100[0] * 100.0 / house.capacity_rated
    rest = volts - ohms * current
    at = _rests(current, house) if house.is_lead else _knees(rest, current, house)
    found = []
    for k in at:
        level = float(np.nanmedian(rest[max(0, k - KNEE_MINUTES) : k + 1]))
        soc, std = _told_by_table(level, house)
        what = "at rest" if house.is_lead else "below the knee"
        found.append(
            Anchor(
                time_utc=float(estimate.minute_utc[k]),
                kind="rest" if house.is_lead else "cutoff",
                soc=soc,
                soc_std=float(np.hypot(std, POINT_STD)),
                change=0.0,
                text=f"{level:.2f} V {what}",
            )
        )
    return tuple(found)


def _told_by_table(level: float, house: House) -> tuple[float, float]:
    """Give charge and its spread where the table has these volts."""
    soc, volts = open_circuit_table(house)
    kind = of_house(house)
    value = float(np.interp(level, volts, soc))
    k = int(np.clip(np.searchsorted(volts, level), 1, len(volts) - 1))
    slope = (volts[k] - volts[k - 1]) / (soc[k] - soc[k - 1])
    spread = float(np.interp(value, kind.soc, kind.voltage_spread))
    spread *= OWN_SPREAD if house.open_circuit else 1.0
    return value, spread / max(float(slope), 1e-6)


def _knees(rest: FloatArray, current: FloatArray, house: House) -> list[int]:
    """Give the lowest minute of each stretch below the knee."""
    soc, volts = open_circuit_table(house)
    knee = float(np.interp(KNEE_SOC, soc, volts))
    with np.errstate(invalid="ignore"):
        low = (rest < knee) & (np.abs(current) < KNEE_RATE * house.capacity_rated)
    return [int(run[np.nanargmin(rest[run])]) for run in _stretches(low, 1)]


def _rests(current: FloatArray, house: House) -> list[int]:
    """Give the last minute of each long rest."""
    with np.errstate(invalid="ignore"):
        calm = np.abs(current) < REST_RATE * house.capacity_rated
    index = np.flatnonzero(calm)
    parts = np.split(index, np.flatnonzero(np.diff(index) > 1) + 1)
    return [int(p[-1]) for p in parts if len(p) >= REST_HOURS * 60.0]


def _stretches(mark: BoolArray, least: int) -> list[IntArray]:
    index = np.flatnonzero(mark)
    parts = np.split(index, np.flatnonzero(np.diff(index) > APART_MINUTES) + 1)
    return [p for p in parts if len(p) >= least]


def find_swings(
    estimate: BatteryEstimate, lows: tuple[Anchor, ...] = ()
) -> tuple[Swing, ...]:
    """
    Find the swings of a trip that are deep enough to tell a capacity.

    Parameters
    ----------
    estimate : BatteryEstimate
        One trip with its anchors, of which the full charges are used.
    lows : tuple of Anchor
        From ``low_points``.

    Returns
    -------
    swings : tuple of Swing
        Each from a full charge down to a low or rested anchor, or up from one.

    References
    ----------
    .. [1] Common practice, no source.
    """
    lead = estimate.model.chemistry != "lfp"
    most = ANCHOR_STD_MOST["lead" if lead else "lfp"]
    fulls = (a for a in estimate.anchors if a.kind == "full")
    useful = [a for a in (*fulls, *lows) if a.soc_std <= most]
    useful.sort(key=lambda a: a.time_utc)
    found = []
    for first, last in itertools.pairwise(useful):
        swing = _swing(estimate, first, last)
        if swing is not None and abs(swing.share) >= SWING_LEAST:
            found.append(swing)
    return tuple(found)


def _swing(estimate: BatteryEstimate, first: Anchor, last: Anchor) -> Swing | None:
    time = estimate.minute_utc
    a, b = np.searchsorted(time, [first.time_utc, last.time_utc])
    current = estimate.current_corrected[a + 1 : b + 1]
    loss = estimate.charging_loss[a + 1 : b + 1]
    known = np.isfinite(current)
    if len(current) == 0 or np.mean(~known) > GAP_SHARE:
        return None
    charge = float(np.sum(current[known] - loss[known]) / 60.0)
    hours = len(current) / 60.0
    offset_std = estimate.offset.give_or_take / NINETY
    through = float(np.sum(np.abs(current[known])) / 60.0)
    return Swing(
        start_utc=first.time_utc,
        end_utc=last.time_utc,
        share=last.soc - first.soc,
        share_std=float(np.hypot(first.soc_std, last.soc_std)),
        charge=charge,
        charge_std=float(np.hypot(offset_std * hours, CHARGE_STD * through)),
        table_std=max(a.soc_std for a in (first, last) if a.kind != "full")
        if {first.kind, last.kind} != {"full"}
        else 0.0,
    )


def _misfit(capacity: FloatArray, swings: tuple[Swing, ...]) -> FloatArray:
    x = np.array([s.share for s in swings])
    y = np.array([s.charge for s in swings])
    wide_x = np.array(
        [np.sqrt(max(s.share_std**2 - s.table_std**2, POINT_STD**2)) for s in swings]
    )
    wide_y = np.array([s.charge_std for s in swings])
    slope = capacity[:, None]
    total = (y - slope * x) ** 2 / (wide_y**2 + (slope * wide_x) ** 2)
    out: FloatArray = total.sum(axis=1)
    return out


def capacity_over_trips(swings: tuple[Swing, ...], *, rated: float) -> Estimate:
    """
    Fit the capacity to swings of one or more trips.

    Parameters
    ----------
    swings : tuple of Swing
        Of any trips of one battery.
    rated : float
        Rating; the search runs from 0.3 to 1.4 of it. [A.h]

    Returns
    -------
    capacity : Estimate
        Missing with "can't tell yet" when no swing qualifies. [A.h]

    References
    ----------
    .. [1] G. L. Plett, "Recursive approximate weighted total least squares estimation
       of battery cell total capacity", J. Power Sources 196 (2011) 2319; from memory.
    """
    deep = tuple(s for s in swings if abs(s.share) >= SWING_LEAST)
    if not deep:
        return Estimate.missing(
            "can't tell yet: no swing of 40 % or more between a full charge and a low "
            "point was seen"
        )
    grid = np.linspace(0.3 * rated, 1.4 * rated, 2201)
    misfit = _misfit(grid, deep)
    best = int(np.argmin(misfit))
    # Scatter beyond the stated spreads widens the interval, too little never narrows.
    scale = max(1.0, float(misfit[best]) / max(1, len(deep) - 1))
    inside = grid[misfit <= misfit[best] + scale * NINETY**2]
    value = float(grid[best])
    shared = float(np.mean([s.table_std / abs(s.share) for s in deep]))
    shared *= NINETY * value
    return Estimate(
        value=value,
        lo=value - float(np.hypot(value - inside[0], shared)),
        hi=value + float(np.hypot(inside[-1] - value, shared)),
        reason=f"from {len(deep)} swing{'s' if len(deep) > 1 else ''} of 40 % or more",
    )


def change_since(now: Estimate, earlier: Estimate) -> Estimate:
    """
    Compare with an earlier trip: the ratio, and whether it is certain.

    Parameters
    ----------
    now, earlier : Estimate
        The same quantity of two trips.

    Returns
    -------
    ratio : Estimate
        Now over earlier; the reason says if the interval holds 1. [1]

    References
    ----------
    .. [1] Spreads of a ratio added in quadrature. Common practice, no source.
    """
    if not (np.isfinite(now.value) and np.isfinite(earlier.value)):
        return Estimate.missing("can't tell yet: one of the two is not known")
    ratio = now.value / earlier.value
    wide = ratio * float(
        np.hypot(now.give_or_take / now.value, earlier.give_or_take / earlier.value)
    )
    certain = abs(ratio - 1.0) > wide
    return Estimate(
        value=ratio,
        lo=ratio - wide,
        hi=ratio + wide,
        reason="changed" if certain else "no change that can be told",
    )
