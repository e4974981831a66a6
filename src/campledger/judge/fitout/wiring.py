"""
C1-C5: what the fridge's cable loses, and which cable it really is.

Losses are slopes over load steps, never the difference of two absolute voltmeters.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import (
    Slope,
    slope_through_zero,
    slope_with_intercept,
)
from campledger.judge.cables import (
    DROP_LOOSE,
    DROP_TIGHT,
    JOINTS,
    TEMP_WORKING,
    VOLTAGE_NOMINAL,
    best_reading,
    loop_largest,
    loop_resistance,
    smaller_readings,
)
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.evidence import known_mean
from campledger.judge.fitout.row import Result, Row, cannot_tell

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence
    from campledger.model.rig import Cable

STEPS_LEAST = 20
SIZE_OFF = 0.30
GROWTH = 0.25
ROUGH = 2.0
NEGATIVE_V = 0.10
CUT_NEAR = 0.20
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def expected_loop(cable: Cable | None, *, temp: float = TEMP_WORKING) -> float:
    """Give the loop that a described run should have, with joints. [Ohm]"""
    if cable is None:
        return float("nan")
    return loop_resistance(cable.length, cable.area, temp=temp, joints=JOINTS)


def _air(evidence: Evidence) -> float:
    """Give the mean air temperature; the working figure where it is not measured."""
    if not evidence.has("temp_air_c"):
        return TEMP_WORKING
    mean = known_mean(evidence.minute("temp_air_c"))
    return mean if np.isfinite(mean) else TEMP_WORKING


def _no_fridge(evidence: Evidence) -> str:
    return "" if evidence.names["fridge"] else "no fridge in the rig file"


def _slope_picture(evidence: Evidence, loop: Slope) -> Picture:
    steps = evidence.fridge_steps
    span = np.array([0.0, float(np.max(np.abs(steps.current), initial=0.0))])
    return Picture(
        kind="slope",
        title="Loss against current at each step",
        x=tuple(np.abs(steps.current).tolist()),
        y=tuple((np.sign(steps.current) * steps.others[0]).tolist()),
        x_label="Step of the fridge current, A",
        y_label="Change of battery volts minus fridge volts, V",
        line_x=tuple(span.tolist()),
        line_y=tuple((span * loop.value).tolist()),
        line_label=f"{1000 * loop.value:.0f} milliohm",
    )


def _beside(cable: Cable | None, resistance: float) -> str:
    if cable is None:
        return "; the rig file gives no cable to compare with"
    wanted = expected_loop(cable)
    text = f"; expected about {1000 * wanted:.0f} for {cable.size}"
    largest = loop_largest(cable.length, cable.area, temp=TEMP_WORKING, joints=JOINTS)
    if largest is not None:
        text += (
            f" ({1000 * largest:.0f} with the largest that IEC 60228 class 5 allows)"
        )
    found = best_reading(
        resistance, cable.length, smaller_readings(cable.size, cable.area)
    )
    if found is not None and resistance > (1 + SIZE_OFF) * wanted:
        given = loop_resistance(cable.length, found.area, temp=TEMP_WORKING)
        text += (
            f"; about what {found.words} gives ({1000 * given:.0f} and "
            f"{1000 * JOINTS:.0f} for joints)"
        )
    return text


def drop_fridge(evidence: Evidence) -> Result:
    """C1: the loss on the way to the fridge."""
    loop, running = evidence.fridge_loop, evidence.fridge_running
    name = evidence.names["fridge"]
    if loop.count < STEPS_LEAST or not np.isfinite(loop.value):
        return cannot_tell(
            f"Only {loop.count} clean steps of the {name}; {STEPS_LEAST} are needed.",
            "more compressor starts",
            count=loop.count,
        )
    drop, lo, hi = (x * running for x in (loop.value, loop.lo, loop.hi))
    limit = DROP_TIGHT * VOLTAGE_NOMINAL
    share = round(drop / VOLTAGE_NOMINAL, 6) + 1e-9
    verdict = Verdict.PASS
    if drop > limit:
        verdict = Verdict.FAULT if lo > limit else Verdict.WORTH_A_LOOK
    where = "inside the 3 % figure"
    if share > DROP_LOOSE:
        where = "over the 3 % figure and over the 10 % one"
    elif share > DROP_TIGHT:
        where = "over the 3 % figure, under the 10 % one"
    return Result(
        verdict=verdict,
        reads=(
            f"The {name} feed loses {drop:.2f} V at {running:.1f} A ({share:.1%}, "
            f"{where}), about {1000 * loop.value:.0f} milliohm out and back"
            f"{_beside(evidence.rig.cable_to(name), loop.value)}."
        ),
        value=drop,
        lo=lo,
        hi=hi,
        count=loop.count,
        place=name,
        picture=_slope_picture(evidence, loop) if verdict != Verdict.PASS else None,
    )


def cable_smaller(evidence: Evidence) -> Result:
    """C2: the loop against every reading of the size word."""
    name = evidence.names["fridge"]
    cable = evidence.rig.cable_to(name)
    loop = evidence.fridge_loop
    if cable is None:
        return cannot_tell(
            f"The rig file has no [cable.{name}] with length and size.",
            f"[cable.{name}] in the rig file",
        )
    if loop.count < STEPS_LEAST:
        return cannot_tell(
            f"Only {loop.count} clean steps; {STEPS_LEAST} are needed.",
            "more compressor starts",
            count=loop.count,
        )
    wanted = expected_loop(cable, temp=_air(evidence))
    found = best_reading(
        loop.value, cable.length, smaller_readings(cable.size, cable.area)
    )
    off = loop.value / wanted - 1.0
    measured = f"{1000 * loop.value:.0f} milliohm over {cable.length:g} m"
    if off <= SIZE_OFF:
        verdict, text = Verdict.PASS, f"{measured} fits {cable.size}."
    elif found is not None:
        verdict = Verdict.WORTH_A_LOOK
        text = f"{measured} is what {found.words} gives, not {cable.size}."
    else:
        verdict = Verdict.WORTH_A_LOOK
        text = (
            f"{measured} is {off:.0%} above what {cable.size} gives and fits no "
            "smaller size: length, or a joint."
        )
    return Result(
        verdict=verdict,
        reads=text,
        value=1000 * loop.value,
        lo=1000 * loop.lo,
        hi=1000 * loop.hi,
        limit=1000 * (1 + SIZE_OFF) * wanted,
        count=loop.count,
        place=name,
    )


def fridge_stops_early(evidence: Evidence) -> Result:
    """C3: the fridge's own protection opens while charge is left."""
    name = evidence.names["fridge"]
    load = evidence.rig.load(name)
    cut = load.voltage_cut_out if load else None
    if cut is None:
        return cannot_tell(
            f"The rig file gives no cut_out_v for the {name}.",
            f"[load.{name}] cut_out_v",
        )
    series, spans = evidence.fridge_runs
    measured = evidence.has(f"voltage_{name}_v")
    channel = f"voltage_{name}_v" if measured else "voltage_house_v"
    volts = evidence.on(series.time_utc, channel)
    if not measured:
        cut = cut + _assumed_drop(evidence)
    ends = np.array([b for _, b in spans if b < len(volts)], dtype=int)
    if len(ends) < 5:
        return cannot_tell(
            f"Only {len(ends)} stops of the {name} seen.", "more stops", count=len(ends)
        )
    last = np.fmin(volts[ends - 1], volts[np.maximum(ends - 2, 0)])
    soc = np.interp(series.time_utc[ends - 1], evidence.minute_utc, evidence.soc)
    early = (last <= cut + CUT_NEAR) & (soc > evidence.rig.house.floor)
    stay = _stays_off(series.time_utc, spans, ends)
    early &= stay
    count = int(np.sum(early))
    if count == 0:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{len(ends)} stops of the {name}, none at its cut-out volts.",
            value=float(np.nanmin(last)),
            limit=cut,
            limit_kind=LimitKind.MAKER,
            count=len(ends),
            place=name,
        )
    k = int(np.flatnonzero(early)[0])
    house = float("nan")
    if evidence.has("voltage_house_v"):
        at = series.time_utc[ends[k] - 1 : ends[k]]
        house = float(evidence.on(at, "voltage_house_v")[0])
    spare = (soc[k] - evidence.rig.house.floor) * evidence.capacity
    return Result(
        verdict=Verdict.FAULT if measured else Verdict.WORTH_A_LOOK,
        reads=(
            f"The {name} shut off at {last[k]:.2f} V at its plug while the battery "
            f"was at {house:.2f} V with {spare:.0f} Ah still in hand "
            f"({evidence.clock(float(series.time_utc[ends[k] - 1]))}, {count} times)."
        ),
        value=float(last[k]),
        limit=cut,
        limit_kind=LimitKind.MAKER,
        count=len(ends),
        sure=Sure.MEASURED if measured else Sure.LIKELY,
        place=name,
    )


def _assumed_drop(evidence: Evidence) -> float:
    """Loss at the running current on the described cable, V; 0 without one."""
    wanted = expected_loop(evidence.rig.cable_to(evidence.names["fridge"]))
    return 0.0 if not np.isfinite(wanted) else wanted * evidence.fridge_running


def _stays_off(time_utc: Array, spans: list[tuple[int, int]], ends: Array) -> Array:
    """Tell which stops lasted, or belong to a volley of short runs."""
    starts = np.array([a for a, _ in spans])
    keep = []
    for end in ends:
        later = starts[starts > end]
        pause = time_utc[later[0]] - time_utc[end] if len(later) else np.inf
        keep.append(pause > 120.0)
    return np.array(keep, dtype=bool)


def joint_going_bad(evidence: Evidence) -> Result:
    """C4: a resistance that grows, or jumps about while driving."""
    name = evidence.names["fridge"]
    steps = evidence.fridge_steps
    if len(steps) < STEPS_LEAST:
        return cannot_tell(
            f"Only {len(steps)} clean steps; {STEPS_LEAST} are needed.",
            "more compressor starts",
            count=len(steps),
        )
    each = steps.others[0] / steps.current
    days = (steps.time_utc - steps.time_utc[0]) / 86400.0
    trend = slope_with_intercept(days, each)
    growth = trend.value * days[-1] / max(trend.intercept, 1e-6)
    sure_of_it = trend.lo > 0
    parked, driving = _split(evidence, steps.time_utc, each)
    jumpy = (
        len(driving) >= 8
        and len(parked) >= 8
        and _spread(driving) > ROUGH * max(_spread(parked), 0.001)
        and _spread(driving) > 0.05 * float(np.median(each))
    )
    text = f"Resistance to the {name} is steady from first to last step."
    verdict = Verdict.PASS
    if growth > GROWTH and sure_of_it:
        verdict = Verdict.WORTH_A_LOOK
        text = (
            f"Resistance to the {name} rose {growth:.0%} over the trip, to "
            f"{1000 * (trend.intercept + trend.value * days[-1]):.0f} milliohm."
        )
    elif jumpy:
        verdict = Verdict.WORTH_A_LOOK
        low, high = np.percentile(driving, [5, 95])
        text = (
            f"Resistance to the {name} jumps between {1000 * low:.0f} and "
            f"{1000 * high:.0f} milliohm while driving and is steady parked."
        )
    return Result(
        verdict=verdict,
        reads=text,
        value=growth,
        lo=growth,
        hi=growth,
        count=len(steps),
        place=name,
        picture=Picture(
            kind="series",
            title="Resistance at each step",
            x=tuple(steps.time_utc.tolist()),
            y=tuple((1000 * each).tolist()),
            x_label="Time",
            y_label="Resistance to the fridge, milliohm",
        )
        if verdict != Verdict.PASS
        else None,
    )


def _split(evidence: Evidence, time_utc: Array, each: Array) -> tuple[Array, Array]:
    if evidence.engine is None:
        return each, each[:0]
    index = np.searchsorted(evidence.minute_utc, time_utc)
    on = evidence.engine[0][np.clip(index, 0, len(evidence.minute_utc) - 1)]
    return each[~on], each[on]


def _spread(values: Array) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def negative_side(evidence: Evidence) -> Result:
    """C5: how much of the loss is on the way back."""
    name = evidence.names["fridge"]
    steps = evidence.steps(f"current_{name}_a", (f"voltage_{name}_neg_v",))
    back = slope_through_zero(steps.current, steps.others[0])
    if back.count < STEPS_LEAST:
        return cannot_tell(
            f"Only {back.count} clean steps; {STEPS_LEAST} are needed.",
            "more compressor starts",
            count=back.count,
        )
    running = evidence.fridge_running
    drop = back.value * running
    pair = ("voltage_house_v", f"voltage_{name}_v")
    both = all(evidence.has(c) for c in pair)
    whole = evidence.fridge_loop.value * running if both else float("nan")
    share = drop / whole if np.isfinite(whole) and whole > 0 else float("nan")
    verdict = Verdict.PASS
    if drop > NEGATIVE_V:
        most = not np.isfinite(share) or share > 0.5
        verdict = Verdict.FAULT if most else Verdict.WORTH_A_LOOK
    elif share > 0.5 and drop > 0.5 * NEGATIVE_V:
        verdict = Verdict.WORTH_A_LOOK
    part = f", {share:.0%} of the whole loss" if np.isfinite(share) else ""
    return Result(
        verdict=verdict,
        reads=f"The negative side of the {name} feed loses {drop:.2f} V{part}.",
        value=drop,
        lo=back.lo * running,
        hi=back.hi * running,
        count=back.count,
        place=name,
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C1",
        title="Volt drop to the fridge",
        rule=drop_fridge,
        needs=("voltage_house_v", "voltage_{fridge}_v", "current_{fridge}_a"),
        limit=DROP_TIGHT * VOLTAGE_NOMINAL,
        unit="V",
        source="3 %: common practice for fridges; ISO 10133's figure, as excerpted, "
        "for circuits where the drop must be kept low",
        minimum=STEPS_LEAST,
        counts="compressor steps",
        fitted=_no_fridge,
        next="Meter + to + (battery post to fridge plug), then - to -, compressor "
        "running: the two must add to this loss; if they do not, the tool is wrong.",
        care="A fridge voltmeter tapped upstream of the plug hides the worst joint; "
        "a warm cable adds 0.39 % a kelvin.",
    ),
    Row(
        id="C2",
        title="Cable smaller than described",
        rule=cable_smaller,
        needs=("voltage_house_v", "voltage_{fridge}_v", "current_{fridge}_a"),
        unit="milliohm",
        kind=LimitKind.DERIVED,
        source="length and size of the rig file, 30 % and 10 milliohm for joints",
        minimum=STEPS_LEAST,
        counts="compressor steps",
        sure=Sure.LIKELY,
        fitted=_no_fridge,
        next="Read the print on the sheath, or gauge strands times diameter; then the "
        "drop across the joints alone: if that is most of it, it is a joint.",
        care="A bad joint gives the same figure; sizes vary by maker, length is often "
        "guessed.",
    ),
    Row(
        id="C3",
        title="Fridge stops before the battery is empty",
        rule=fridge_stops_early,
        needs=("current_{fridge}_a", "voltage_{fridge}_v|voltage_house_v"),
        unit="V",
        kind=LimitKind.MAKER,
        source="cut_out_v of the rig file plus 0.2 V",
        minimum=5,
        counts="compressor stops",
        fitted=_no_fridge,
        trusts=("current_house_a",),
        next="Note the protection setting; meter at the fridge plug during a start: "
        "if it stays above the setting, the tool is wrong.",
        care="The start surge dips for less than a second and may not be sampled. A "
        "lower setting is safe only if something else guards the battery.",
    ),
    Row(
        id="C4",
        title="Joint or terminal going bad",
        rule=joint_going_bad,
        needs=("voltage_house_v", "voltage_{fridge}_v", "current_{fridge}_a"),
        limit=GROWTH,
        unit="share",
        minimum=STEPS_LEAST,
        counts="compressor steps",
        sure=Sure.LIKELY,
        fitted=_no_fridge,
        next="Wiggle with the meter across each joint under load; feel for heat, lug "
        "first. Steady millivolts prove the tool wrong.",
        care="Steps below 2 A are left out: their noise would make the spread.",
    ),
    Row(
        id="C5",
        title="Earth-side (negative) drop",
        rule=negative_side,
        needs=("voltage_{fridge}_neg_v", "current_{fridge}_a"),
        limit=NEGATIVE_V,
        unit="V",
        minimum=STEPS_LEAST,
        counts="compressor steps",
        fitted=_no_fridge,
        trusts=("voltage_{fridge}_v", "voltage_house_v"),
        next="Meter battery - to fridge -, compressor running: less than 0.1 V proves "
        "the tool wrong.",
        care="Paint, seat bolts, aluminium to steel.",
    ),
)
