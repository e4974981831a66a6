"""
Zero of the house shunt, and current that goes round it.

Only an isolated test measures a zero; the record bounds it: with no charger alive a
battery cannot be charged. Between two full charges what went in must have come out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.anchors import find_fulls
from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.inputs import gather, number_runs
from campledger.estimate.sensor_findings import SensorFinding
from campledger.model.rig import Correction

if TYPE_CHECKING:
    from campledger.estimate.battery.inputs import BatteryInputs
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

HOUSE = "current_house_a"
ZERO_LEAST = 0.02
"""A: job C37."""
CALM_MINUTES = 10
"""Job C37: isolated for more than 10 min."""
DEAD_SOURCE = 0.04
"""A above its own least reading below which a charger is off. Common practice."""
ROUND_CHARGE, ROUND_SHARE = 3.0, 0.15
"""A.h and share of the charge out: job C38."""
CYCLE_HOURS = 6.0
GAP_SHARE = 0.03
LEAD_EFFICIENCY = (0.85, 0.95)
"""Bounds shown with C38: job C38."""
LFP_EFFICIENCY = (0.985, 1.0)


def _finding(
    kind: str, verdict: str, sure: str, text: str, **more: object
) -> SensorFinding:
    base: dict[str, object] = {
        "channel": HOUSE,
        "value": float("nan"),
        "lo": float("nan"),
        "hi": float("nan"),
        "evidence": 0,
    }
    base.update(more)
    return SensorFinding(kind=kind, verdict=verdict, sure=sure, text=text, **base)  # type: ignore[arg-type]


def check_zero(record: TripRecord, rig: Rig) -> tuple[SensorFinding, ...]:
    """
    Bound the zero offset of the house shunt.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        Names the sources; all must be measured for the bound.

    Returns
    -------
    findings : tuple of SensorFinding
        One, if the house current is measured.

    References
    ----------
    .. [1] Without a source a battery is not charged. Common practice, no source.
    """
    if HOUSE not in record.channels:
        return ()
    inputs = gather(record, rig)
    test = "the isolated test: pull the main fuse for 10 min and read"
    if not inputs.has_sources:
        text = "no record of every charger, so no time is known without charge"
        return (_finding("zero", "cannot_tell", "hint", text, needs=test),)
    with np.errstate(invalid="ignore"):
        floor = np.nanquantile(inputs.charging, 0.05)
        dead = np.abs(inputs.charging - floor) < DEAD_SOURCE
    dead &= np.isfinite(inputs.current)
    runs = number_runs(dead)
    levels = []
    for number in range(int(runs.max()) + 1):
        part = inputs.current[runs == number]
        if len(part) >= CALM_MINUTES:
            kernel = np.convolve(part, np.ones(CALM_MINUTES) / CALM_MINUTES, "valid")
            levels.append(float(kernel.max()))
    if not levels:
        text = "never 10 min without a charger"
        return (_finding("zero", "cannot_tell", "hint", text, needs=test),)
    top = float(np.quantile(levels, 0.5))
    shown = {"value": top, "lo": top, "hi": float(max(levels)), "evidence": len(levels)}
    if top > ZERO_LEAST:
        daily = 24.0 * top
        text = (
            f"reads at least +{top:.2f} A with every charger off = {daily:.1f} A.h a "
            "day of charge that nobody gave"
        )
        fix = Correction(channel=HOUSE, offset=-top, reason=text)
        row = _finding("zero", "fault", "likely", text, correction=fix, **shown)
        return (row,)
    text = (
        f"least draw seen {-top:.2f} A; zero and standing draw cannot be told apart "
        "from the record"
    )
    return (_finding("zero", "cannot_tell", "hint", text, needs=test, **shown),)


@dataclass(frozen=True, kw_only=True)
class _Cycle:
    hours: float
    into: float
    out: float


def _cycles(inputs: BatteryInputs, rig: Rig) -> list[_Cycle]:
    fulls = find_fulls(inputs, rig)
    found = []
    for first, last in itertools.pairwise(fulls):
        part = inputs.current[first.index : last.index]
        hours = len(part) / 60.0
        if hours < CYCLE_HOURS or np.mean(~np.isfinite(part)) > GAP_SHARE:
            continue
        part = np.nan_to_num(part)
        found.append(
            _Cycle(
                hours=hours,
                into=float(np.maximum(part, 0.0).sum() / 60.0),
                out=float(np.maximum(-part, 0.0).sum() / 60.0),
            )
        )
    return found


def check_round_shunt(record: TripRecord, rig: Rig) -> tuple[SensorFinding, ...]:
    """
    Look for a load or charger that the house shunt does not see.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        The vehicle as described.

    Returns
    -------
    findings : tuple of SensorFinding
        One, if the house current is measured.

    References
    ----------
    .. [1] Charge between two full charges. Common practice, no source.
    """
    if HOUSE not in record.channels:
        return ()
    cycles = _cycles(gather(record, rig), rig)
    needs = "two full charges at least 6 h apart in a record without holes"
    if not cycles:
        text = "no two full charges to compare"
        return (_finding("round_shunt", "cannot_tell", "hint", text, needs=needs),)
    hours = sum(c.hours for c in cycles)
    into, out = sum(c.into for c in cycles), sum(c.out for c in cycles)
    low, high = LEAD_EFFICIENCY if rig.house.is_lead else LFP_EFFICIENCY
    kind = of_house(rig.house)
    middle = 0.90 if rig.house.is_lead else kind.efficiency_low[0]
    lost = (into * middle - out) / hours
    span = ((into * low - out) / hours, (into * high - out) / hours)
    number = len(cycles)
    charge = into * middle - out
    shown = {"value": lost, "lo": span[0], "hi": span[1], "evidence": number}
    mean = abs(charge) / number
    odd = mean > ROUND_CHARGE and abs(charge) > ROUND_SHARE * max(out, 1e-9)
    if not odd or span[0] < 0.0 < span[1]:
        text = f"{number} full-to-full cycles close within {mean:.1f} A.h each"
        return (_finding("round_shunt", "pass", "measured", text, **shown),)
    if lost > 0:
        text = (
            f"about {lost:.2f} A leaves by a path that the shunt does not see; look "
            "for a negative lead to chassis at the battery post"
        )
    else:
        text = f"about {-lost:.2f} A comes in by a path that the shunt does not see"
    return (
        _finding(
            "round_shunt",
            "fault",
            "likely",
            text,
            needs="a clamp around everything on the battery post against the shunt",
            **shown,
        ),
    )
