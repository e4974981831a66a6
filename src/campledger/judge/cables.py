"""
Cable arithmetic: what a run of copper should lose, and what a size word may mean.

Resistance is that of the loop, out and back. "6 mm" of automotive cable is its outside
size: the copper inside is less, and differs by maker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

RESISTIVITY = 0.0172
"""Copper at 20 Cel, Ohm mm2/m. IEC 60028 figure, from memory."""
TEMP_COEFFICIENT = 0.00393
"""Copper at 20 Cel, 1/K. IEC 60028 figure, from memory."""
JOINTS = 0.010
"""Allowance for the joints and the fuse of a run, Ohm. Common practice, no source."""
TEMP_WORKING = 40.0
"""Copper temperature that is expected in use. Common practice, no source."""
WORKING_FORM = 0.0164
"""E = 0.0164 I L / S, L out and back: a published volt-drop page (ISO 10133 style)."""
DROP_TIGHT = 0.03
"""Share of 12 V where the drop must be kept low: ISO 10133 as excerpted, ABYC E-11 as
cited; for fridge feeds it is common practice."""
DROP_LOOSE = 0.10
"""Share of 12 V for other circuits: ISO 10133 from memory, ABYC E-11 as cited."""
VOLTAGE_NOMINAL = 12.0

CLASS5_LARGEST: Mapping[float, float] = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
    35.0: 0.554,
    50.0: 0.386,
}
"""Largest Ohm/km at 20 Cel of plain flexible copper, IEC 60228 class 5 as reprinted by
three cable makers; the key is the area in mm2."""

CLASS2_LARGEST: Mapping[float, float] = {
    1.5: 12.1,
    2.5: 7.41,
    4.0: 4.61,
    6.0: 3.08,
    10.0: 1.83,
    16.0: 1.15,
    25.0: 0.727,
}
"""Largest Ohm/km at 20 Cel, IEC 60228 class 1/2 as reprinted."""

AUTO_AREA: Mapping[float, float] = {
    6.0: 4.6,
    5.0: 2.9,
    4.0: 1.85,
    3.0: 0.85,
    2.5: 0.64,
    2.0: 0.55,
}
"""Copper area in mm2 of automotive cable by its outside size in mm: a touring couple's
table; it varies by maker."""


@dataclass(frozen=True, kw_only=True)
class SizeReading:
    """One way to read a size word: the words, and the copper area in mm2."""

    words: str
    area: float


def awg_area(gauge: float) -> float:
    """
    Give the copper area of an American gauge.

    Parameters
    ----------
    gauge : float
        Gauge number; 1/0 is 0, 2/0 is -1. [1]

    Returns
    -------
    area : float
        mm2.

    References
    ----------
    .. [1] ASTM B258: diameter 0.127 mm times 92 to the power (36 - n) / 39.
    """
    diameter = 0.127 * 92.0 ** ((36.0 - gauge) / 39.0)
    return float(math.pi / 4.0 * diameter**2)


def loop_resistance(
    length: float, area: float, *, temp: float = 20.0, joints: float = 0.0
) -> float:
    """
    Give the resistance of a run out and back.

    Parameters
    ----------
    length : float
        One way. [m]
    area : float
        Copper area in mm2, > 0.
    temp : float
        Of the copper. [Cel]
    joints : float
        Added for joints. [Ohm]

    Returns
    -------
    resistance : float
        Of the loop. [Ohm]

    Raises
    ------
    ValueError
        Length or area is not positive.

    References
    ----------
    .. [1] IEC 60028 for copper, from memory.
    """
    if length <= 0 or area <= 0:
        msg = f"loop of {length} m and {area} mm2, expected both above 0"
        raise ValueError(msg)
    warm = 1.0 + TEMP_COEFFICIENT * (temp - 20.0)
    return RESISTIVITY * warm * 2.0 * length / area + joints


def loop_largest(
    length: float, area: float, *, temp: float = 20.0, joints: float = 0.0
) -> float | None:
    """
    Give the largest loop resistance that IEC 60228 class 5 allows for a named size.

    Parameters
    ----------
    length : float
        One way. [m]
    area : float
        A standard area in mm2.
    temp : float
        Of the copper. [Cel]
    joints : float
        Added for joints. [Ohm]

    Returns
    -------
    resistance : float or None
        None if the area is no standard size. [Ohm]

    References
    ----------
    .. [1] IEC 60228 class 5 as reprinted by three cable makers.
    """
    each = CLASS5_LARGEST.get(area)
    if each is None:
        return None
    warm = 1.0 + TEMP_COEFFICIENT * (temp - 20.0)
    return each / 1000.0 * warm * 2.0 * length + joints


def drop_working_form(current: float, length_loop: float, area: float) -> float:
    """
    Give the volt drop by the trade's working form.

    Parameters
    ----------
    current : float
        In the loop. [A]
    length_loop : float
        Out and back. [m]
    area : float
        Copper area in mm2.

    Returns
    -------
    drop : float
        In the loop. [V]

    References
    ----------
    .. [1] A published volt-drop page, E = 0.0164 I L / S.
    """
    return WORKING_FORM * current * length_loop / area


def input_current(
    current_out: float, voltage_out: float, voltage_in: float, efficiency: float = 0.9
) -> float:
    """
    Give what a charger draws at its input; more than it gives.

    Parameters
    ----------
    current_out : float
        At the output. [A]
    voltage_out, voltage_in : float
        At the two sides. [V]
    efficiency : float
        Power out over power in, 0..1. [1]

    Returns
    -------
    current_in : float
        At the input. [A]

    References
    ----------
    .. [1] Power balance; the 0.90 is common practice, no source.
    """
    return current_out * voltage_out / (efficiency * voltage_in)


def smaller_readings(size: str, area: float) -> tuple[SizeReading, ...]:
    """
    List what a cable may really be when it was described as something larger.

    Parameters
    ----------
    size : str
        As written, for instance ``6 mm2``.
    area : float
        Copper area that the words stand for, in mm2.

    Returns
    -------
    readings : tuple of SizeReading
        All below 97 % of the area, largest first.

    References
    ----------
    .. [1] Automotive sizes: a touring couple's table; sizes of IEC 60228.
    """
    found = [
        SizeReading(words=f"{outside:g} mm auto cable", area=copper)
        for outside, copper in AUTO_AREA.items()
    ]
    found += [SizeReading(words=f"{a:g} mm2", area=a) for a in CLASS5_LARGEST]
    if "awg" in size.lower() or "b&s" in size.lower():
        found += [
            SizeReading(words=f"{g} AWG", area=awg_area(g)) for g in range(2, 21, 2)
        ]
    below = [r for r in found if r.area < 0.97 * area]
    return tuple(sorted(below, key=lambda r: -r.area))


def best_reading(
    resistance: float,
    length: float,
    readings: tuple[SizeReading, ...],
    *,
    within: float = 0.15,
) -> SizeReading | None:
    """
    Find the size that explains a measured loop, joints included.

    Parameters
    ----------
    resistance : float
        Measured, out and back. [Ohm]
    length : float
        One way. [m]
    readings : tuple of SizeReading
        Candidates.
    within : float
        Largest relative distance, 0..1. [1]

    Returns
    -------
    reading : SizeReading or None
        The closest; of two within 3 % of each other the automotive size, because that
        is the usual mistake. None if nothing fits.

    References
    ----------
    .. [1] Common practice, no source.
    """
    scored = []
    for r in readings:
        wanted = loop_resistance(length, r.area, temp=TEMP_WORKING, joints=JOINTS)
        scored.append((abs(resistance / wanted - 1.0), "auto" not in r.words, r))
    fits = sorted((x for x in scored if x[0] <= within), key=lambda x: x[:2])
    if not fits:
        return None
    close = [x for x in fits if x[0] <= fits[0][0] + 0.03]
    return min(close, key=lambda x: (x[1], x[0]))[2]
