"""C18-C20: more volts than allowed, and an alternator that sits low or gives way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import runs, slope_with_intercept
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.evidence import VOLTAGE_ENGINE
from campledger.judge.fitout.row import Result, Row, cannot_tell

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence

OVER_LEAD, OVER_ANY, OVER_SECONDS = 15.0, 16.0, 10.0
LOW_SHARE = 0.20
SAG_VOLTAGE = 13.0
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def over_voltage(evidence: Evidence) -> Result:
    """C18: more than the battery may ever see, for ten seconds."""
    house = evidence.rig.house
    limit = house.voltage_charge_high
    series = evidence.series("voltage_house_v")
    volts = np.nan_to_num(series.value)
    interval = series.interval
    need = max(1, int(np.ceil(OVER_SECONDS / interval))) if interval > 0 else 1
    spans = [r for r in runs(volts > limit) if r[1] - r[0] >= need]
    extreme = bool(np.any(volts > OVER_ANY))
    top = float(np.max(volts, initial=0.0))
    if not spans and not extreme:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Highest {top:.2f} V. A load dump lasts less than a second: unseen.",
            value=top,
            limit=limit,
            count=len(volts),
        )
    a, b = max(spans or runs(volts > OVER_ANY), key=lambda r: r[1] - r[0])
    since = float(series.time_utc[a])
    minutes = (series.time_utc[b - 1] - since) / 60.0
    return Result(
        verdict=Verdict.FAULT,
        reads=(
            f"{np.median(volts[a:b]):.1f} V for {minutes:.0f} min at "
            f"{evidence.clock(since)}{_who(evidence, since)}."
        ),
        value=top,
        limit=limit,
        count=len(volts),
        picture=Picture(
            kind="plateau",
            title="Battery volts",
            x=tuple(series.time_utc[max(0, a - 300) : b + 300].tolist()),
            y=tuple(volts[max(0, a - 300) : b + 300].tolist()),
            x_label="Time",
            y_label="Battery volts, V",
            line_x=(float(series.time_utc[a]), float(series.time_utc[b - 1])),
            line_y=(limit, limit),
            line_label="never above",
        ),
    )


def _who(evidence: Evidence, time_utc: float) -> str:
    """Name the source that delivered at that moment."""
    k = int(np.clip(np.searchsorted(evidence.minute_utc, time_utc), 0, None))
    k = min(k, len(evidence.minute_utc) - 1)
    on = [
        s.name
        for s in evidence.rig.sources
        if np.nan_to_num(evidence.minute(f"current_{s.name}_a"))[k] > 0.5
    ]
    return f", {' and '.join(on)} only" if len(on) == 1 else ""


def _driving(evidence: Evidence) -> Array:
    mask = np.zeros(len(evidence.minute_utc), dtype=bool)
    for drive in evidence.drives:
        mask[drive.first + 2 : drive.last - 1] = True
    return mask & np.isfinite(evidence.minute("voltage_start_v"))


def _sag(evidence: Evidence) -> tuple[float, float, float] | None:
    """Give (V without load, V at full charge, A) while driving, if the load moved."""
    source = evidence.engine_source
    if source is None or not evidence.has(f"current_{source.name}_a"):
        return None
    use = _driving(evidence)
    out = np.nan_to_num(evidence.minute(f"current_{source.name}_a"))[use]
    volts = evidence.minute("voltage_start_v")[use]
    if len(out) < 20 or float(np.ptp(out)) < 8.0:
        return None
    line = slope_with_intercept(out, volts)
    if line.hi > -0.01:
        return None
    full = float(np.percentile(out, 95))
    return line.intercept, line.intercept + line.value * full, full


def variable_alternator(evidence: Evidence) -> Result:
    """C19: the alternator sits low for much of the driving."""
    if evidence.engine is None or evidence.engine[1] != Sure.MEASURED:
        return cannot_tell(
            "Engine on cannot be told from the start battery's volts alone.",
            "state_engine",
        )
    use = _driving(evidence)
    minutes = int(np.sum(use))
    if minutes < 20:
        return cannot_tell("Less than 20 min of driving.", "a drive", count=minutes)
    volts = evidence.minute("voltage_start_v")
    low = use & (volts < VOLTAGE_ENGINE)
    share = float(np.sum(low)) / minutes
    sag = _sag(evidence)
    loaded = sag is not None and sag[0] > VOLTAGE_ENGINE + 0.2
    source = evidence.engine_source
    plain = source is not None and source.kind == "isolator"
    if share <= LOW_SHARE or loaded:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Above {VOLTAGE_ENGINE} V for {1 - share:.0%} of {minutes} min.",
            value=share,
            count=minutes,
        )
    text = (
        f"The alternator sat at {np.median(volts[low]):.1f} V for {int(np.sum(low))} "
        f"of {minutes} min"
    )
    text += ": a voltage isolator drops out then." if plain else "."
    out = (
        np.nan_to_num(evidence.minute(f"current_{source.name}_a"))
        if source is not None
        else np.zeros(len(volts))
    )
    copes = float(np.median(out[low])) > 1.0
    described = evidence.rig.alternator == "variable"
    verdict = Verdict.FAULT if plain else Verdict.WORTH_A_LOOK
    if described and copes and not plain:
        verdict = Verdict.PASS
        text += " The charger copes, as described."
    return Result(verdict=verdict, reads=text, value=share, count=minutes)


def weak_alternator(evidence: Evidence) -> Result:
    """C20: the car's volts give way when the charger pulls."""
    if evidence.rig.alternator == "variable":
        return cannot_tell(
            "A variable alternator moves its volts by itself.", "a fixed alternator"
        )
    use = _driving(evidence)
    source = evidence.engine_source
    name = source.name if source else ""
    out = np.nan_to_num(evidence.minute(f"current_{name}_a"))
    rated = source.current_rated if source and source.current_rated else 25.0
    full = use & (out > 0.6 * rated)
    if np.sum(use) < 20 or np.sum(full) < 5:
        return cannot_tell(
            "The charger was never near its rating on a drive.",
            "a drive with a hungry battery",
            count=int(np.sum(full)),
        )
    volts = evidence.minute("voltage_start_v")
    level = float(np.median(volts[full]))
    sag = _sag(evidence)
    light = sag[0] if sag is not None else float(np.percentile(volts[use], 95))
    if level >= SAG_VOLTAGE or sag is None or light < VOLTAGE_ENGINE + 0.1:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Holds {level:.1f} V with {name} at full charge.",
            value=level,
            count=int(np.sum(full)),
        )
    return Result(
        verdict=Verdict.WORTH_A_LOOK,
        reads=(
            f"With {name} giving {np.median(out[full]):.0f} A the car only holds "
            f"{level:.1f} V; without it {light:.1f} V."
        ),
        value=level,
        count=int(np.sum(full)),
    )


def _engine_fed(evidence: Evidence) -> str:
    return "" if evidence.engine_source else "no source that the engine feeds"


ROWS: tuple[Row, ...] = (
    Row(
        id="C18",
        title="Over-voltage",
        rule=over_voltage,
        needs=("voltage_house_v",),
        limit=OVER_LEAD,
        unit="V",
        kind=LimitKind.MAKER,
        source="charge_high_v of the rig file; 15.0 V is common practice for lead",
        counts="readings",
        next="Meter at the posts; regulator sense lead and battery connection. Gas: "
        "vent, no sparks or flame.",
        care="Load dumps last less than a second and are not seen.",
    ),
    Row(
        id="C19",
        title="Variable-voltage alternator with a plain isolator",
        rule=variable_alternator,
        needs=("voltage_start_v",),
        limit=LOW_SHARE,
        unit="share",
        minimum=20,
        counts="minutes of driving",
        sure=Sure.LIKELY,
        fitted=_engine_fed,
        next="Meter at the start battery on a steady cruise, read by a passenger; "
        "look for a current sensor on its negative.",
        care="Braking raises the volts: short highs are not charge.",
    ),
    Row(
        id="C20",
        title="Alternator weak or overloaded",
        rule=weak_alternator,
        needs=("voltage_start_v", "current_{charger}_a"),
        limit=SAG_VOLTAGE,
        unit="V",
        minimum=5,
        counts="minutes at full charge",
        sure=Sure.HINT,
        fitted=_engine_fed,
        next="Start battery volts at 1500 to 2000 rev/min in the open, loads off and "
        "on; belt.",
        care="Can't be told from a variable alternator without knowing its type.",
    ),
)
