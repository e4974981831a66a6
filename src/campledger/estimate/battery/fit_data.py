"""
The trip on the fit's coarser grid: charge columns, filtered currents, noise.

State of charge is linear in the unknowns once the capacity is fixed; this module lays
out those columns, so that the fit only does algebra.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.anchors import (
    TEMP_REFERENCE,
    absorption_lowest,
    compensation,
)
from campledger.estimate.battery.chemistry import Chemistry, of_house
from campledger.estimate.battery.inputs import fill_between

if TYPE_CHECKING:
    from campledger.estimate.battery.anchors import Full
    from campledger.estimate.battery.curve import IntArray
    from campledger.estimate.battery.inputs import BatteryInputs
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray

HOUR = 3600.0
DAY = 86400.0
BINS_MOST = 3000
"""Grid points of the fit, at most: sets minutes per bin for long trips."""
GAP_MINUTES = 5
"""Longer gaps get an unknown of their own. Common practice, no source."""
TAPER_MARGIN = 0.08
UNMEASURED = 0.6
"""A drawn in no circuit where circuits stand for the shunt: mean and spread of lights,
pumps and standing draw. Common practice, no source."""
GAPS_MOST = 40
GAP_CURRENT_STD = 1.5
GAP_CHARGER_SHARE = 0.35
"""Of the charger's rating: a drive may hide in a gap. Common practice, no source."""
GAP_HOURS_RANDOM = 3.0
"""Beyond this a gap's mean current averages out. Common practice, no source."""
STUCK_CURRENT_STD = 0.5
"""A, when sources and loads still tell what the stuck shunt does not."""
FILTER_TIMES: tuple[float, ...] = (1200.0, 7200.0)
"""Time constants of slow polarisation, s. Common practice, no source."""
WELL_DEEP = 5.0
"""Time constant of the deep well over that of the near one. Common practice."""
GAS_PER_V, GAS_PER_K, GAS_TEMP, GAS_CELL = 11.0, 0.06, 20.0, 2.23
"""Gassing of a lead cell: J. Schiffer, D. U. Sauer et al., "Model prediction for
ranking lead-acid batteries according to expected lifetime in renewable energy systems
and autonomous power-supply systems", J. Power Sources 168 (2007) 66, eq. for I_gas."""
LEAD_CELLS = 6.0
ACCEPT_PER_K = 0.025
"""Lead accepts charge more slowly by this for a kelvin colder: about half as fast at
freezing as at 25 Cel. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class FitData:
    """
    Columns of the fit, n grid points.

    ``stored`` A.h moved with the expected offset and efficiency; ``through`` A.h
    charged; ``gas`` A.h gassed at 1 A nominal; ``hours`` since the start; ``walk`` (n,
    w) and ``gaps`` (n, g) A.h for a unit of each unknown; ``voltage``, ``current``,
    ``temp`` means; ``filtered`` (n, f) filtered currents, A; ``swing`` -1..1 the
    direction of the last charge; ``noise`` V, inf where volts say nothing; ``taper``
    marks charging held by the battery's own acceptance.
    """

    index: FloatArray
    minutes: int
    hours: FloatArray
    stored: FloatArray
    through: FloatArray
    gas: FloatArray
    walk: FloatArray
    gaps: FloatArray
    gap_std: FloatArray
    voltage: FloatArray
    current: FloatArray
    temp: FloatArray
    filtered: FloatArray
    well: FloatArray
    swing: FloatArray
    noise: FloatArray
    taper: BoolArray
    current_filled: FloatArray
    full_at: FloatArray
    full_current: FloatArray


def low_pass(value: FloatArray, step: float, time: float) -> FloatArray:
    """
    Filter with one time constant; the input is constant over each step.

    Parameters
    ----------
    value : (n,) float64
        No NaN.
    step, time : float
        Step and time constant. [s]

    Returns
    -------
    filtered : (n,) float64
        At the end of each step, starting from zero.

    References
    ----------
    .. [1] First-order lag, exact for piecewise constant input.
    """
    keep = float(np.exp(-step / time))
    out = np.empty(len(value))
    state = 0.0
    for k, x in enumerate(value.tolist()):
        state = keep * state + (1.0 - keep) * x
        out[k] = state
    return out


def acceptance_time(temp: FloatArray, *, tau: float, lead: bool) -> FloatArray:
    """
    Give the time constant at which a held battery accepts charge.

    Parameters
    ----------
    temp : (n,) float64
        Of the battery. [Cel]
    tau : float
        Logarithm of the time constant in s at 25 Cel. [1]
    lead : bool
        Lead-acid slows in the cold; lithium is left as it is.

    Returns
    -------
    duration : (n,) float64
        Missing charge over accepted current. [s]

    References
    ----------
    .. [1] Common practice, no source.
    """
    slower = ACCEPT_PER_K * (TEMP_REFERENCE - temp) * float(lead)
    out: FloatArray = np.exp(tau + slower)
    return out


def direction(current: FloatArray, capacity: float, step: float) -> FloatArray:
    """
    Follow the hysteresis: which way charge last moved, -1 to 1.

    Parameters
    ----------
    current : (n,) float64
        No NaN, + into the battery. [A]
    capacity : float
        Of the battery; 3 % of it turns the state round. [A.h]
    step : float
        Length of a step. [s]

    Returns
    -------
    swing : (n,) float64
        State at the end of each step. [1]

    References
    ----------
    .. [1] G. L. Plett, "Extended Kalman filtering for battery management systems of
       LiPB-based HEV battery packs", J. Power Sources 134 (2004), hysteresis state;
       from memory.
    """
    out = np.empty(len(current))
    state = 0.0
    rate = step / HOUR / (0.03 * capacity)
    for k, x in enumerate(current.tolist()):
        keep = float(np.exp(-abs(x) * rate))
        state = keep * state + (1.0 - keep) * (1.0 if x > 0 else -1.0)
        out[k] = state
    return out


def _fill_gaps(inputs: BatteryInputs, charger: float) -> tuple[FloatArray, FloatArray]:
    """Fill missing current from neighbours or circuits; give each gap's A std."""
    filled = fill_between(inputs.current, 0.0)
    net = inputs.charging - np.where(np.isfinite(inputs.loading), inputs.loading, 0.0)
    with np.errstate(invalid="ignore"):
        rest = inputs.current - net
    usual = float(np.nanmedian(rest)) if np.isfinite(rest).any() else np.nan
    typical = float(np.nanmean(inputs.current)) if inputs.has_current else 0.0
    std = []
    for number in range(int(inputs.gap.max()) + 1):
        inside = np.flatnonzero(inputs.gap == number)
        hours = len(inside) / 60.0
        told = np.isfinite(net[inside])
        if np.isfinite(usual) and told.mean() > 0.8:
            filled[inside] = fill_between(net[inside], 0.0) + usual
            std.append(STUCK_CURRENT_STD)
            continue
        if hours > GAP_HOURS_RANDOM:
            filled[inside] = typical
        wide = float(np.hypot(GAP_CURRENT_STD, GAP_CHARGER_SHARE * charger))
        wide *= min(1.0, float(np.sqrt(GAP_HOURS_RANDOM / hours)))
        std.append(wide)
    return filled, np.array(std)


def _bins(value: FloatArray, minutes: int) -> FloatArray:
    n = len(value) // minutes
    with np.errstate(invalid="ignore"):
        parts = value[: n * minutes].reshape(n, minutes)
        count = np.isfinite(parts).sum(axis=1)
        total = np.nansum(parts, axis=1)
    return np.where(count * 2 >= minutes, total / np.maximum(count, 1), np.nan)


def _since(mark: BoolArray, step: float) -> FloatArray:
    """Seconds since the mark was last true; large before the first."""
    index = np.arange(len(mark))
    last = np.maximum.accumulate(np.where(mark, index, -(10**6)))
    return ((index - last) * step).astype(np.float64)


def _noise(
    data: dict[str, FloatArray], kind: Chemistry, rig: Rig, step: float
) -> FloatArray:
    """Give the deviation of the modelled voltage at each grid point, V."""
    rated = rig.house.capacity_rated
    current, voltage = data["current"], data["voltage"]
    charging = current > 0.01 * rated
    rate = np.abs(current) / rated
    dark = _since(data["dark"] > 0, step)
    if kind.name == "lfp":
        noise = 0.010 + 0.05 * rate + 0.03 * np.exp(-dark / 3600.0)
        high = (voltage > rig.house.voltage_float + 0.1) & charging
        noise = np.where(high | (voltage > 13.65), np.inf, noise)
    else:
        since = _since(charging, step)
        noise = 0.030 + 0.3 * rate + 0.25 * np.exp(-since / 5400.0)
        noise += 0.08 * np.exp(-dark / 7200.0)
        held = voltage > 13.1
        noise = np.where(charging | held, np.inf, noise)
    return np.where(np.isfinite(voltage + current), noise, np.inf)


def _walk(hours: FloatArray) -> FloatArray:
    """Give the charge of a unit offset change at each midnight-to-midnight knot."""
    days = int(np.ceil(hours[-1] / 24.0))
    columns = [np.maximum(hours - 24.0 * day, 0.0) for day in range(1, days)]
    return np.stack(columns, axis=1) if columns else np.zeros((len(hours), 0))


def _gap_columns(
    gap: FloatArray, std: FloatArray, ends: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Give the weightiest gaps an unknown each; pool the rest by the day."""
    if not len(std):
        return np.zeros((len(ends), 0)), np.zeros(0)
    length = np.bincount(gap[gap >= 0].astype(np.int64), minlength=len(std))
    own = np.flatnonzero(length >= GAP_MINUTES)
    own = own[np.argsort(-(length * std)[own])][:GAPS_MOST]
    columns = [np.cumsum(gap == g)[ends] / 60.0 for g in own]
    wide = [float(std[g]) for g in own]
    rest = (gap >= 0) & ~np.isin(gap, own)
    day = np.arange(len(gap)) // 1440
    for d in np.unique(day[rest]):
        inside = rest & (day == d)
        number = len(np.unique(gap[inside]))
        columns.append(np.cumsum(inside)[ends] / 60.0)
        wide.append(float(np.mean(std[gap[inside].astype(np.int64)])) / number**0.5)
    return np.stack(columns, axis=1), np.array(wide)


def lay_out(inputs: BatteryInputs, rig: Rig, fulls: tuple[Full, ...]) -> FitData:
    """
    Lay the trip out for the fit.

    Parameters
    ----------
    inputs : BatteryInputs
        The record on its minute grid.
    rig : Rig
        The vehicle as described.
    fulls : tuple of Full
        Full charges found in the record.

    Returns
    -------
    data : FitData
        Columns on a grid of one to fifteen minutes.

    References
    ----------
    .. [1] Charge balance. Common practice, no source.
    """
    kind = of_house(rig.house)
    rated = rig.house.capacity_rated
    m = len(inputs.time)
    minutes = max(
        1,
        min(5, m // 288),
        int(np.ceil(m / BINS_MOST / 5.0)) * 5 if m > 5 * BINS_MOST else 0,
    )
    step = minutes * 60.0
    charger = sum(s.current_rated or 0.0 for s in rig.sources)
    filled, gap_std = _fill_gaps(inputs, charger or 0.2 * rated)
    ends = np.arange(minutes - 1, m, minutes)
    n = len(ends)
    per = 60.0 / HOUR
    hours = (ends + 1) / 60.0
    volts = fill_between(inputs.voltage, kind.voltage[-2])
    gas = np.zeros(n)
    if kind.name != "lfp":
        rate = np.exp(
            GAS_PER_V * (np.minimum(volts, 15.5) / LEAD_CELLS - GAS_CELL)
            + GAS_PER_K * (inputs.temp - GAS_TEMP)
        )
        gas = np.cumsum(rate)[ends] * per
    gaps, gap_std = _gap_columns(inputs.gap, gap_std, ends)
    mean = _bins(filled, minutes)[:n]
    part = {
        "current": _bins(inputs.current, minutes)[:n],
        "voltage": _bins(inputs.voltage, minutes)[:n],
        "dark": _bins((inputs.gap >= 0).astype(float), minutes)[:n],
    }
    temp = _bins(inputs.temp, minutes)[:n]
    warm = compensation(rig) * (temp - TEMP_REFERENCE)
    absorbing = part["voltage"] > absorption_lowest(rig) + warm - TAPER_MARGIN
    return FitData(
        index=ends.astype(np.float64),
        minutes=minutes,
        hours=hours,
        stored=np.cumsum(filled)[ends] * per,
        through=np.cumsum(np.maximum(filled, 0.0))[ends] * per,
        gas=gas,
        walk=_walk(hours),
        gaps=gaps,
        gap_std=gap_std,
        voltage=part["voltage"],
        current=np.where(np.isfinite(part["current"]), part["current"], mean),
        temp=temp,
        filtered=np.stack([low_pass(mean, step, t) for t in FILTER_TIMES], axis=1),
        well=np.stack(
            [
                low_pass(mean, step, kind.well_time),
                low_pass(mean, step, WELL_DEEP * kind.well_time),
            ],
            axis=1,
        ),
        swing=direction(mean, rated, step),
        noise=_noise(part, kind, rig, step),
        taper=absorbing
        & (part["current"] > 0.005 * rated)
        & (part["current"] < 0.2 * rated),
        current_filled=filled,
        full_at=np.array([min(f.index // minutes, n - 1) for f in fulls], dtype=float),
        full_current=np.array([max(f.current, 0.0) for f in fulls]),
    )
