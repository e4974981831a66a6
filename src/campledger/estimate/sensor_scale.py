"""
Sign and scale of current sensors, from steps: differences, never absolute pairs.

A step of one circuit shows in the house shunt with the same size; the volts answer a
step of the house current with a small positive resistance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sensor_findings import SensorFinding
from campledger.model.integrate import resample_previous
from campledger.model.rig import Correction

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

HOUSE = "current_house_a"
VOLTS = "voltage_house_v"
STEP_LEAST = 2.0
"""A: job C35."""
STEPS_LEAST = 5
"""Job C35."""
CIRCUIT_STEP = 1.0
CIRCUIT_STEPS = 5
HELD_MARGIN = 0.12
"""V below float that is surely not held. Common practice, no source."""
STILL_SHARE = 0.1
"""What other circuits may move in a step that counts. Common practice."""
OFFSET_LEAST = 0.5
"""A above which a circuit's sign counts. Common practice, no source."""
WRONG_SHARE = 0.9
BAND = 0.03
"""Job C36: k outside 0.97 to 1.03."""
SNAPS = (0.1, 0.2, 0.5, 2 / 3, 0.75, 4 / 3, 1.5, 2.0, 5.0, 10.0)
"""Job C36: 50/75 mV and 100/200/500 A confusions, both ways."""
SNAP_BAND = 0.04
ANSWER_LEAST = 0.05
STEPS_MOST = 4000


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """Median slope with its 90 % order-statistic interval and the number of steps."""

    value: float
    lo: float
    hi: float
    number: int


def median_ratio(ratio: FloatArray) -> Ratio:
    """
    Give the median and its 90 % interval.

    Parameters
    ----------
    ratio : (n,) float64
        One value a step; no NaN.

    Returns
    -------
    median : Ratio
        NaN with no steps.

    References
    ----------
    .. [1] Order statistics, binomial interval. Common practice, no source.
    """
    n = len(ratio)
    if n == 0:
        nan = float("nan")
        return Ratio(value=nan, lo=nan, hi=nan, number=0)
    ordered = np.sort(ratio)
    reach = 0.8225 * np.sqrt(n)
    low = int(np.clip(np.floor(0.5 * n - reach), 0, n - 1))
    high = int(np.clip(np.ceil(0.5 * n + reach), 0, n - 1))
    return Ratio(
        value=float(np.median(ordered)),
        lo=float(ordered[low]),
        hi=float(ordered[high]),
        number=n,
    )


def _steps(
    record: TripRecord,
    driver: str,
    answer: str,
    least: float,
    others: tuple[str, ...] = (),
    below: float = np.inf,
) -> tuple[FloatArray, FloatArray]:
    """Give the steps of one channel and what another did at the same time."""
    if driver not in record.channels or answer not in record.channels:
        return np.zeros(0), np.zeros(0)
    series = record.channels[driver]
    other = resample_previous(record.channels[answer], series.time_utc)
    move = np.diff(series.value)
    reply = np.diff(other)
    near = np.diff(series.time_utc) <= series.hole
    with np.errstate(invalid="ignore"):
        pick = near & np.isfinite(reply) & (np.abs(move) >= least)
        if np.isfinite(below) and VOLTS in record.channels:
            laid = resample_previous(record.channels[VOLTS], series.time_utc)
            pick &= np.maximum(laid[1:], laid[:-1]) < below
        for name in others:
            if name in record.channels and name != driver:
                laid = resample_previous(record.channels[name], series.time_utc)
                calm = ~(np.abs(np.diff(laid)) > STILL_SHARE * np.abs(move))
                pick &= calm
    index = np.flatnonzero(pick)[:STEPS_MOST]
    return move[index], reply[index]


def _nearest_snap(ratio: float) -> float | None:
    best = min(SNAPS, key=lambda s: abs(np.log(ratio / s)))
    return best if abs(ratio / best - 1.0) <= SNAP_BAND else None


def _house_sign(record: TripRecord) -> SensorFinding | None:
    if HOUSE not in record.channels:
        return None
    move, reply = _steps(record, HOUSE, VOLTS, STEP_LEAST)
    slope = median_ratio(reply / move)
    common = {
        "channel": HOUSE,
        "kind": "sign",
        "value": slope.value,
        "lo": slope.lo,
        "hi": slope.hi,
        "evidence": slope.number,
        "sure": "measured",
    }
    if slope.number < STEPS_LEAST or slope.lo < 0.0 < slope.hi:
        return SensorFinding(
            verdict="cannot_tell",
            text=f"only {slope.number} clear steps of 2 A or more",
            needs="a load of 2 A or more switched five times",
            **common,  # type: ignore[arg-type]
        )
    milli = 1e3 * slope.value
    if slope.value > 0.0:
        return SensorFinding(
            verdict="pass",
            text=f"volts rise with current: {milli:.1f} milliohm",
            **common,  # type: ignore[arg-type]
        )
    reason = f"house shunt reads backwards ({milli:.1f} milliohm)"
    return SensorFinding(
        verdict="fault",
        text=f"{reason}; swap the two sense leads or accept the printed correction",
        correction=Correction(channel=HOUSE, scale=-1.0, reason=reason),
        **common,  # type: ignore[arg-type]
    )


def _circuit_sign(record: TripRecord, channel: str) -> SensorFinding | None:
    if channel not in record.channels:
        return None
    value = record.channels[channel].value
    value = value[np.isfinite(value)]
    strong = value[np.abs(value) >= OFFSET_LEAST]
    if len(strong) < STEPS_LEAST:
        return None
    wrong = float(np.mean(strong < 0))
    bad = wrong > WRONG_SHARE
    reason = "reads below zero where it should deliver or use"
    return SensorFinding(
        channel=channel,
        kind="sign",
        verdict="fault" if bad else "pass",
        sure="measured",
        value=wrong,
        lo=wrong,
        hi=wrong,
        evidence=len(strong),
        text=reason if bad else "sign as expected",
        correction=Correction(channel=channel, scale=-1.0, reason=reason)
        if bad
        else None,
    )


def _circuits(rig: Rig) -> list[tuple[str, float]]:
    """Name the circuit channels with the way they move the house current."""
    sources = [(f"current_{s.name}_a", 1.0) for s in rig.sources]
    loads = [(f"current_{x.name}_a", -1.0) for x in rig.loads]
    return [*sources, ("current_charge_a", 1.0), *loads]


def check_signs(record: TripRecord, rig: Rig) -> tuple[SensorFinding, ...]:
    """
    Check the sign of every current sensor.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        Names the circuits.

    Returns
    -------
    findings : tuple of SensorFinding
        The house shunt first.

    References
    ----------
    .. [1] Volts rise with charging current. Common practice, no source.
    """
    found = [_house_sign(record)]
    found += [_circuit_sign(record, name) for name, _ in _circuits(rig)]
    return tuple(f for f in found if f is not None)


def circuit_ratios(record: TripRecord, rig: Rig) -> dict[str, Ratio]:
    """
    Compare the house shunt with each circuit, step by step.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        Names the circuits.

    Returns
    -------
    ratios : dict of str to Ratio
        House step over circuit step, + if both mean the same; circuits with too few
        steps are left out.

    References
    ----------
    .. [1] Common practice, no source.
    """
    found = {}
    names = tuple(name for name, _ in _circuits(rig))
    for name, way in _circuits(rig):
        # Held at a set point a charger answers loads: such steps say nothing.
        below = rig.house.voltage_float - HELD_MARGIN if way > 0 else np.inf
        move, reply = _steps(record, name, HOUSE, CIRCUIT_STEP, names, below)
        ratio = median_ratio(way * reply / move)
        if ratio.number >= CIRCUIT_STEPS:
            found[name] = ratio
    return found


def _blame(ratios: dict[str, Ratio]) -> tuple[str, Ratio] | None:
    """Find which sensor the ratios speak against; None if all agree with the house."""
    off = {n: r for n, r in ratios.items() if r.hi < 1 - BAND or r.lo > 1 + BAND}
    if not off:
        return None
    if len(off) == len(ratios) > 1 and _alike(list(off.values())):
        return HOUSE, max(off.values(), key=lambda r: r.number)
    name = max(off, key=lambda n: abs(np.log(max(abs(off[n].value), 1e-3))))
    if len(ratios) == 1:
        return HOUSE, off[name]
    return name, off[name]


def _alike(ratios: list[Ratio]) -> bool:
    value = np.abs([r.value for r in ratios])
    return bool(value.max() <= (1.0 + 2.0 * BAND) * value.min())


def _scale_finding(channel: str, ratio: Ratio, number: int) -> SensorFinding:
    size = abs(ratio.value)
    if size < ANSWER_LEAST and channel == HOUSE:
        return SensorFinding(
            channel=channel,
            kind="scale",
            verdict="fault",
            sure="likely",
            value=size,
            lo=ratio.lo,
            hi=ratio.hi,
            evidence=ratio.number,
            text="does not answer a measured circuit: stuck or on another wire",
            needs="a clamp meter beside the shunt while a known load is switched",
        )
    lo, hi = sorted((abs(ratio.lo), abs(ratio.hi)))
    if channel != HOUSE:
        size, lo, hi = 1.0 / max(size, 1e-6), 1.0 / max(hi, 1e-6), 1.0 / max(lo, 1e-6)
    snap = _nearest_snap(size)
    shown = f"reads {size:.3f} of the rest"
    if snap is not None:
        shown += f", near {snap:.3g}: a shunt or range set wrong"
    alone = " (one circuit only: which of the two is wrong needs a known load)"
    return SensorFinding(
        channel=channel,
        kind="scale",
        verdict="fault" if snap is not None else "look",
        sure="likely",
        value=size,
        lo=lo,
        hi=hi,
        evidence=ratio.number,
        text=shown + (alone if number == 1 else ""),
        needs="a clamp meter at 5 to 10 A on a known load",
        correction=Correction(
            channel=channel, scale=1.0 / (snap or size), reason=shown
        ),
    )


def check_scale(record: TripRecord, rig: Rig) -> tuple[SensorFinding, ...]:
    """
    Check the scale of the house shunt and the circuits against each other.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        Names the circuits.

    Returns
    -------
    findings : tuple of SensorFinding
        The house shunt, and a circuit that alone disagrees.

    References
    ----------
    .. [1] Common practice, no source.
    """
    if HOUSE not in record.channels:
        return ()
    ratios = circuit_ratios(record, rig)
    nan = float("nan")
    if not ratios:
        return (
            SensorFinding(
                channel=HOUSE,
                kind="scale",
                verdict="cannot_tell",
                sure="hint",
                value=nan,
                lo=nan,
                hi=nan,
                evidence=0,
                text="no circuit with its own sensor stepped often enough",
                needs="one circuit with its own shunt, or a known 5 A load",
            ),
        )
    blamed = _blame(ratios)
    best = max(ratios.values(), key=lambda r: r.number)
    if blamed is not None and blamed[0] == HOUSE:
        return (_scale_finding(HOUSE, blamed[1], len(ratios)),)
    passed = SensorFinding(
        channel=HOUSE,
        kind="scale",
        verdict="pass",
        sure="measured",
        value=abs(best.value),
        lo=best.lo,
        hi=best.hi,
        evidence=sum(r.number for r in ratios.values()),
        text=f"agrees with {len(ratios)} circuits within 3 %",
    )
    if blamed is None:
        return (passed,)
    return passed, _scale_finding(blamed[0], blamed[1], len(ratios))
