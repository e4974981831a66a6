"""
C35-C39: does the shunt point the right way, at the right scale, past everything?

These are judged before all others; what they fail, nothing else may use.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import (
    Slope,
    fill_short_gaps,
    slope_through_zero,
    slope_with_intercept,
)
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell
from campledger.judge.fitout.treatment import full_spans
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence

SIGN_STEPS = 5
SCALE_BAND = 0.03
SNAP_BAND = 0.02
RATIOS: tuple[tuple[float, str], ...] = (
    (0.5, "a factor of two, e.g. 100 for 200 A"),
    (0.667, "50/75 mV: set as 75 mV, probably a 50 mV shunt"),
    (0.75, "75/100 mV"),
    (1.333, "100/75 mV"),
    (1.5, "75/50 mV: set as 50 mV, probably a 75 mV shunt"),
    (2.0, "a factor of two, e.g. 200 for 100 A"),
    (5.0, "500 for 100 A"),
    (10.0, "a factor of ten"),
)
ZERO = 0.020
ZERO_HINT = 0.10
CHIP_STEP = 2.5e-6
ROUND_CHARGE, ROUND_SHARE = 3.0, 0.15
ETA_LEAD = (0.85, 0.90, 0.95)
ETA_LFP = (0.97, 0.99, 1.0)
LEDGER_CHARGE, LEDGER_SHARE = 2.0, 0.05
CYCLE_HOURS = 10.0
GAP_DOUBT = 0.7
HELD_BELOW_FLOAT = 0.35
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _calm_steps(evidence: Evidence) -> tuple[Array, Array]:
    """Give house steps (A, V) that no charger at its target volts swallowed."""
    steps = evidence.battery_steps
    index = np.searchsorted(evidence.minute_utc, steps.time_utc)
    index = np.clip(index, 0, len(evidence.minute_utc) - 1)
    low = np.nan_to_num(evidence.voltage[index]) < evidence.absorb_least[index] - 0.3
    return steps.current[low], steps.others[0][low]


def shunt_sign(evidence: Evidence) -> Result:
    """C35: volts must rise when current goes in."""
    amps, volts = _calm_steps(evidence)
    line = slope_through_zero(amps, volts)
    if line.count < SIGN_STEPS:
        return cannot_tell(
            f"Only {line.count} steps of 2 A; {SIGN_STEPS} are needed.",
            "load steps of 2 A",
            count=line.count,
        )
    value = 1000 * line.value
    common = {
        "value": value,
        "lo": 1000 * line.lo,
        "hi": 1000 * line.hi,
        "count": line.count,
        "place": "house",
    }
    if line.hi < 0:
        return Result(
            verdict=Verdict.FAULT,
            reads=(
                f"House shunt reads backwards ({value:.1f} milliohm); swap the two "
                "sense leads or accept the printed correction (scale = -1). The record "
                "is kept and can be re-read corrected."
            ),
            picture=_step_picture(amps, volts, line),
            **common,  # type: ignore[arg-type]
        )
    if line.lo > 0:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Volts follow current the right way ({value:.1f} milliohm).",
            **common,  # type: ignore[arg-type]
        )
    return cannot_tell(
        "Volts do not follow the current either way.",
        "load steps of 2 A",
        count=line.count,
    )


def _step_picture(amps: Array, volts: Array, line: Slope) -> Picture:
    top = float(np.max(np.abs(amps)))
    return Picture(
        kind="step",
        title="Change of volts against change of current",
        x=tuple(amps.tolist()),
        y=tuple(volts.tolist()),
        x_label="Step of the house current, A",
        y_label="Step of the house volts, V",
        line_x=(-top, top),
        line_y=(-top * line.value, top * line.value),
        line_label=f"{1000 * line.value:.1f} milliohm",
    )


@dataclass(frozen=True, kw_only=True)
class ScaleFit:
    """House current against the rest: ratio, offset (A), points, and each circuit's."""

    ratio: Slope
    offset: float
    complete: bool
    each: tuple[tuple[str, Slope], ...]


def scale_fit(evidence: Evidence) -> ScaleFit:
    """
    Fit house = ratio * (sources - loads) + offset.

    With every circuit metered by regression over minutes, else from load steps alone,
    where a load without a meter does no harm.
    """
    each = tuple(_circuit_ratios(evidence))
    charge = evidence.charge
    nan = float("nan")
    whole = Slope(value=nan, lo=nan, hi=nan, count=0, intercept=nan)
    complete = (
        charge is not None and not evidence.loads_unmetered and bool(evidence.rig.loads)
    )
    if complete and charge is not None:
        whole = slope_with_intercept(charge - evidence.loads_measured, evidence.current)
    ratio = max(each, key=lambda x: x[1].count)[1] if each else whole
    return ScaleFit(ratio=ratio, offset=whole.intercept, complete=complete, each=each)


def _circuit_ratios(evidence: Evidence) -> list[tuple[str, Slope]]:
    """Fit the house current's steps on the steps of each metered load."""
    found = []
    charge = "current_charge_a" if evidence.has("current_charge_a") else ""
    sources = [f"current_{s.name}_a" for s in evidence.rig.sources]
    others = (charge,) if charge else tuple(n for n in sources if evidence.has(n))
    for load in evidence.rig.loads:
        channel = f"current_{load.name}_a"
        if not evidence.has(channel):
            continue
        steps = evidence.steps(channel, ("current_house_a", *others))
        given = np.sum(steps.others[1:], axis=0) if others else 0.0
        still = np.abs(np.atleast_1d(given)) < 0.2 * np.abs(steps.current)
        if len(steps) == 0:
            continue
        x = given - steps.current if others else -steps.current
        y = steps.others[0]
        use = still if others else np.ones(len(steps), dtype=bool)
        use &= _unheld(evidence, steps.time_utc)
        line = slope_through_zero(x[use], y[use])
        if line.count >= 10:
            found.append((load.name, line))
    return found


def _unheld(evidence: Evidence, time_utc: Array) -> Array:
    """Mark moments at which no charger holds the volts and swallows a step."""
    hour = ((time_utc + evidence.record.utc_offset) % 86400.0) / 3600.0
    index = np.searchsorted(evidence.minute_utc, time_utc)
    volts = evidence.voltage[np.clip(index, 0, len(evidence.minute_utc) - 1)]
    low = np.nan_to_num(volts) < evidence.rig.house.voltage_float - HELD_BELOW_FLOAT
    return np.asarray((hour > 19.5) | (hour < 5.0) | low, dtype=bool)


def _snap(ratio: float) -> str:
    for value, text in RATIOS:
        if abs(ratio / value - 1.0) < SNAP_BAND:
            return f" ({value:g}: {text})"
    return ""


def shunt_scale(evidence: Evidence) -> Result:
    """C36: the house shunt against the sum of the others."""
    fit = scale_fit(evidence)
    line = fit.ratio
    if not np.isfinite(line.value) or line.count < 10:
        return cannot_tell(
            "No metered circuit with ten steps to compare the house shunt with.",
            "current_charge_a",
            "a metered load with steps of 2 A",
        )
    off = abs(line.value - 1.0)
    sure_off = min(abs(line.lo - 1.0), abs(line.hi - 1.0)) > SCALE_BAND
    sound = [n for n, x in fit.each if abs(x.value - 1.0) <= SCALE_BAND]
    odd = [n for n, x in fit.each if abs(x.value - 1.0) > SCALE_BAND]
    place, verdict = "house", Verdict.PASS
    if off > SCALE_BAND and line.value > 0:
        verdict = (
            Verdict.FAULT
            if sure_off or off > 2 * SCALE_BAND
            else (Verdict.WORTH_A_LOOK)
        )
        if sound and odd and len(sound) >= len(odd):
            place = odd[0]
    text = f"House shunt reads {line.value:.3f} of the rest"
    if verdict != Verdict.PASS:
        text += _snap(line.value)
        if place != "house":
            text = (
                f"The {place} meter disagrees with the house shunt; others agree with "
                f"it ({', '.join(sound)})"
            )
    if fit.complete and abs(fit.offset) > 0.05:
        text += (
            f". Offset {fit.offset:+.2f} A: zero error or a draw without a meter; the "
            "isolated test (C37) separates them"
        )
    return Result(
        verdict=verdict,
        reads=text + ".",
        value=line.value,
        lo=line.lo,
        hi=line.hi,
        count=line.count,
        sure=Sure.MEASURED if place == "house" else Sure.LIKELY,
        place=place,
    )


def _zero_limit(evidence: Evidence) -> float:
    for sensor in evidence.rig.sensors:
        if sensor.shunt and any(c == "current_house_a" for _, c in sensor.channels):
            return max(ZERO, 2.0 * CHIP_STEP / sensor.shunt)
    return ZERO


def zero_offset(evidence: Evidence) -> Result:
    """C37: what the shunt reads with everything isolated."""
    limit = _zero_limit(evidence)
    tests = [
        p
        for p in evidence.proofs
        if p.step == 1 and p.logged is not None and p.channel == "current_house_a"
    ]
    if tests:
        last = max(tests, key=lambda p: p.time_utc)
        zero = float(last.logged or 0.0) - float(last.typed or 0.0)
        bad = abs(zero) > limit
        text = f"Reads {zero:+.3f} A with nothing connected"
        text += f" = {24 * abs(zero):.1f} Ah a day of phantom use." if bad else "."
        return Result(
            verdict=Verdict.FAULT if bad else Verdict.PASS,
            reads=text,
            value=zero,
            limit=limit,
            count=len(tests),
            sure=Sure.MEASURED,
            place="house",
        )
    fit = scale_fit(evidence)
    if not fit.complete:
        return cannot_tell(
            "The isolated test was not made.", "the isolated test (everything off)"
        )
    if abs(fit.offset) > ZERO_HINT:
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=(
                f"{fit.offset:+.2f} A stays when all circuits are taken off: zero "
                "error, or a draw without a meter. Only the isolated test separates "
                "them."
            ),
            value=fit.offset,
            limit=ZERO_HINT,
            count=1,
            sure=Sure.HINT,
            place="house",
        )
    return cannot_tell(
        f"{fit.offset:+.2f} A stays when all circuits are taken off; only the isolated "
        "test says whether that is a zero error.",
        "the isolated test (everything off)",
    )


def round_shunt(evidence: Evidence) -> Result:
    """C38: from full to full, what went in must have come out."""
    pairs = _full_pairs(full_spans(evidence))
    if not pairs:
        return cannot_tell(
            "No two true full charges ten hours apart.", "two full charges"
        )
    etas = ETA_LEAD if evidence.rig.house.is_lead else ETA_LFP
    found = []
    for start, end in pairs:
        use = (evidence.minute_utc > start) & (evidence.minute_utc <= end)
        amps, doubt = fill_short_gaps(evidence.current[use])
        if doubt > GAP_DOUBT:
            continue
        taken = float(np.sum(np.clip(amps, 0, None))) / 60.0
        given = float(np.sum(np.clip(-amps, 0, None))) / 60.0
        if taken > ROUND_CHARGE:
            found.append(((end - start) / 3600.0, taken, given))
    if not found:
        return cannot_tell(
            "Between the full charges too little was used.", "a deeper cycle"
        )
    hours, taken, given = (float(sum(x)) for x in zip(*found, strict=True))
    over = [e * taken - given for e in etas]
    mid = over[1]
    amps_each = [x / hours for x in over]
    size = ROUND_CHARGE * len(found)
    out = mid > size and mid > ROUND_SHARE * taken
    back = over[2] < -size and over[2] < -ROUND_SHARE * taken
    bad = out or back
    certain = over[0] > 0.6 * size or back
    text = (
        f"From full to full {given:.1f} Ah were counted out and {taken:.1f} in over "
        f"{hours:.0f} h"
    )
    if not bad:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{text}: they agree.",
            value=amps_each[1],
            lo=amps_each[0],
            hi=amps_each[2],
            count=len(found),
            place="house",
        )
    way = "leaves by a path" if mid > 0 else "comes in by a path"
    return Result(
        verdict=Verdict.FAULT if certain else Verdict.WORTH_A_LOOK,
        reads=(
            f"About {abs(amps_each[1]):.2f} A {way} that the shunt does not see "
            f"({abs(mid):.1f} Ah over {hours:.0f} h; with efficiency {etas[0]:.2f} to "
            f"{etas[2]:.2f}: {abs(amps_each[0]):.2f} to {abs(amps_each[2]):.2f} A); "
            "look for a negative to chassis at the battery post."
        ),
        value=amps_each[1],
        lo=amps_each[0],
        hi=amps_each[2],
        count=len(found),
        place="house",
    )


def _full_pairs(fulls: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Pair the moments at which fulls that lie a cycle apart were reached."""
    pairs = []
    for (first, left), (reached, _) in pairwise(fulls):
        if (reached - left) / 3600.0 >= CYCLE_HOURS:
            pairs.append((first, reached))
    return pairs


def ledger(evidence: Evidence) -> Result:
    """C39: charge at both ends of each day against what was counted."""
    battery = evidence.estimates.battery
    loss_rate = np.interp(
        evidence.minute_utc, battery.minute_utc, np.nan_to_num(battery.charging_loss)
    )
    known_loss = bool(np.isfinite(battery.charging_loss).any())
    eta = battery.efficiency.value
    eta = eta if np.isfinite(eta) else (0.9 if evidence.rig.house.is_lead else 0.99)
    worst: tuple[float, float, float, float] | None = None
    count = 0
    for day in np.unique(evidence.day_index):
        part = np.flatnonzero(evidence.day_index == day)
        amps, soc = evidence.current[part], evidence.soc[part]
        ends = np.flatnonzero(np.isfinite(soc))
        amps, doubt = fill_short_gaps(amps)
        if len(part) < 1300 or doubt > GAP_DOUBT or len(ends) < 2:
            continue
        count += 1
        first, last = part[ends[0]], part[ends[-1]]
        inward = float(np.sum(np.clip(amps, 0, None))) / 60.0
        outward = float(np.sum(np.clip(-amps, 0, None))) / 60.0
        loss = (
            float(np.sum(loss_rate[part])) / 60.0
            if known_loss
            else ((1.0 - eta) * inward)
        )
        change = (evidence.soc[last] - evidence.soc[first]) * evidence.capacity
        rest = inward - outward - loss - change
        limit = max(LEDGER_CHARGE, LEDGER_SHARE * (inward + outward))
        wide = evidence.soc_hi - evidence.soc_lo
        band = 0.5 * float(wide[first] + wide[last]) * evidence.capacity
        if worst is None or abs(rest) - limit > worst[0]:
            worst = (abs(rest) - limit, rest, limit, band)
    if worst is None:
        return cannot_tell("No whole day is covered.", "a whole day of record")
    over, rest, limit, band = worst
    text = f"Worst day is {rest:+.1f} Ah out"
    if over > band:
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=f"{text}; not explained.",
            value=rest,
            limit=limit,
            count=count,
        )
    if over > 0.5 * band:
        return cannot_tell(
            f"{text}, within the give or take of the charge itself ({band:.1f}).",
            "a full charge at both ends of a day",
            count=count,
        )
    return Result(
        verdict=Verdict.PASS,
        reads=f"{text}, inside {max(limit, band):.1f}.",
        value=rest,
        limit=limit,
        count=count,
    )


def efficiency_known(evidence: Evidence) -> bool:
    """Tell whether the charge efficiency was measured on this battery."""
    return evidence.estimates.battery.efficiency.word != Word.ASSUMED


ROWS: tuple[Row, ...] = (
    Row(
        id="C35",
        title="Shunt backwards",
        rule=shunt_sign,
        needs=("voltage_house_v", "current_house_a"),
        limit=0.0,
        unit="milliohm",
        kind=LimitKind.DERIVED,
        source="volts rise when charge goes in",
        minimum=SIGN_STEPS,
        counts="steps",
        next="Switch on one known load: the clamp says out, so must the log.",
        care="Never flipped silently: raw readings and the reason are kept.",
    ),
    Row(
        id="C36",
        title="Shunt scaled wrong",
        rule=shunt_scale,
        needs=("current_house_a",),
        limit=SCALE_BAND,
        unit="ratio",
        minimum=10,
        counts="steps or minutes",
        next="Clamp meter, zeroed, at 5 to 10 A beside the log.",
        care="Two wrong circuits can agree.",
    ),
    Row(
        id="C37",
        title="Zero offset",
        rule=zero_offset,
        needs=("current_house_a",),
        limit=ZERO,
        unit="A",
        counts="isolated tests",
        next="Pull the main fuse and read: 0 A proves the tool wrong.",
        care="Only the isolated test separates a zero error from a standing draw.",
    ),
    Row(
        id="C38",
        title="Load or source round the shunt",
        rule=round_shunt,
        needs=("current_house_a", "voltage_house_v"),
        limit=ROUND_CHARGE,
        unit="A",
        counts="full-to-full cycles",
        sure=Sure.LIKELY,
        next="Clamp around everything on the battery post against the shunt reading.",
        care="An old battery or another efficiency does less: bounds are given. A "
        "charger's - on the battery side is the mirror fault.",
    ),
    Row(
        id="C39",
        title="Ledger does not close",
        rule=ledger,
        needs=("current_house_a", "voltage_house_v"),
        limit=LEDGER_CHARGE,
        unit="Ah",
        counts="whole days",
        next="Run the steps of C35 to C38 in order; clamp on the main negative beside "
        "the log.",
        care="Printed, never scaled away.",
    ),
)
