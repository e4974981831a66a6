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
from campledger.estimate.sun_set_points import learn_set_points

if TYPE_CHECKING:
    from campledger.estimate.sun_set_points import SetPoints
    from campledger.model.rig import Source
    from campledger.model.series import BoolArray, FloatArray, Minutes

WINDOW = 15
"""Minutes in which volts and currents are compared."""
STEADY = 0.008
"""Volts of a holding regulator wander less than this. Common practice. [V]"""
LOAD_MOVES = 0.25
"""Loads must move by this (standard deviation) to show who answers. [A]"""
ANSWERS = 0.5
"""Share of a load step that a holding regulator at least supplies itself."""
ANSWERS_LEAST = 4
"""Minutes in a window that must show it: one alone is chance. Common practice."""
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
YIELD_WINDOW, YIELD_MOVES, YIELD_OHM, YIELD_EXPLAINED = 31, 0.1, 0.003, 0.5
"""Minutes, least wander of the current, volts an ampere and share explained that show a
battery at work: a regulator's cable drop has the other sign. [1, A, Ohm, 1]"""
FULL_OUTPUT = 0.97
"""A panel that gives this share of a clear sky is not being held. Common practice."""
PARTLY = 0.9
"""The same for a minute of which only a part was at the set point."""
BESIDE = 41
"""Width of the neighbourhood of a held minute. [minutes]"""
HARDLY = 0.04
"""Volts this close below a set point may still be held. Common practice. [V]"""


@dataclass(frozen=True, kw_only=True)
class HeldEvidence:
    """
    Minutes held back, and what told so.

    ``held`` (m,); ``doubtful`` (m,) marks minutes beside them with the volts hardly
    below the set point, which say nothing sure about the sky; ``answers`` (m,) marks
    minutes where the current followed the loads; ``absorption`` and ``floating`` V are
    the set points used (at 25 Cel), ``compensation`` V/K what a kelvin of cold adds;
    ``learned`` names those that were found in the record.
    """

    held: BoolArray
    doubtful: BoolArray
    answers: BoolArray
    absorption: float
    floating: float
    compensation: float
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


def _covariance(a: FloatArray, b: FloatArray, width: int = WINDOW) -> FloatArray:
    product, _ = _moving(a * b, width)
    return product - _moving(a, width)[0] * _moving(b, width)[0]


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


def find_held(
    source: Source,
    volts: Minutes,
    current_sun: FloatArray,
    current_load: FloatArray | None,
    current_house: FloatArray | None,
    expected: FloatArray,
    power: FloatArray,
    temp: FloatArray | None = None,
) -> HeldEvidence:
    """
    Tell in which minutes a full battery held the sun back.

    Parameters
    ----------
    source : Source
        The regulator's typed set points.
    volts : Minutes
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
    temp : (m,) float64, optional
        Battery, where its chargers may follow the temperature. [Cel]

    Returns
    -------
    evidence : HeldEvidence
        Only daylight minutes can be held.

    References
    ----------
    .. [1] Common practice, no source.
    """
    voltage = volts.mean
    day = expected > 0.02 * np.nanmax(expected, initial=1e-9)
    answers = np.zeros(len(voltage), dtype=np.bool_)
    if current_load is not None:
        answers = follows_loads(voltage, current_sun, current_load) & day
        answers &= around(answers.astype(np.float64), WINDOW) >= ANSWERS_LEAST
    calm = _calm(voltage)
    giving, idle = _battery_role(current_house, len(voltage))
    plateau = day & calm & ~giving & (power < 0.8 * expected)
    plateau &= ~_yields(voltage, current_house, plateau)
    points = learn_set_points(source, voltage, answers, plateau, temp)
    level = voltage - points.rise
    low, near_low = points.floating, points.near_floating
    with np.errstate(invalid="ignore"):
        at_top = level >= points.absorption - points.near_absorption
        at_low = (level >= low - near_low) & (level <= low + 2 * near_low)
        above = level > low + 2 * near_low
        nothing = power < np.maximum(NOTHING * expected, NOTHING_LEAST)
    nothing &= expected > LOW_SUN * np.nanmax(expected, initial=1e-9)
    soft = _yields(level, current_house, calm & day)
    if "absorption" not in points.learned:
        at_top &= calm & ~soft
    after = _after_full(at_top | answers, level, low, day)
    settled = after | idle if "float" in points.learned else idle & ~soft
    follows = answers | (calm & settled)
    held = day & (at_top | ((above | at_low) & nothing) | (at_low & ~giving & follows))
    held &= np.isfinite(power)
    with np.errstate(invalid="ignore"):
        held &= power < FULL_OUTPUT * expected
        less = day & (power < PARTLY * expected)
    held |= _partly(held, volts.high - points.rise, points, less)
    beside = around(held.astype(np.float64), BESIDE) > 0
    with np.errstate(invalid="ignore"):
        doubtful = day & ~held & beside & (level >= low - HARDLY)
    return HeldEvidence(
        held=held,
        doubtful=doubtful,
        answers=answers,
        absorption=points.absorption,
        floating=low,
        compensation=points.compensation,
        learned=points.learned,
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


def _yields(
    voltage: FloatArray, current: FloatArray | None, where: BoolArray
) -> BoolArray:
    """
    Minutes in which the volts gave way to the battery's current.

    Then the battery's resistance sets them, not a regulator.
    """
    if current is None:
        return np.zeros(len(voltage), dtype=np.bool_)
    volts = np.where(where & np.isfinite(current), voltage, np.nan)
    amps = np.where(np.isfinite(volts), current, np.nan)
    moved = _covariance(amps, amps, YIELD_WINDOW)
    joint = _covariance(amps, volts, YIELD_WINDOW)
    own = np.maximum(_covariance(volts, volts, YIELD_WINDOW), 1e-9)
    with np.errstate(invalid="ignore"):
        soft = (moved > YIELD_MOVES**2) & (joint > YIELD_OHM * moved)
        soft &= joint**2 > YIELD_EXPLAINED * moved * own
    return where & soft


def _calm(voltage: FloatArray) -> BoolArray:
    """Volts that hold still over five minutes, or stiller over three to either side."""
    calm = _wander(voltage, 5) < 2 * STEADY
    beside = _wander(voltage, 3) < STEADY
    calm[1:] |= beside[:-1]
    calm[:-1] |= beside[1:]
    return calm & np.isfinite(voltage)


def _wander(voltage: FloatArray, width: int) -> FloatArray:
    """Standard deviation over a centred window."""
    with np.errstate(invalid="ignore"):
        spread: FloatArray = np.sqrt(
            np.maximum(
                _moving(voltage**2, width)[0] - _moving(voltage, width)[0] ** 2, 0
            )
        )
    return np.nan_to_num(spread, nan=np.inf)


def _partly(
    held: BoolArray, level_high: FloatArray, points: SetPoints, low_output: BoolArray
) -> BoolArray:
    """Minutes beside held ones that saw a set point too: a load came or went."""
    beside = around(held.astype(np.float64), 3) > 0
    top = points.absorption - points.near_absorption
    low, near = points.floating, points.near_floating
    with np.errstate(invalid="ignore"):
        touched = (level_high >= top) | (np.abs(level_high - low) <= near)
    return ~held & beside & touched & low_output


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
