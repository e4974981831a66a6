"""
Where a regulator really holds: set points learned from the record.

Typed set points are rounded, voltmeters are off by tens of millivolts, and chargers of
lead batteries raise their set points in the cold. All three are found together from
minutes in which the battery was plainly held; what was not shown stays as typed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.model.rig import Source
    from campledger.model.series import BoolArray, FloatArray

WANDERS = 4.0
"""Robust standard deviations of a held voltage that still count as at the set point."""
NEAR_LEAST, NEAR_MOST = 0.010, 0.030
"""Bounds of that: a voltmeter's steps, a cable's drop. Common practice. [V]"""
NEAR_TYPED, NEAR_TYPED_TOP = 0.05, 0.08
"""The same for set points that could not be learned: float, absorption. [V]"""
SEARCH, SEARCH_PLATEAU = 0.25, 0.12
"""How far a true set point may lie from the typed one: with clear evidence, and with
nothing but a plateau. Common practice, no source. [V]"""
PLATEAU_NEAR = 0.024
"""A plateau with a wider band is a battery at work, not a regulator. No source. [V]"""
ENOUGH_MINUTES, ENOUGH_FAR = 12, 45
"""Minutes of evidence from which a set point is learned, near the typed one and far."""
FAR = 0.12
"""Beyond this a set point is far from the typed one. Common practice. [V]"""
TEMP_STANDARD = 25.0
"""Set points are typed for this temperature. Common practice, no source. [Cel]"""
COMPENSATION_MOST, COMPENSATION_STEP = 0.030, 0.003
"""Chargers of lead batteries raise six cells by 18 to 30 mV a kelvin of cold, or not at
all; less where their probe is warmer than the battery. From memory. [V/K]"""
OFFSET_STD = 0.06
"""How far a set point lies from the typed one without cold. Common practice. [V]"""
NARROW = 0.010
"""Width of a held voltage in the search for the compensation. Common practice. [V]"""
LINKED = 10.0
"""Minutes that count as one witness: neighbours see the same plateau. No source."""
CONTRAST = 2.0
"""Log of how much likelier a plateau minute is at a set point than elsewhere."""


@dataclass(frozen=True, kw_only=True)
class SetPoints:
    """
    Set points at 25 Cel and what they gain in the cold.

    ``absorption``, ``floating`` V; ``near_*`` V is the band that counts as at it;
    ``compensation`` V/K >= 0 is what a kelvin below 25 Cel adds; ``rise`` (m,) V is
    that for each minute; ``learned`` names the set points found in the record.
    """

    absorption: float
    floating: float
    near_absorption: float
    near_floating: float
    compensation: float
    rise: FloatArray
    learned: tuple[str, ...]


def learn_set_points(
    source: Source,
    voltage: FloatArray,
    answers: BoolArray,
    plateau: BoolArray,
    temp: FloatArray | None = None,
) -> SetPoints:
    """
    Learn both set points: from clear evidence, else from plateaus, else typed.

    Parameters
    ----------
    source : Source
        The regulator's typed set points.
    voltage : (m,) float64
        House battery, or what the regulator sees. [V]
    answers : (m,) bool
        Minutes in which the current plainly followed the loads. [1]
    plateau : (m,) bool
        Minutes whose volts stood still below a clear sky's output. [1]
    temp : (m,) float64, optional
        Battery, of a chemistry whose chargers may follow it. [Cel]

    Returns
    -------
    points : SetPoints
        Compensation is 0 without ``temp`` and where the record does not show it.

    References
    ----------
    .. [1] Common practice, no source.
    """
    cold = np.zeros(len(voltage))
    if temp is not None:
        cold = TEMP_STANDARD - np.where(np.isfinite(temp), temp, TEMP_STANDARD)
    slope = 0.0
    if np.any(cold != 0.0):
        slope = _compensation(source, voltage, answers | plateau, cold)
    level = voltage - slope * cold
    middle = _middle(source)
    found, near, learned = [], [], []
    for name, typed, side, wide in (
        ("absorption", source.voltage_absorption, level > middle, NEAR_TYPED_TOP),
        ("float", source.voltage_float, level <= middle, NEAR_TYPED),
    ):
        got = _learn(level[answers & side], typed, SEARCH)
        if got is None:
            got = _learn(level[plateau & side], typed, SEARCH_PLATEAU)
            got = None if got is None or got[1] > PLATEAU_NEAR else got
        if got is not None:
            learned.append(name)
        value, width = (typed, wide) if got is None else got
        found.append(value)
        near.append(width)
    return SetPoints(
        absorption=found[0],
        floating=found[1],
        near_absorption=near[0],
        near_floating=near[1],
        compensation=slope,
        rise=slope * cold,
        learned=tuple(learned),
    )


def _middle(source: Source) -> float:
    top, low = source.voltage_absorption, source.voltage_float
    return 0.5 * (top + low) if top - low > 0.2 else low - SEARCH


def _compensation(
    source: Source, voltage: FloatArray, shown: BoolArray, cold: FloatArray
) -> float:
    """Slope under which the plateaus of warm and cold hours meet the typed points."""
    level = voltage[shown & np.isfinite(voltage)]
    apart = cold[shown & np.isfinite(voltage)]
    slopes = np.arange(0.0, COMPENSATION_MOST + 1e-9, COMPENSATION_STEP)
    score = [_agreement(source, level - slope * apart) for slope in slopes]
    return float(slopes[int(np.argmax(score))])


def _agreement(source: Source, level: FloatArray) -> float:
    """How well minutes at a set point gather, and how near the typed points."""
    total = 0.0
    middle = _middle(source)
    shift = np.arange(-SEARCH, SEARCH + 1e-9, NARROW / 2)
    cost = 0.5 * (shift / OFFSET_STD) ** 2
    for typed, side in (
        (source.voltage_absorption, level > middle),
        (source.voltage_float, level <= middle),
    ):
        apart = level[side] - typed
        edges = np.append(shift - NARROW / 4, shift[-1] + NARROW / 4)
        count = np.histogram(apart, edges)[0].astype(np.float64)
        near = np.convolve(count, [0.5, 0.9, 1.0, 0.9, 0.5], mode="same")
        total += float(np.max(CONTRAST * near / LINKED - cost))
    return total


def _learn(
    voltage: FloatArray, near: float, search: float
) -> tuple[float, float] | None:
    """Find the most common voltage around a typed set point, and how far it wanders."""
    pool = voltage[np.abs(voltage - near) <= search]
    if len(pool) < ENOUGH_MINUTES:
        return None
    edges = np.arange(pool.min() - 0.005, pool.max() + 0.015, 0.005)
    count = np.convolve(np.histogram(pool, edges)[0], np.ones(3), mode="same")
    peak = edges[np.argmax(count)] + 0.0025
    close = pool[np.abs(pool - peak) < 0.03]
    middle = float(np.median(close)) if len(close) else near
    enough = ENOUGH_MINUTES if abs(middle - near) < FAR else ENOUGH_FAR
    if len(close) < max(enough, 0.3 * len(pool)):
        return None
    wander = 1.4826 * float(np.median(np.abs(close - middle)))
    return middle, float(np.clip(WANDERS * wander, NEAR_LEAST, NEAR_MOST))
