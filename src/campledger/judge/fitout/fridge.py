"""C30 and C31: a fridge that works too hard, or hunts."""

from __future__ import annotations

import numpy as np

from campledger.judge.finding import Picture, Sure, Verdict
from campledger.judge.fitout.evidence import DAY, HOUR, Array, Evidence
from campledger.judge.fitout.row import Result, Row, cannot_tell

DUTY, DUTY_AIR = 0.80, 35.0
SPACE_OVER = 15.0
BASELINE = 1.5
SHORT_RUN, SHORT_COUNT = 120.0, 5
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _no_fridge(evidence: Evidence) -> str:
    return "" if evidence.names["fridge"] else "no fridge in the rig file"


def fridge_hard(evidence: Evidence) -> Result:
    """C30: on for most of the time, hot behind, or worse than it was."""
    name = evidence.names["fridge"]
    _, spans = evidence.fridge_runs
    if not spans:
        return cannot_tell(f"The {name} never ran.", "the fridge running")
    amps = evidence.minute(f"current_{name}_a")
    on = amps > 0.5 * evidence.fridge_running
    settled = np.isfinite(amps) & (evidence.minute_utc > evidence.minute_utc[0] + DAY)
    if int(np.sum(settled)) < 720:
        return cannot_tell(
            "The first day is left out; less than half a day is left.",
            "a longer record",
        )
    air = evidence.minute("temp_air_c")
    duty = float(np.mean(on[settled]))
    warm = float(np.nanmean(air[settled]))
    found = []
    if duty > DUTY and warm < DUTY_AIR:
        found.append(f"on {duty:.0%} of the time at {warm:.0f} degC")
    space = evidence.minute(f"temp_{name}_space_c") - air
    running = settled & on & np.isfinite(space)
    if int(np.sum(running)) > 60:
        over = float(np.percentile(space[running], 75))
        if over > SPACE_OVER:
            found.append(f"the space behind it is {over:.0f} K above the air")
    per_k = charge_per_k(evidence, settled)
    earlier = evidence.earlier
    if earlier and np.isfinite(earlier.fridge_charge_per_k) and np.isfinite(per_k):
        times = per_k / earlier.fridge_charge_per_k
        if times > BASELINE:
            found.append(f"{times:.1f} times its earlier use for each kelvin")
    return Result(
        verdict=Verdict.WORTH_A_LOOK if found else Verdict.PASS,
        reads=(
            f"The {name} works hard: " + "; ".join(found) + "."
            if found
            else f"On {duty:.0%} of the time at {warm:.0f} degC."
        ),
        value=duty,
        count=len(spans),
        place=name,
    )


def charge_per_k(evidence: Evidence, use: Array) -> float:
    """Give the fridge's charge a day for each kelvin of air above inside."""
    name = evidence.names["fridge"]
    amps = evidence.minute(f"current_{name}_a")
    gap = evidence.minute("temp_air_c") - evidence.minute(f"temp_{name}_c")
    good = use & np.isfinite(amps) & np.isfinite(gap)
    if int(np.sum(good)) < 720 or float(np.mean(gap[good])) < 3.0:
        return float("nan")
    return 24.0 * float(np.mean(amps[good])) / float(np.mean(gap[good]))


def fridge_hunting(evidence: Evidence) -> Result:
    """C31: short runs that end at the cut-out volts, over and over."""
    name = evidence.names["fridge"]
    load = evidence.rig.load(name)
    cut = load.voltage_cut_out if load else None
    series, spans = evidence.fridge_runs
    if len(spans) < 5:
        return cannot_tell(f"Only {len(spans)} starts seen.", "more compressor starts")
    if series.interval > 30.0:
        return cannot_tell("Readings are too far apart.", "readings every 30 s or less")
    ends = np.array([b for _, b in spans])
    length = np.array(
        [
            series.time_utc[b - 1] - series.time_utc[a] + series.interval
            for a, b in spans
        ]
    )
    short = length < SHORT_RUN
    times = series.time_utc[ends - 1][short]
    rate = [int(np.sum((times >= t) & (times < t + HOUR))) for t in times]
    most = max(rate, default=0)
    if most <= SHORT_COUNT:
        return Result(
            verdict=Verdict.PASS,
            reads=f"At most {most} short runs in an hour, of {len(spans)} starts.",
            value=most,
            count=len(spans),
            place=name,
        )
    if cut is None:
        return cannot_tell(
            f"{most} short runs in an hour; without cut_out_v it may be a thermostat.",
            f"[load.{name}] cut_out_v",
            count=len(spans),
        )
    volts = evidence.on(series.time_utc, f"voltage_{name}_v")
    low = np.array([np.nanmin(volts[max(a, b - 3) : b]) for a, b in spans])[short]
    crossed = float(np.mean(low <= cut + 0.15))
    if crossed < 0.5:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{most} short runs in an hour, but not at the cut-out: thermostat.",
            value=most,
            count=len(spans),
            place=name,
        )
    k = int(np.argmax(rate))
    return Result(
        verdict=Verdict.FAULT,
        reads=(
            f"Starts, drops to {np.median(low):.1f} V, stops, recovers, {most} times "
            f"in an hour from {evidence.clock(float(times[k]))}."
        ),
        value=most,
        count=len(spans),
        place=name,
        picture=_hunting_picture(evidence, float(times[k])),
    )


def _hunting_picture(evidence: Evidence, start: float) -> Picture:
    name = evidence.names["fridge"]
    part = evidence.series(f"voltage_{name}_v").between(start - 300, start + HOUR)
    return Picture(
        kind="series",
        title="Volts at the fridge in that hour",
        x=tuple(part.time_utc.tolist()),
        y=tuple(part.value.tolist()),
        x_label="Time",
        y_label="Fridge volts, V",
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C30",
        title="Fridge works too hard",
        rule=fridge_hard,
        needs=("current_{fridge}_a", "temp_air_c"),
        limit=DUTY,
        unit="share of the time",
        counts="compressor starts",
        sure=Sure.LIKELY,
        fitted=_no_fridge,
        next="Seal with a paper strip, air gap behind, fan, set point.",
        care="Warm food, the first 24 h (left out), a dual-zone freezer.",
    ),
    Row(
        id="C31",
        title="Fridge hunting",
        rule=fridge_hunting,
        needs=("current_{fridge}_a", "voltage_{fridge}_v"),
        limit=SHORT_COUNT,
        unit="short runs in an hour",
        minimum=5,
        counts="compressor starts",
        fitted=_no_fridge,
        next="Volts at the plug during a start; then the volt drop (C1).",
        care="A thermostat also cycles: there the volts do not cross the setting.",
    ),
)
