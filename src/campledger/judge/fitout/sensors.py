"""
C35-C39: does the shunt point the right way, at the right scale, past everything?

These are judged before all others; what they fail, nothing else may use.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sensor_truth import (
    ScaleFit,
    charge_from_nowhere,
    combine_scale,
    confusion,
    day_rests,
    full_balance,
    full_pairs,
    load_answers,
    wrong_way,
)
from campledger.estimate.steps import (
    Slope,
    slope_through_zero,
)
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell
from campledger.judge.fitout.treatment import full_spans

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence

SIGN_STEPS = 5
SCALE_BAND = 0.03
ZERO = 0.020
ZERO_HINT = 0.10
ZERO_NOWHERE = 0.05
WRONG_SHARE = 0.9
CHIP_STEP = 2.5e-6
ROUND_CHARGE, ROUND_SHARE = 3.0, 0.15
ETA_LEAD = (0.85, 0.90, 0.95)
ETA_LFP = (0.97, 0.99, 1.0)
LEDGER_CHARGE, LEDGER_SHARE = 2.0, 0.05
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


def signs(evidence: Evidence) -> Result:
    """C35: the house shunt, then every circuit that can only read above zero."""
    house = shunt_sign(evidence)
    if house.verdict == Verdict.FAULT:
        return house
    rig = evidence.rig
    for name in (
        *(s.name for s in rig.sources),
        "charge",
        *(x.name for x in rig.loads),
    ):
        if not evidence.has(f"current_{name}_a"):
            continue
        share, count = wrong_way(evidence.series(f"current_{name}_a").value)
        if share > WRONG_SHARE:
            return Result(
                verdict=Verdict.FAULT,
                reads=(
                    f"The {name} meter reads below zero where it can only be above; "
                    "swap its two sense leads or accept the printed correction (scale "
                    "= -1). The record is kept and can be re-read corrected."
                ),
                value=-share,
                lo=-share,
                hi=-share,
                unit="share of its readings",
                count=count,
                place=name,
            )
    return house


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


def scale_fit(evidence: Evidence) -> ScaleFit:
    """
    Fit the house current to all that is metered beside it.

    Parameters
    ----------
    evidence : Evidence
        The trip.

    Returns
    -------
    fit : ScaleFit
        See ``combine_scale``.

    References
    ----------
    .. [1] Common practice, no source.
    """
    charge = evidence.charge
    whole = not evidence.loads_unmetered and bool(evidence.rig.loads)
    rest = charge - evidence.loads_measured if charge is not None and whole else None
    each = [(x.name, _load_ratio(evidence, x.name)) for x in evidence.rig.loads]
    return combine_scale(
        [(n, s) for n, s in each if s is not None], evidence.current, rest
    )


def _load_ratio(evidence: Evidence, load: str) -> Slope | None:
    """Fit the house current's steps on the steps of a metered load."""
    channel = f"current_{load}_a"
    if not evidence.has(channel):
        return None
    charge = "current_charge_a" if evidence.has("current_charge_a") else ""
    sources = [f"current_{s.name}_a" for s in evidence.rig.sources]
    others = (charge,) if charge else tuple(n for n in sources if evidence.has(n))
    steps = evidence.steps(channel, ("current_house_a", *others))
    if len(steps) == 0:
        return None
    given = np.sum(steps.others[1:], axis=0)
    free = _unheld(evidence, steps.time_utc)
    return slope_through_zero(
        *load_answers(steps.current, given, steps.others[0], free)
    )


def _unheld(evidence: Evidence, time_utc: Array) -> Array:
    """Mark moments at which no charger holds the volts and swallows a step."""
    hour = ((time_utc + evidence.record.utc_offset) % 86400.0) / 3600.0
    index = np.searchsorted(evidence.minute_utc, time_utc)
    volts = evidence.voltage[np.clip(index, 0, len(evidence.minute_utc) - 1)]
    low = np.nan_to_num(volts) < evidence.rig.house.voltage_float - HELD_BELOW_FLOAT
    return np.asarray((hour > 19.5) | (hour < 5.0) | low, dtype=bool)


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
        known = confusion(line.value)
        text += f" ({known})" if known else ""
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
        tail = f" = {24 * abs(zero):.1f} Ah a day of phantom use." if bad else "."
        return Result(
            verdict=Verdict.FAULT if bad else Verdict.PASS,
            reads=f"Reads {zero:+.3f} A with nothing connected{tail}",
            value=zero,
            limit=limit,
            count=len(tests),
            sure=Sure.MEASURED,
            place="house",
        )
    least, nights = _nowhere(evidence)
    if least > ZERO_NOWHERE:
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=(
                f"Reads at least {least:+.2f} A with every charger off = "
                f"{24 * least:.1f} Ah a day that nobody gave. The isolated test gives "
                "the whole of it."
            ),
            value=least,
            limit=ZERO_NOWHERE,
            count=nights,
            sure=Sure.LIKELY,
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


def _nowhere(evidence: Evidence) -> tuple[float, int]:
    """Give the bound of the zero where every charger is metered."""
    charge = evidence.charge
    if charge is None:
        return float("nan"), 0
    return charge_from_nowhere(evidence.current, charge)


def round_shunt(evidence: Evidence) -> Result:
    """C38: from full to full, what went in must have come out."""
    pairs = full_pairs(full_spans(evidence))
    if not pairs:
        return cannot_tell(
            "No two true full charges ten hours apart.", "two full charges"
        )
    etas = ETA_LEAD if evidence.rig.house.is_lead else ETA_LFP
    sums = full_balance(evidence.minute_utc, evidence.current, pairs)
    if not sums.cycles:
        return cannot_tell(
            "Between the full charges too little was used.", "a deeper cycle"
        )
    hours, taken, given = sums.hours, sums.taken, sums.given
    over = [e * taken - given for e in etas]
    mid = over[1]
    amps_each = [x / hours for x in over]
    size = ROUND_CHARGE * sums.cycles
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
            count=sums.cycles,
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
        count=sums.cycles,
        place="house",
    )


def ledger(evidence: Evidence) -> Result:
    """C39: charge at both ends of each day against what was counted."""
    battery = evidence.estimates.battery
    loss_rate = np.interp(
        evidence.minute_utc, battery.minute_utc, np.nan_to_num(battery.charging_loss)
    )
    known_loss = bool(np.isfinite(battery.charging_loss).any())
    eta = battery.efficiency.value
    eta = eta if np.isfinite(eta) else (0.9 if evidence.rig.house.is_lead else 0.99)
    inward = np.clip(np.nan_to_num(evidence.current), 0.0, None)
    days = day_rests(
        evidence.day_index,
        evidence.current,
        loss_rate if known_loss else (1.0 - eta) * inward,
        evidence.soc,
        capacity=evidence.capacity,
    )
    worst: tuple[float, float, float, float] | None = None
    count = len(days)
    for day in days:
        limit = max(LEDGER_CHARGE, LEDGER_SHARE * day.through)
        wide = evidence.soc_hi - evidence.soc_lo
        band = 0.5 * float(wide[day.first] + wide[day.last]) * evidence.capacity
        if worst is None or abs(day.rest) - limit > worst[0]:
            worst = (abs(day.rest) - limit, day.rest, limit, band)
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


ROWS: tuple[Row, ...] = (
    Row(
        id="C35",
        title="Shunt backwards",
        rule=signs,
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
