"""Estimate the house battery over a trip: assemble inputs, fit, intervals, words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.anchors import find_fulls
from campledger.estimate.battery.balance import (
    HOUR,
    Linear,
    condition,
    spread,
)
from campledger.estimate.battery.chemistry import of_house, open_circuit_table
from campledger.estimate.battery.inputs import gather
from campledger.model.estimates import Anchor, BatteryEstimate, BatteryModel, Estimate
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.estimate.battery.balance import IntArray
    from campledger.estimate.battery.inputs import BatteryInputs
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

NINETY = 1.645
"""Half width of a 90 % interval in standard deviations of a Gaussian."""
OFFSET_STD = 0.06
"""Prior of the current offset, A: shunt monitors at their limits on usual shunts."""
FULL_STD = 0.012
OPENING_STD = 0.05
"""Of an opening that somebody typed. Common practice, no source."""
MODEL_STD = 0.008
"""Least spread of the state of charge. Common practice, no source."""


def _rated(rig: Rig) -> tuple[float, float]:
    kind = of_house(rig.house)
    if rig.house.capacity_now is not None:
        return rig.house.capacity_now, 0.03 * rig.house.capacity_now
    mean = rig.house.capacity_rated * kind.capacity_ratio[0]
    return mean, rig.house.capacity_rated * kind.capacity_ratio[1]


def _balance(
    inputs: BatteryInputs, rig: Rig, opening: Estimate | float | None
) -> Linear:
    kind = of_house(rig.house)
    capacity, capacity_std = _rated(rig)
    known = np.where(np.isfinite(inputs.current), inputs.current, 0.0)
    efficiency = kind.efficiency_low[0]
    stored = np.where(known > 0, efficiency * known, known) - (
        kind.current_hidden_100[0] * rig.house.capacity_rated / 100.0
    )
    moved = np.cumsum(stored) * 60.0 / HOUR
    start, start_std = kind.opening
    if isinstance(opening, Estimate) and np.isfinite(opening.value):
        start = opening.value
        start_std = max(0.01, opening.give_or_take / NINETY)
    elif isinstance(opening, float | int):
        start, start_std = float(opening), OPENING_STD
    elapsed = (inputs.time - inputs.time[0]) / HOUR
    through = np.cumsum(np.where(known > 0, known, 0.0)) * 60.0 / HOUR
    columns = [
        np.ones(len(elapsed)),
        elapsed / capacity,
        -moved / capacity,
        through / capacity,
    ]
    std = [start_std, OFFSET_STD, capacity_std / capacity, kind.efficiency_low[1]]
    charger = sum(s.current_rated or 0.0 for s in rig.sources)
    for number in range(int(inputs.gap.max()) + 1 if len(inputs.gap) else 0):
        inside = inputs.gap == number
        columns.append(np.cumsum(inside) * 60.0 / HOUR / capacity)
        std.append(2.0 + 0.4 * charger)
    return Linear(
        base=moved / capacity,
        rows=np.stack(columns, axis=1),
        mean=np.concatenate(([start], np.zeros(len(std) - 1))),
        std=np.array(std),
    )


def _model(rig: Rig, capacity: float) -> BatteryModel:
    kind = of_house(rig.house)
    soc, voltage = open_circuit_table(rig.house)
    share = rig.house.capacity_rated / 100.0
    return BatteryModel(
        chemistry=kind.name,
        capacity=capacity,
        soc_table=soc,
        voltage_open_table=voltage,
        resistance=kind.resistance_100[0] / share,
        resistance_per_k=kind.resistance_per_k,
        hysteresis=kind.hysteresis[0],
        efficiency_low=kind.efficiency_low[0],
        efficiency_full=kind.efficiency_full[0],
        soc_gassing=kind.soc_gassing,
        acceptance_time=kind.acceptance_time[0],
        current_hidden=kind.current_hidden_100[0] * share,
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
        Use only readings up to this time. [s]

    Returns
    -------
    estimate : BatteryEstimate
        Arrays (m,) on the minute grid of the trip.

    References
    ----------
    .. [1] G. L. Plett, "Extended Kalman filtering for battery management systems",
       EVS-19, 2002: state of charge as a state with its own bounds.
    """
    inputs = gather(record, rig)
    linear = _balance(inputs, rig, opening)
    fulls = [
        f
        for f in find_fulls(inputs, rig)
        if until is None or inputs.time[f.index] <= until
    ]
    kind = of_house(rig.house)
    capacity, _ = _rated(rig)
    at = np.array([f.index for f in fulls], dtype=np.int64)
    missing = np.array([max(f.current, 0.0) for f in fulls])
    value = 1.0 - missing * kind.acceptance_time[0] / HOUR / capacity
    std = np.full(len(fulls), FULL_STD)
    post = condition(linear, at, value, std)
    soc = linear.base + linear.rows @ post.mean
    half = NINETY * np.hypot(spread(linear.rows, post.covariance), MODEL_STD)
    before = linear.base + linear.rows @ linear.mean
    live, live_half = _live(linear, at, value, std)
    capacity_std = capacity * float(np.sqrt(post.covariance[2, 2]))
    capacity_now = capacity * (1.0 + float(post.mean[2]))
    offset_std = float(np.sqrt(post.covariance[1, 1]))
    corrected = inputs.current + post.mean[1]
    into = np.where(np.isfinite(inputs.current), np.maximum(inputs.current, 0.0), 0.0)
    anchors = tuple(
        Anchor(
            time_utc=float(inputs.time[f.index]),
            kind="full",
            soc=float(v),
            soc_std=float(s),
            change=float(soc[f.index] - before[f.index]),
            text=f"{f.voltage:.2f} V and {f.current:.1f} A together",
        )
        for f, v, s in zip(fulls, value, std, strict=True)
    )
    model = _model(rig, capacity_now)
    return BatteryEstimate(
        minute_utc=inputs.time,
        soc=np.clip(soc, 0.0, 1.0),
        soc_lo=np.clip(soc - half, 0.0, 1.0),
        soc_hi=np.clip(soc + half, 0.0, 1.0),
        soc_live=np.clip(live, 0.0, 1.0),
        soc_live_lo=np.clip(live - live_half, 0.0, 1.0),
        soc_live_hi=np.clip(live + live_half, 0.0, 1.0),
        current_corrected=corrected,
        charging_loss=into * (1.0 - kind.efficiency_low[0]),
        capacity=_estimate(capacity_now, capacity_std),
        resistance=Estimate.missing("no load steps judged yet"),
        offset=_estimate(float(post.mean[1]), offset_std),
        efficiency=_estimate(kind.efficiency_low[0], kind.efficiency_low[1]),
        anchors=anchors,
        model=model,
        rung="charge balance" if inputs.has_current else "no current measured",
    )


def _live(
    linear: Linear, at: IntArray, value: FloatArray, std: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Condition on the anchors that lie behind each minute only."""
    m = len(linear.base)
    live, half = np.empty(m), np.empty(m)
    edges = [0, *(int(a) for a in at), m]
    for k in range(len(edges) - 1):
        part = slice(edges[k], edges[k + 1])
        post = condition(linear, at[:k], value[:k], std[:k])
        live[part] = linear.base[part] + linear.rows[part] @ post.mean
        half[part] = NINETY * np.hypot(
            spread(linear.rows[part], post.covariance), MODEL_STD
        )
    return live, half


def _estimate(value: float, std: float) -> Estimate:
    half = NINETY * std
    return Estimate(value=value, lo=value - half, hi=value + half, word=Word.WORKED_OUT)
