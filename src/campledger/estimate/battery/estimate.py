"""Estimate the house battery over a trip: assemble inputs, fit, intervals, words."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.anchors import find_fulls
from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.fit import prepare
from campledger.estimate.battery.fit_data import UNMEASURED, lay_out
from campledger.estimate.battery.influence import interval_scale, list_anchors
from campledger.estimate.battery.inputs import gather
from campledger.estimate.battery.live_track import run_live
from campledger.estimate.battery.load_steps import resistance_from_steps
from campledger.estimate.battery.outcome import fitted_model, gas_current
from campledger.estimate.battery.posterior import quantile, weigh
from campledger.estimate.battery.simulate import typical
from campledger.estimate.battery.volts_only import from_volts
from campledger.model.estimates import BatteryEstimate, Estimate
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.estimate.battery.anchors import Full
    from campledger.estimate.battery.fit import Problem
    from campledger.estimate.battery.inputs import BatteryInputs
    from campledger.estimate.battery.posterior import Mixture
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

NINETY = 1.645
"""Half width of a 90 % interval in standard deviations of a Gaussian."""
OPENING_STD = 0.03
"""Of an opening that somebody typed. Common practice, no source."""
MODEL_STD = 0.004
"""Least spread of the state of charge. Common practice, no source."""
WITHIN = {"lfp": 0.8, "lead": 0.75}
"""Factor on the spread at one capacity; fulls foretold by the rest scale it further."""
BETWEEN = {"lfp": 0.95, "lead": 0.65}
"""Factor on the spread between capacities, of which fulls say nothing."""
WITHOUT_FULL = {"lfp": (2.2, 1.4), "lead": (1.0, 1.0)}
"""Further factors where no full was found: lithium then rests on the place of the
plateau's steps, which differs between makes. All found on the tuning trips and on a
light generator's other batteries, and kept for all others."""
WIDEN_CIRCUITS = 1.6
"""Where circuits stand for the shunt: loads in none of them come and go."""
EDGE_WIDTH = 1e-3


@dataclass(frozen=True, kw_only=True)
class _Tracks:
    soc: FloatArray
    lo: FloatArray
    hi: FloatArray


def _opening(rig: Rig, opening: Estimate | float | None) -> tuple[float, float]:
    if isinstance(opening, Estimate) and np.isfinite(opening.value):
        return opening.value, max(0.01, opening.give_or_take / NINETY)
    if isinstance(opening, float | int):
        return float(opening), OPENING_STD
    mean, std = of_house(rig.house).opening
    return mean, std


def _cut(inputs: BatteryInputs, until: float | None) -> BatteryInputs:
    """Keep only the minutes up to a time."""
    if until is None or until >= inputs.time[-1]:
        return inputs
    n = max(1, int(np.searchsorted(inputs.time, until, side="right")))
    arrays = {
        f.name: getattr(inputs, f.name)[:n]
        for f in fields(inputs)
        if isinstance(getattr(inputs, f.name), np.ndarray)
    }
    return replace(inputs, **arrays)


def _padded(value: FloatArray, size: int) -> FloatArray:
    out = np.full(size, np.nan)
    out[: len(value)] = value
    return out


def _tracks(
    problem: Problem,
    mixture: Mixture,
    inputs: BatteryInputs,
    *,
    within: float,
    between: float,
) -> _Tracks:
    """Carry the fit's grid to minutes: the counted charge fills in between."""
    data = problem.data
    std = np.hypot(mixture.std, MODEL_STD) * within
    middle = mixture.weight @ mixture.mean
    spread = middle + (mixture.mean - middle) * between
    lo = quantile(mixture.weight, spread, std, 0.05)
    hi = quantile(mixture.weight, spread, std, 0.95)
    minute = np.arange(len(inputs.time), dtype=np.float64)
    counted = np.cumsum(data.current_filled) / 60.0
    size = float(mixture.weight @ mixture.capacity)
    base = middle - data.stored / size
    soc = np.interp(minute, data.index, base) + counted / size
    below = np.interp(minute, data.index, middle - lo)
    above = np.interp(minute, data.index, hi - middle)
    return _Tracks(
        soc=np.clip(soc, 0.0, 1.0),
        lo=np.clip(soc - below, 0.0, 1.0 - EDGE_WIDTH),
        hi=np.clip(soc + above, EDGE_WIDTH, 1.0),
    )


def _plain(value: float, std: float, word: Word = Word.WORKED_OUT) -> Estimate:
    half = NINETY * std
    return Estimate(value=value, lo=value - half, hi=value + half, word=word)


def _factors(
    problem: Problem, inputs: BatteryInputs, scale: float
) -> tuple[float, float]:
    """Factors on the spread at one capacity and between capacities."""
    kind = problem.kind_name
    anchored = bool(len(problem.data.full_at))
    lost = (1.0, 1.0) if anchored else WITHOUT_FULL[kind]
    told = 1.0 if inputs.has_current else WIDEN_CIRCUITS
    return scale * WITHIN[kind] * lost[0] * told, BETWEEN[kind] * lost[1] * told


def _capacity(mixture: Mixture, widen: float) -> Estimate:
    mean = float(mixture.weight @ mixture.capacity)
    total = np.cumsum(mixture.weight)
    lo, hi = np.interp([0.05, 0.95], total, mixture.capacity)
    told = (hi - lo) / mean < 0.12
    return Estimate(
        value=mean,
        lo=float(mean + (min(lo, mean) - mean) * widen),
        hi=float(mean + (max(hi, mean) - mean) * widen),
        word=Word.WORKED_OUT if told else Word.ASSUMED,
        reason="" if told else "can't tell yet: no swing deep enough between anchors",
    )


def _resistance(measured: Estimate, mixture: Mixture, problem: Problem) -> Estimate:
    """Prefer load steps; else what the fit says of minutes."""
    if np.isfinite(measured.value) and measured.value > 0.0:
        return measured
    mean, std = mixture.moment(problem.layout.at("r0"))
    lo, value, hi = np.exp([mean - NINETY * std, mean, mean + NINETY * std])
    return Estimate(value=float(value), lo=float(lo), hi=float(hi))


def _rung(inputs: BatteryInputs) -> str:
    if inputs.has_current:
        return "house current and volts"
    return "circuits added up, and volts"


def _notes(
    inputs: BatteryInputs, fulls: tuple[Full, ...], scale: float, seen: tuple[int, int]
) -> tuple[str, ...]:
    notes = [
        "offset of the shunt and a hidden drain cannot be told apart; the figure is "
        "their sum"
    ]
    dark = int(np.sum(inputs.gap >= 0))
    if dark:
        notes.append(
            f"house current missing in {dark / 60.0:.1f} h, filled and widened"
        )
    if inputs.stuck_minutes:
        notes.append(
            f"house current stood still in {inputs.stuck_minutes} min, left out"
        )
    if not inputs.has_temp:
        notes.append("no battery temperature: 25 degC assumed")
    if not fulls:
        notes.append("no full charge in this trip: the level rests on volts")
    count, inside = seen
    if count >= 2:
        notes.append(
            f"{inside} of {count} full charges lay in the 90 % interval foretold "
            f"without them; the interval's scale is {scale:.2f}"
        )
    return tuple(notes)


def _blind(record: TripRecord, rig: Rig, inputs: BatteryInputs) -> BatteryEstimate:
    """Give what volts alone tell."""
    m = len(record.minute_utc)
    told = from_volts(inputs.voltage, rig.house)
    nan = np.full(m, np.nan)
    size = rig.house.capacity_now or rig.house.capacity_rated
    needs = "needs a shunt in the main negative"
    return BatteryEstimate(
        minute_utc=record.minute_utc,
        soc=_padded(told.soc, m),
        soc_lo=_padded(told.lo, m),
        soc_hi=_padded(told.hi, m),
        soc_live=_padded(told.live, m),
        soc_live_lo=_padded(told.live_lo, m),
        soc_live_hi=_padded(told.live_hi, m),
        current_corrected=nan,
        charging_loss=nan,
        capacity=Estimate.missing(needs),
        resistance=Estimate.missing(needs),
        offset=Estimate.missing(needs),
        efficiency=Estimate.missing(needs),
        anchors=(),
        model=typical(rig.house.chemistry, size),
        rung="volts only",
        notes=("no current measured: a wide band from volts, no charge",),
    )


def estimate_battery(
    record: TripRecord,
    rig: Rig,
    *,
    opening: Estimate | float | None = None,
    until: float | None = None,
) -> BatteryEstimate:
    """
    Estimate state of charge, capacity and resistance of the house battery over a trip.

    Parameters
    ----------
    record : TripRecord
        One trip; needs volts, and current or all circuits for the charge.
    rig : Rig
        The vehicle as described.
    opening : Estimate or float, optional
        State of charge at the start, if somebody knows it. [1]
    until : float, optional
        Use only readings up to this time; NaN after it. [s]

    Returns
    -------
    estimate : BatteryEstimate
        Arrays (m,) on the minute grid of the trip. ``offset`` is what the shunt reads
        with no current, a hidden drain included.

    References
    ----------
    .. [1] G. L. Plett, "Extended Kalman filtering for battery management systems",
       EVS-19, 2002: state of charge as a state with its own bounds.
    """
    inputs = _cut(gather(record, rig), until)
    if not np.isfinite(inputs.current).any():
        return _blind(record, rig, inputs)
    m = len(record.minute_utc)
    fulls = find_fulls(inputs, rig)
    data = lay_out(inputs, rig, fulls)
    unmeasured = 0.0 if inputs.has_current else UNMEASURED
    problem = prepare(rig, data, _opening(rig, opening), unmeasured=unmeasured)
    mixture = weigh(problem, rig.house)
    scale, count, inside = interval_scale(problem, mixture.best)
    within, between = _factors(problem, inputs, scale)
    tracks = _tracks(problem, mixture, inputs, within=within, between=between)
    live = run_live(inputs, rig, _opening(rig, opening))
    at = problem.layout.at
    offset, offset_std = mixture.moment(at("offset"))
    loss, loss_std = mixture.moment(at("loss"))
    gas = gas_current(problem, mixture.best, inputs)
    into = np.maximum(data.current_filled, 0.0)
    through = max(float(np.sum(into)), 1e-9)
    charging_loss = np.minimum(loss * into + gas, np.maximum(into, gas))
    return BatteryEstimate(
        minute_utc=record.minute_utc,
        soc=_padded(tracks.soc, m),
        soc_lo=_padded(tracks.lo, m),
        soc_hi=_padded(tracks.hi, m),
        soc_live=_padded(live.soc, m),
        soc_live_lo=_padded(live.lo, m),
        soc_live_hi=_padded(live.hi, m),
        current_corrected=_padded(inputs.current + offset, m),
        charging_loss=_padded(np.maximum(charging_loss, 0.0), m),
        capacity=_capacity(mixture, between),
        resistance=_resistance(
            resistance_from_steps(record, rig, until=until), mixture, problem
        ),
        offset=_plain(-offset, offset_std * max(within, 1.0)),
        efficiency=_plain(1.0 - loss - float(np.sum(gas)) / through, loss_std),
        anchors=list_anchors(problem, mixture.best, record.minute_utc),
        model=fitted_model(problem, mixture, rig),
        rung=_rung(inputs),
        notes=_notes(inputs, fulls, scale, (count, inside)),
    )
