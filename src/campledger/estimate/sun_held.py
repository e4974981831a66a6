"""
When a full battery holds the sun back.

A regulator holds back when the battery stands at its set point: the volts stay put, and
the sun's current follows the loads instead of the sky. Both signs are looked for, and
the set points are learned from them, since typed ones and voltmeters are off by tens of
millivolts. Low current below the set point is never taken for a full battery.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sun_camps import runs

if TYPE_CHECKING:
    from campledger.model.rig import Source
    from campledger.model.series import BoolArray, FloatArray

WINDOW = 15
"""Minutes in which volts and currents are compared."""
STEADY = 0.008
"""Volts of a holding regulator wander less than this. Common practice. [V]"""
LOAD_MOVES = 0.25
"""Loads must move by this (standard deviation) to show who answers. [A]"""
ANSWERS = 0.5
"""Share of a load step that a holding regulator at least supplies itself."""
WANDERS = 4.0
"""Robust standard deviations of a held voltage that still count as at the set point."""
NEAR_LEAST, NEAR_MOST = 0.010, 0.030
"""Bounds of that: a voltmeter's steps, a cable's drop. Common practice. [V]"""
NEAR_TYPED, NEAR_TYPED_TOP = 0.05, 0.08
"""The same for set points that could not be learned: float, absorption. [V]"""
SEARCH, SEARCH_PLATEAU = 0.25, 0.12
"""How far a true set point may lie from the typed one: with clear evidence, and with
nothing but a plateau. Common practice, no source. [V]"""
EXPLAINED = 0.7
"""Share of the sun's changes that the loads must explain."""
DISCHARGE = 0.25
"""A battery that gives more than this is not being held at float. Common practice."""
IDLE = 1.0
"""A full battery takes less than this at float. Common practice, no source. [A]"""
NOTHING, NOTHING_LEAST = 0.02, 1.5
"""A regulator that waits gives less than this share of a clear sky, or this many W;
the darkest overcast gives more. Common practice, no source."""
LOW_SUN = 0.05
"""Below this share of the best clear sun an idle regulator proves nothing."""
ENOUGH_MINUTES, ENOUGH_FAR = 12, 45
"""Minutes of evidence from which a set point is learned, near the typed one and far."""
BESIDE = 41
"""Width of the neighbourhood of a held minute. [minutes]"""
HARDLY = 0.04
"""Volts this close below a set point may still be held. Common practice. [V]"""
FAR = 0.12
"""Beyond this a set point is far from the typed one. Common practice. [V]"""


@dataclass(frozen=True, kw_only=True)
class HeldEvidence:
    """
    Minutes held back, and what told so.

    ``held`` (m,); ``doubtful`` (m,) marks minutes beside them with the volts hardly
    below the set point, which say nothing sure about the sky; ``answers`` (m,) marks
    minutes where the current followed the loads; ``absorption`` and ``floating`` V are
    the set points used, ``learned`` names those
    that were found in the record.
    """

    held: BoolArray
    doubtful: BoolArray
    answers: BoolArray
    absorption: float
    floating: float
    learned: tuple[str, ...]


def around(value: FloatArray, width: int) -> FloatArray:
    """
    Sum over a centred window, zeros beyond both ends.

    Parameters
    ----------
    value : (m,) float64
        Any length. [1]
    width : int
        Odd. [1]

    Returns
    -------
    total : (m,) float64
        As long as ``value``. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    full = np.convolve(value, np.ones(width), mode="full")
    return full[width // 2 : width // 2 + len(value)]


def _moving(value: FloatArray, width: int = WINDOW) -> tuple[FloatArray, FloatArray]:
    """Centred moving mean and count, silent minutes left out."""
    seen = np.isfinite(value)
    total = around(np.where(seen, value, 0.0), width)
    count = around(seen.astype(np.float64), width)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(count > 0, total / count, np.nan), count


def _covariance(a: FloatArray, b: FloatArray) -> FloatArray:
    product, _ = _moving(a * b)
    return product - _moving(a)[0] * _moving(b)[0]


def follows_loads(
    voltage: FloatArray, current_sun: FloatArray, current_load: FloatArray
) -> BoolArray:
    """
    Find minutes in which volts stood still and the sun's current followed the loads.

    Parameters
    ----------
    voltage : (m,) float64
        House battery. [V]
    current_sun : (m,) float64
        The regulator's output. [A]
    current_load : (m,) float64
        All sources minus battery current. [A]

    Returns
    -------
    answers : (m,) bool
        Clear evidence of holding. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    moved = _covariance(current_load, current_load)
    joint = _covariance(current_sun, current_load)
    slope = joint / np.maximum(moved, 1e-9)
    own = np.maximum(_covariance(current_sun, current_sun), 1e-9)
    explained = joint**2 / np.maximum(moved * own, 1e-9)
    still = np.sqrt(np.maximum(_covariance(voltage, voltage), 0.0))
    with np.errstate(invalid="ignore"):
        good = (moved > LOAD_MOVES**2) & (slope > ANSWERS) & (still < STEADY)
        good &= (slope < 1.0 / ANSWERS) & (explained > EXPLAINED)
    return good & np.isfinite(current_sun) & np.isfinite(voltage)


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


def find_held(
    source: Source,
    voltage: FloatArray,
    current_sun: FloatArray,
    current_load: FloatArray | None,
    current_house: FloatArray | None,
    expected: FloatArray,
    power: FloatArray,
) -> HeldEvidence:
    """
    Tell in which minutes a full battery held the sun back.

    Parameters
    ----------
    source : Source
        The regulator's typed set points.
    voltage : (m,) float64
        House battery, or what the regulator sees. [V]
    current_sun : (m,) float64
        The regulator's output. [A]
    current_load : (m,) float64 or None
        All sources minus battery current; None if not measured. [A]
    current_house : (m,) float64 or None
        Into the battery; None if not measured. [A]
    expected : (m,) float64
        Output under a cloudless sky; 0 at night. [W]
    power : (m,) float64
        Output. [W]

    Returns
    -------
    evidence : HeldEvidence
        Only daylight minutes can be held.

    References
    ----------
    .. [1] Common practice, no source.
    """
    day = expected > 0.02 * np.nanmax(expected, initial=1e-9)
    answers = np.zeros(len(voltage), dtype=np.bool_)
    if current_load is not None:
        answers = follows_loads(voltage, current_sun, current_load) & day
    calm = _calm(voltage)
    giving, idle = _battery_role(current_house, len(voltage))
    plateau = day & calm & ~giving & (power < 0.8 * expected)
    points = _set_points(source, voltage, answers, plateau)
    top, near_top, low, near_low, learned = points
    with np.errstate(invalid="ignore"):
        at_top = voltage >= top - near_top
        at_low = (voltage >= low - near_low) & (voltage <= low + 2 * near_low)
        above = voltage > low + 2 * near_low
        nothing = power < np.maximum(NOTHING * expected, NOTHING_LEAST)
    nothing &= expected > LOW_SUN * np.nanmax(expected, initial=1e-9)
    after = _after_full(at_top | answers, voltage, low, day)
    follows = answers | (calm & (after | idle))
    held = day & (at_top | ((above | at_low) & nothing) | (at_low & ~giving & follows))
    held &= np.isfinite(power)
    beside = around(held.astype(np.float64), BESIDE) > 0
    with np.errstate(invalid="ignore"):
        doubtful = day & ~held & beside & (voltage >= low - HARDLY)
    return HeldEvidence(
        held=held,
        doubtful=doubtful,
        answers=answers,
        absorption=top,
        floating=low,
        learned=learned,
    )


def _battery_role(current: FloatArray | None, m: int) -> tuple[BoolArray, BoolArray]:
    """Minutes in which the battery gives, and in which it long took next to nothing."""
    if current is None:
        nothing = np.zeros(m, dtype=np.bool_)
        return nothing, nothing
    with np.errstate(invalid="ignore"):
        giving = current < -DISCHARGE
        small = np.abs(current) < IDLE
    share, _ = _moving(small.astype(np.float64))
    return giving, share > 0.8


def _set_points(
    source: Source, voltage: FloatArray, answers: BoolArray, plateau: BoolArray
) -> tuple[float, float, float, float, tuple[str, ...]]:
    """Learn both set points: from clear evidence, else from plateaus, else typed."""
    top, low = source.voltage_absorption, source.voltage_float
    middle = 0.5 * (top + low) if top - low > 0.2 else low - SEARCH
    found, near, learned = [], [], []
    for name, typed, side, wide in (
        ("absorption", top, voltage > middle, NEAR_TYPED_TOP),
        ("float", low, voltage <= middle, NEAR_TYPED),
    ):
        got = _learn(voltage[answers & side], typed, SEARCH)
        if got is None:
            got = _learn(voltage[plateau & side], typed, SEARCH_PLATEAU)
        if got is not None:
            learned.append(name)
        value, width = (typed, wide) if got is None else got
        found.append(value)
        near.append(width)
    return found[0], near[0], found[1], near[1], tuple(learned)


def _calm(voltage: FloatArray) -> BoolArray:
    """Volts that hold still over five minutes."""
    mean, _ = _moving(voltage, 5)
    square, _ = _moving(voltage**2, 5)
    with np.errstate(invalid="ignore"):
        return np.sqrt(np.maximum(square - mean**2, 0.0)) < 2 * STEADY


def _after_full(
    full: BoolArray, voltage: FloatArray, low: float, day: BoolArray
) -> BoolArray:
    """Mark the minutes of a day after full was first seen, until volts fell far."""
    after = np.zeros(len(full), dtype=np.bool_)
    for first, last in runs(day):
        seen = np.flatnonzero(full[first:last])
        if seen.size:
            after[first + seen[0] : last] = True
    with np.errstate(invalid="ignore"):
        return after & (voltage > low - 0.3)
