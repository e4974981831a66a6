"""C14-C17: the volts that the battery was charged to."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import runs, slope_with_intercept
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence
    from campledger.judge.fitout.plateaus import Plateau

NEAR_TARGET = 0.15
LONG_DRIVE = 60
SUNNY_CHARGE = 10.0
CUT_SHARE = 0.04
TAKING = 0.5
FLOAT_WITHIN, FLOAT_HELD, FLOAT_BAND = 60, 30, 0.12
BAND = 0.20
LFP_EQUALISE = 14.8
LFP_HOLD_V, LFP_HOLD_MINUTES = 13.8, 240
COMPENSATION_LEAST = 0.005
COMPENSATION_USUAL = -0.024
SPAN_LEAST = 10.0
PLATEAUS_LEAST = 4
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _sources_named(evidence: Evidence) -> str:
    return "" if evidence.rig.sources else "no charging source in the rig file"


def _lead_only(evidence: Evidence) -> str:
    return "" if evidence.rig.house.is_lead else "lead batteries only"


def _sunny_days(evidence: Evidence) -> int:
    name = evidence.names["solar"]
    if not name or not evidence.has(f"current_{name}_a"):
        return 0
    amps = np.nan_to_num(evidence.minute(f"current_{name}_a"))
    days = [
        float(np.sum(amps[evidence.day_index == d])) / 60.0
        for d in np.unique(evidence.day_index)
    ]
    return sum(1 for charge in days if charge > SUNNY_CHARGE)


def absorption_reached(evidence: Evidence) -> Result:
    """C14: the volts that the battery asks for were seen at least once."""
    volts = evidence.voltage
    smooth = _running_low(volts, 3)
    gap = smooth - evidence.absorb
    if not np.isfinite(gap).any():
        return cannot_tell("No battery volts.", "voltage_house_v")
    best = int(np.nanargmax(gap))
    drives = [d for d in evidence.drives if d.minutes >= LONG_DRIVE]
    sunny = _sunny_days(evidence)
    chances = len(drives) + sunny
    target = float(evidence.absorb[best])
    if gap[best] >= -NEAR_TARGET:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Reached {volts[best]:.2f} V where {target:.1f} is asked.",
            value=float(volts[best]),
            limit=target - NEAR_TARGET,
            count=max(1, chances),
        )
    if len(drives) < 2 and not sunny:
        return cannot_tell(
            f"Best volts {volts[best]:.2f}; no two drives of an hour and no sunny day.",
            "two drives of an hour, or a sunny day",
            count=chances,
        )
    held = any(
        abs(p.volts - volts[best]) < 0.08 and p.current_first > TAKING
        for p in evidence.plateaus
    )
    return Result(
        verdict=Verdict.FAULT if held else Verdict.WORTH_A_LOOK,
        reads=(
            f"Best volts on the whole trip {volts[best]:.2f}; this battery asks "
            f"{target:.1f}. {len(drives)} drives of an hour and {sunny} sunny days "
            + ("were long enough." if held else "did not bring it there.")
        ),
        value=float(volts[best]),
        limit=target - NEAR_TARGET,
        count=chances,
        sure=Sure.MEASURED if held else Sure.LIKELY,
    )


def _running_low(values: Array, width: int) -> Array:
    """Smallest of so many minutes in a row; NaN next to holes."""
    if len(values) < width:
        return np.full(len(values), np.nan)
    frames = np.lib.stride_tricks.sliding_window_view(values, width)
    out = np.full(len(values), np.nan)
    out[width - 1 :] = np.min(frames, axis=1)
    return out


def absorption_cut(evidence: Evidence) -> Result:
    """C15: the charger left absorption with much current still going in."""
    limit = CUT_SHARE * evidence.capacity
    found = evidence.plateaus
    high = [p for p in found if p.volts > evidence.absorb_least[p.first] - 0.2]
    early, left = [], 0
    for p in high:
        if not _to_float(evidence, p, found):
            continue
        left += 1
        amps = float(np.nanmedian(evidence.current[max(p.first, p.last - 3) : p.last]))
        if amps > limit:
            early.append((p, amps))
    if not high:
        return cannot_tell("Absorption volts were never held.", "a full charge")
    if not early:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{len(high)} absorptions, none left with more than {limit:.1f} A.",
            value=0.0,
            limit=limit,
            count=len(high),
        )
    p, amps = max(early, key=lambda x: x[1])
    return Result(
        verdict=Verdict.FAULT if len(early) >= 2 else Verdict.WORTH_A_LOOK,
        reads=(
            f"The charger went to float after {p.last - p.first} min with {amps:.0f} A "
            f"still going in ({len(early)} of {left} times)."
        ),
        value=amps,
        limit=limit,
        count=len(high),
        picture=_hold_picture(evidence, p),
    )


def _to_float(evidence: Evidence, plateau: Plateau, found: list[Plateau]) -> bool:
    """Tell whether the same charger went on to hold float volts."""
    near = slice(max(0, plateau.last - 5), plateau.last + 5)
    if evidence.engine is not None:
        on = evidence.engine[0][near]
        if bool(on.any()) != bool(on.all()):
            return False
    shift = evidence.rig.house.temp_compensation * (plateau.temp - 25.0)
    level = evidence.rig.house.voltage_float + shift
    later = [
        q
        for q in found
        if 0 <= q.first - plateau.last <= FLOAT_WITHIN
        and abs(q.volts - level) < FLOAT_BAND
        and q.volts < plateau.volts - 0.35
    ]
    held = sum(q.last - q.first for q in later)
    return held >= FLOAT_HELD


def _hold_picture(evidence: Evidence, plateau: Plateau) -> Picture:
    part = slice(max(0, plateau.first - 60), plateau.last + 120)
    x = evidence.minute_utc[part]
    target = float(evidence.absorb_most[plateau.first])
    return Picture(
        kind="plateau",
        title="Battery volts while charging",
        x=tuple(x.tolist()),
        y=tuple(evidence.voltage[part].tolist()),
        x_label="Time",
        y_label="Battery volts, V",
        line_x=(float(x[0]), float(x[-1])),
        line_y=(target, target),
        line_label="asked by the rig file",
    )


def wrong_profile(evidence: Evidence) -> Result:
    """C16: the volts that are held lie outside what the battery asks for."""
    house = evidence.rig.house
    found = evidence.plateaus
    if not found:
        return cannot_tell("No charger held its volts.", "a full charge")
    high = [p for p in found if p.volts > evidence.absorb_most[p.first] + BAND]
    equalise = [] if house.is_lead else [p for p in found if p.volts > LFP_EQUALISE]
    held = [] if house.is_lead else _long_holds(evidence)
    if not (high or equalise or held):
        return Result(
            verdict=Verdict.PASS,
            reads=f"{len(found)} plateaus, none above what the battery asks.",
            value=max(p.volts for p in found),
            limit=house.voltage_absorption + BAND,
            count=len(found),
        )
    if high or equalise:
        p = max(high or equalise, key=lambda x: x.volts)
        asked = float(evidence.absorb_most[p.first])
        text = (
            f"The charger holds {p.volts:.2f} V; this {house.chemistry} battery asks "
            f"{asked:.1f}."
        )
        return Result(
            verdict=Verdict.FAULT,
            reads=text,
            value=p.volts,
            limit=asked + BAND,
            count=len(found),
            picture=_hold_picture(evidence, p),
        )
    minutes = max(held)
    return Result(
        verdict=Verdict.WORTH_A_LOOK,
        reads=f"Held above {LFP_HOLD_V} V for {minutes / 60:.0f} h at full.",
        value=minutes,
        limit=LFP_HOLD_MINUTES,
        unit="min",
        count=len(found),
    )


def _long_holds(evidence: Evidence) -> list[int]:
    with np.errstate(invalid="ignore"):
        full = np.abs(evidence.current) < 0.03 * evidence.capacity
        mask = (evidence.voltage >= LFP_HOLD_V) & full
    return [b - a for a, b in runs(mask) if b - a > LFP_HOLD_MINUTES]


def compensation(evidence: Evidence) -> Result:
    """C17: held volts against battery temperature."""
    lead = evidence.rig.house.is_lead
    target = evidence.absorb_least
    top = [p for p in evidence.plateaus if p.volts > target[p.first] - 0.45]
    floats = evidence.rig.house.voltage_float + 0.35
    top = [p for p in top if p.volts > floats and p.current_first > TAKING]
    temps = np.array([p.temp for p in top])
    volts = np.array([p.volts for p in top])
    span = float(np.ptp(temps)) if len(temps) else 0.0
    if len(top) < PLATEAUS_LEAST or span < SPAN_LEAST:
        return cannot_tell(
            f"{len(top)} absorption plateaus over {span:.0f} K; {PLATEAUS_LEAST} over "
            f"{SPAN_LEAST:.0f} K are needed.",
            "a warmer or colder charge",
            count=len(top),
        )
    line = slope_with_intercept(temps, volts)
    low, high = float(np.min(temps)), float(np.max(temps))
    at = [line.intercept + line.value * t for t in (low, high)]
    asked = evidence.rig.house.voltage_absorption
    wanted = asked + COMPENSATION_USUAL * (high - 25.0)
    flat = abs(line.value) < COMPENSATION_LEAST
    bad = flat if lead else line.value < -COMPENSATION_LEAST
    base = f"{at[0]:.2f} V at {low:.0f} degC and {at[1]:.2f} V at {high:.0f} degC"
    if lead and bad:
        text = (
            f"{base}; expected about {wanted:.2f} when hot "
            f"({1000 * COMPENSATION_USUAL:.0f} mV/K, from memory)."
        )
    elif bad:
        text = f"{base}: a lithium battery must not be compensated."
    else:
        text = f"{base}: {1000 * line.value:.0f} mV/K, as this chemistry wants."
    return Result(
        verdict=Verdict.FAULT if bad else Verdict.PASS,
        reads=text,
        value=1000 * line.value,
        lo=1000 * line.lo,
        hi=1000 * line.hi,
        count=len(top),
        picture=Picture(
            kind="slope",
            title="Held volts against battery temperature",
            x=tuple(temps.tolist()),
            y=tuple(volts.tolist()),
            x_label="Battery temperature, degC",
            y_label="Held volts, V",
            line_x=(low, high),
            line_y=(at[0], at[1]),
            line_label=f"{1000 * line.value:.0f} mV/K",
        )
        if bad
        else None,
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C14",
        title="Absorption volts never reached",
        rule=absorption_reached,
        needs=("voltage_house_v",),
        unit="V",
        kind=LimitKind.MAKER,
        source="absorption_v of the rig file less 0.15 V; typical figures are from "
        "memory",
        counts="long drives and sunny days",
        fitted=_sources_named,
        trusts=("temp_house_c",),
        next="Meter at the battery posts after an hour of charge: the asked volts "
        "there prove the tool wrong.",
        care="Check the voltmeter's offset first; an isolator alone often can't.",
    ),
    Row(
        id="C15",
        title="Absorption cut short",
        rule=absorption_cut,
        needs=("voltage_house_v", "current_house_a"),
        unit="A",
        counts="absorptions",
        sure=Sure.LIKELY,
        fitted=_lead_only,
        next="Read the charger's timer and profile; look for a second charger that "
        "masks it.",
        care="Two chargers on one battery fool each other.",
    ),
    Row(
        id="C16",
        title="Wrong charge profile for the chemistry",
        rule=wrong_profile,
        needs=("voltage_house_v", "current_house_a"),
        unit="V",
        kind=LimitKind.MAKER,
        source="absorption_v of the rig file plus 0.2 V; 14.8 V on lithium",
        counts="plateaus",
        sure=Sure.LIKELY,
        fitted=_sources_named,
        trusts=("temp_house_c",),
        next="Read the setting on the charger; meter at the posts during absorption.",
        care="Volts shifted by temperature look alike.",
    ),
    Row(
        id="C17",
        title="Temperature compensation",
        rule=compensation,
        needs=("voltage_house_v", "temp_house_c", "current_house_a"),
        limit=-1000 * COMPENSATION_LEAST,
        unit="mV/K",
        source="from memory: -18 to -30 mV/K for 12 V of lead, none for lithium",
        minimum=PLATEAUS_LEAST,
        counts="plateaus",
        fitted=_sources_named,
        next="Is the temperature lead fitted, and on the battery? Warm the probe by "
        "hand and watch the volts.",
        care="Lithium must not be compensated: there the opposite is the finding.",
    ),
)
