"""
Resistance thermometers on a converter's input.

References: IEC 60751 (coefficients of platinum); the beta equation of NTC thermistors
is common practice.
"""

from __future__ import annotations

import math

from campledger.acquire.drivers.word import NAN

PLATINUM_A, PLATINUM_B, PLATINUM_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""IEC 60751."""
KELVIN = 273.15
REFERENCE = 25.0


def platinum_resistance(temp: float, nominal: float = 100.0) -> float:
    """Give the resistance of a platinum probe at a temperature [Cel]. [Ohm]"""
    ratio = 1 + PLATINUM_A * temp + PLATINUM_B * temp**2
    if temp < 0.0:
        ratio += PLATINUM_C * (temp - 100) * temp**3
    return nominal * ratio


def platinum_tolerance(temp: float, *, tight: bool) -> float:
    """Give the tolerance of class A (tight) or B at a temperature [Cel]. [K]"""
    return 0.15 + 0.002 * abs(temp) if tight else 0.3 + 0.005 * abs(temp)


def ntc_resistance(temp: float, *, nominal: float, beta: float) -> float:
    """Give the resistance of an NTC probe at a temperature [Cel]. [Ohm]"""
    inverse = 1 / (temp + KELVIN) - 1 / (REFERENCE + KELVIN)
    return nominal * math.exp(beta * inverse)


def ntc_temperature(
    volts: float, *, supply: float, series: float, nominal: float, beta: float
) -> float:
    """
    Give the temperature of an NTC between an input and ground. [Cel]

    NaN where it is shorted or open: outside 1 % to 99 % of the supply.
    """
    share = volts / supply
    if not 0.01 < share < 0.99:
        return NAN
    resistance = series * share / (1 - share)
    inverse = math.log(resistance / nominal) / beta + 1 / (REFERENCE + KELVIN)
    return 1 / inverse - KELVIN


def platinum_temperature(resistance: float, nominal: float = 100.0) -> float:
    """Give the temperature of a platinum probe of a resistance [Ohm]. [Cel]"""
    temp = (resistance / nominal - 1) / PLATINUM_A
    for _ in range(20):
        slope = nominal * (PLATINUM_A + 2 * PLATINUM_B * temp)
        step = (platinum_resistance(temp, nominal) - resistance) / slope
        temp -= step
        if abs(step) < 1e-9:
            break
    return temp


def platinum_of_divider(
    volts: float, *, supply: float, series: float, nominal: float
) -> float:
    """
    Give the temperature of a platinum probe between an input and ground. [Cel]

    NaN where it is shorted or open: outside a tenth to three times its resistance.
    """
    share = volts / supply
    if not 0.0 < share < 1.0:
        return NAN
    resistance = series * share / (1 - share)
    if not nominal / 10 < resistance < 3 * nominal:
        return NAN
    return platinum_temperature(resistance, nominal)
