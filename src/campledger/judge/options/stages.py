"""
How the chargers of a trip ended their charge: held volts, taper, float; learned.

Nothing of a maker is assumed: the volts that were held, the current that the battery
took at them against its charge, how long they were held and where the battery came to
rest on float are read off the record. What the trip did not show is common practice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.fit_data import GAS_CELL, GAS_PER_V, LEAD_CELLS
from campledger.estimate.battery.simulate import resistance_slow
from campledger.estimate.loads.censored import runs
from campledger.model.rig import LEAD

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryModel
    from campledger.model.series import BoolArray, FloatArray

NEAR = 0.06
"""Volts under the highest about that still count as held. Common practice. [V]"""
WINDOW = 45
"""Minutes to either side in which the highest volts are looked for."""
REACHES = 0.3
"""Volts that stay this far under the set point were not held. [V]"""
DROP = 0.2
"""Volts by which a charger that ends its absorption lets go, at least. [V]"""
HELD_LEAST = 30
"""Minutes at the held volts from which a taper is learned. Common practice."""
EXPONENT_LEAST, EXPONENT_MOST = 0.5, 1.5
"""Current against missing charge is a power law near 1 (ampere-hour law). [1]"""
EXPONENT_PRIOR = 20.0
"""Minutes' worth of weight of the exponent 1. Common practice, no source."""
MISSING_LEAST = 0.004
"""Least missing share in the logarithm. [1]"""
REST_MOST = 0.01
"""Current of a battery at rest on float, of its capacity. Common practice. [1/h]"""
REST_MINUTES = 20
"""A float is known from so many steady minutes. Common practice, no source."""
TOP = 0.98
"""From here the volts of lithium rise steeply. Common practice, no source. [1]"""
FULL_LEAST = 4
"""Minutes at the held volts that a taper of lithium takes at least."""
SMALL = 1e-6
SUN, DRIVE = 0, 1
LET_GO = 15
"""Minutes for which the volts stay down after absorption. Common practice."""
MOSTLY = 0.7
IDLE_SHARE = 0.8
"""A charger that gives less of what it could is holding back. Common practice. [1]"""
HOLDS = {"lfp": 0.5}
HOLDS_LEAD = 2.0
"""Hours of absorption where no end was seen. Common practice, no source. [h]"""
REBULK = {"lfp": 13.2}
REBULK_LEAD = 12.8
"""Volts below which a floating charger begins anew. Common practice, no source. [V]"""
RATE_MOST = 5.0
"""No 12 V battery is charged faster than this, of capacity. [1/h]"""


@dataclass(frozen=True, kw_only=True)
class Stages:
    """
    How charge ends on this rig.

    ``voltage_absorption`` is held for ``hold`` hours (by sun, by engine); then
    ``voltage_float``, under which the battery rests at ``soc_float``. At the held
    volts it takes ``rate`` times (missing share) ** ``exponent``, 1/h of capacity, and
    at least ``rate_least``. Of this ``gassing`` (1/h of capacity at 2.23 V a cell and
    20 degC, lead only) does not stay.
    """

    voltage_absorption: float
    voltage_float: float
    soc_float: float
    hold: tuple[float, float]
    rate: float
    exponent: float
    rate_least: float
    voltage_rebulk: float
    gassing: float = 0.0

    def takes(self, soc: FloatArray) -> FloatArray:
        """Give the current taken at the held volts, of capacity. (p,) [1/h]"""
        missing = np.maximum(1.0 - soc, 0.0)
        out: FloatArray = np.clip(
            self.rate * missing**self.exponent, self.rate_least, RATE_MOST
        )
        return out


@dataclass(frozen=True, kw_only=True)
class Charging:
    """
    What is known of the minutes of a trip for `learned_stages`; arrays (m,).

    ``volts`` V at the battery, ``net`` A into it, ``soc``; ``given`` A by all chargers
    and ``able`` A that they could have given; ``offered`` marks minutes in which a
    charger had something to give, ``engine`` those in which it ran, ``fresh`` those in
    which a charger began anew; ``day`` numbers days.
    """

    volts: FloatArray
    net: FloatArray
    soc: FloatArray
    given: FloatArray
    able: FloatArray
    offered: BoolArray
    engine: BoolArray
    fresh: BoolArray
    day: FloatArray


def usual_stages(
    model: BatteryModel, *, voltage_absorption: float, voltage_float: float
) -> Stages:
    """
    Give the stages of a charger about which the trip showed nothing.

    Parameters
    ----------
    model : BatteryModel
        Its acceptance time gives the taper.
    voltage_absorption, voltage_float : float
        As typed or usual. [V]

    Returns
    -------
    stages : Stages
        The middle of what is usual.

    References
    ----------
    .. [1] Current at the held volts proportional to the missing charge (ampere-hour
       law). Common practice, no source.
    """
    kind = model.chemistry
    rest = _soc_at(model, voltage_float)
    return Stages(
        voltage_absorption=voltage_absorption,
        voltage_float=voltage_float,
        soc_float=rest,
        hold=(HOLDS.get(kind, HOLDS_LEAD),) * 2,
        rate=_usual_rate(model),
        exponent=1.0,
        rate_least=0.0,
        voltage_rebulk=REBULK.get(kind, REBULK_LEAD),
        gassing=_gassing(model, voltage_absorption),
    )


def _gassing(model: BatteryModel, volts: float) -> float:
    """Bring the fitted gassing at these volts down to 2.23 V a cell. [1/h]"""
    at = model.parameters.get("gas_full", 0.0) / model.capacity
    return at / float(np.exp(GAS_PER_V * (volts / LEAD_CELLS - GAS_CELL)))


def _usual_rate(model: BatteryModel) -> float:
    """
    Give the taper of a battery that was never held. [1/h]

    Lithium is held back by the rise of its volts at the top over its resistance.
    """
    slow = 3600.0 / model.acceptance_time
    if model.chemistry in LEAD:
        return slow
    rise = model.voltage_open_table[-1] - np.interp(
        TOP, model.soc_table, model.voltage_open_table
    )
    resistance = float(resistance_slow(model, 25.0))
    return max(slow, float(rise) / (1.0 - TOP) / (resistance * model.capacity))


def _soc_at(model: BatteryModel, volts: float) -> float:
    """Where the resting battery shows these volts; 1 where it never does."""
    table = np.maximum.accumulate(model.voltage_open_table)
    if volts >= table[-1]:
        return 1.0
    return float(np.interp(volts, table, model.soc_table))


def learned_stages(model: BatteryModel, seen: Charging, usual: Stages) -> Stages:
    """
    Learn the stages from a trip; what it did not show stays usual.

    Parameters
    ----------
    model : BatteryModel
        Fitted to the trip.
    seen : Charging
        The minutes of the trip.
    usual : Stages
        From `usual_stages`.

    Returns
    -------
    stages : Stages
        Of this trip.

    References
    ----------
    Common practice, no source.
    """
    held = held_minutes(seen, usual.voltage_absorption)
    made = usual
    if held.sum() >= REST_MINUTES // 2:
        made = replace(made, voltage_absorption=float(np.median(seen.volts[held])))
        made = _ended(made, seen, held)
    made = _taper(made, seen, held, model)
    return _floating(made, seen, held, model)


def held_minutes(seen: Charging, voltage_absorption: float) -> BoolArray:
    """
    Mark minutes in which a charger held its absorption volts.

    Parameters
    ----------
    seen : Charging
        The minutes of the trip.
    voltage_absorption : float
        As typed; what is held moves with temperature within a day. [V]

    Returns
    -------
    held : (m,) bool
        Near the highest volts of the hour, and those near the set point.

    References
    ----------
    Common practice, no source.
    """
    volts = np.where(np.isfinite(seen.volts), seen.volts, -np.inf)
    wide = np.pad(volts, WINDOW, constant_values=-np.inf)
    top = np.lib.stride_tricks.sliding_window_view(wide, 2 * WINDOW + 1).max(axis=1)
    held: BoolArray = (
        seen.offered & (volts >= top - NEAR) & (top >= voltage_absorption - REACHES)
    )
    return held


def _ended(made: Stages, seen: Charging, held: BoolArray) -> Stages:
    """
    Learn how long each charger held its volts.

    A charger has let go where the volts stay down although it could give more: not at
    a cloud, not when the engine stops, not at the dip of a pump.
    """
    down = np.isfinite(seen.volts) & (seen.volts < made.voltage_absorption - DROP)
    could = seen.offered & (seen.given < IDLE_SHARE * seen.able)
    holds = list(made.hold)
    for row in (SUN, DRIVE):
        lasted, unbroken = _holds(seen, held, down & could, row)
        if lasted:
            holds[row] = float(np.median(lasted))
        elif unbroken > holds[row]:
            holds[row] = unbroken
    return replace(made, hold=(holds[SUN], holds[DRIVE]))


def _holds(
    seen: Charging, held: BoolArray, let_go: BoolArray, row: int
) -> tuple[list[float], float]:
    """Hours held in ended sessions of one charger, and the most of the others."""
    lasted: list[float] = []
    unbroken = 0.0
    for a, b in runs(_sessions(seen)):
        at = np.flatnonzero(held[a:b]) + a
        if not len(at) or bool(seen.engine[at].mean() > 0.5) != (row == DRIVE):
            continue
        end = _let_go(let_go, at[0], b)
        if end >= b:
            unbroken = max(unbroken, float(at[-1] + 1 - at[0]) / 60.0)
        elif (before := at[at < end]).size:
            lasted.append(float(before[-1] + 1 - at[0]) / 60.0)
    return lasted, unbroken


def _sessions(seen: Charging) -> BoolArray:
    """Mark the minutes of sessions; a minute is left out to part them."""
    out = seen.offered.copy()
    out[seen.fresh] = False
    out[1:] &= ~(seen.engine[:-1] & ~seen.engine[1:])
    return out


def _let_go(let_go: BoolArray, start: int, stop: int) -> int:
    """First minute from which the volts stay down though more could be had."""
    for k in range(start, stop - LET_GO):
        if let_go[k] and let_go[k : k + LET_GO].mean() >= MOSTLY:
            return k
    return stop


def _taper(
    made: Stages, seen: Charging, held: BoolArray, model: BatteryModel
) -> Stages:
    """Fit current at the held volts against missing charge, in logarithms."""
    missing = 1.0 - seen.soc
    if model.chemistry not in LEAD:
        missing = _to_come(seen, held, model.capacity)
    least = MISSING_LEAST if model.chemistry in LEAD else SMALL
    use = held & np.isfinite(seen.net) & (seen.net > 0.0) & np.isfinite(missing)
    part = use & (missing > least)
    if part.sum() < (HELD_LEAST if model.chemistry in LEAD else LET_GO):
        return made
    x = np.log(missing[part])
    y = np.log(seen.net[part] / model.capacity)
    slope = 1.0
    if model.chemistry in LEAD:
        slope = _slope(x, y)
    rate = float(np.exp(np.median(y - slope * x)))
    top = use & (missing <= least)
    rest = float(np.median(seen.net[top])) / model.capacity if top.sum() > 9 else 0.0
    return replace(
        made, rate=rate, exponent=slope, rate_least=float(np.clip(rest, 0, REST_MOST))
    )


def _slope(x: FloatArray, y: FloatArray) -> float:
    """Exponent of the taper, drawn towards the ampere-hour law."""
    off = x - x.mean()
    spread = float((off**2).sum())
    slope = (float((off * (y - y.mean())).sum()) + EXPONENT_PRIOR) / (
        spread + EXPONENT_PRIOR
    )
    return float(np.clip(slope, EXPONENT_LEAST, EXPONENT_MOST))


def _to_come(seen: Charging, held: BoolArray, capacity: float) -> FloatArray:
    """
    Share that still went in until a full session ended, NaN outside such; (m,).

    Lithium is full within minutes at the held volts: no count of charge is as sharp.
    """
    out = np.full(len(held), np.nan)
    for a, b in runs(held):
        net = np.nan_to_num(seen.net[a:b])
        if b - a < FULL_LEAST or net[-1] > REST_MOST * capacity:
            continue
        after = np.cumsum(net[::-1])[::-1] - 0.5 * net
        high = net > REST_MOST * capacity
        out[a:b] = np.where(high, after / 60.0 / capacity, np.nan)
    return out


def _floating(
    made: Stages, seen: Charging, held: BoolArray, model: BatteryModel
) -> Stages:
    """Find where the battery rests while a charger floats."""
    calm = np.abs(seen.net) <= REST_MOST * model.capacity
    low = seen.volts < made.voltage_absorption - DROP
    near = np.abs(seen.volts - made.voltage_float) < REACHES
    could = seen.offered & (seen.given < IDLE_SHARE * seen.able)
    calm &= could & low & near & ~held & np.isfinite(seen.soc)
    steady = np.zeros(len(calm), dtype=bool)
    for a, b in runs(calm):
        if b - a >= REST_MINUTES and np.ptp(seen.volts[a + 5 : b]) < NEAR:
            steady[a + 5 : b] = True
    if steady.sum() < REST_MINUTES:
        return made
    volts = float(np.median(seen.volts[steady]))
    rest = float(np.median(seen.soc[steady]))
    if model.chemistry in LEAD:
        rest = 1.0
    return replace(made, voltage_float=volts, soc_float=rest)
