"""C53-C57: what the house battery still holds, and whether its parts agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import slope_through_zero
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Evidence

LABEL_SHARE = 0.80
SURE_BAND = 0.15
AGED_TIMES = 1.5
RESISTANCE_STEP = 5.0
RESISTANCE_TEMPS = (20.0, 30.0)
RESISTANCE_SOC = (0.55, 0.99)
HALVES, CELLS, CELL_FROM = 0.20, 0.050, 3.45
SHARE_OFF = 0.20
COLLAPSE = 2.0
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def holds_less(evidence: Evidence) -> Result:
    """C53: capacity now against the label, from deep swings."""
    capacity = evidence.estimates.battery.capacity
    label = evidence.rig.house.capacity_rated
    known = np.isfinite(capacity.value) and capacity.word != Word.ASSUMED
    narrow = known and capacity.give_or_take <= SURE_BAND * label
    swing = float(np.nanmax(evidence.soc) - np.nanmin(evidence.soc))
    text = f"About {capacity.value:.0f} Ah, give or take {capacity.give_or_take:.0f}"
    if not narrow or swing < 0.4:
        return cannot_tell(
            "No two swings of 40 % from a full charge: the capacity is not known.",
            "two deep swings from full",
        )
    limit = LABEL_SHARE * label
    if capacity.hi < limit:
        verdict = Verdict.FAULT
    elif capacity.value < limit:
        verdict = Verdict.WORTH_A_LOOK
    else:
        verdict = Verdict.PASS
    return Result(
        verdict=verdict,
        reads=f"{text}, of {label:.0f} on the label.",
        value=capacity.value,
        lo=capacity.lo,
        hi=capacity.hi,
        limit=limit,
        count=2,
    )


def battery_resistance(evidence: Evidence) -> tuple[float, float, int]:
    """Give (Ohm, mean Cel, steps) from steps of 5 A at mild temperature."""
    nan = float("nan")
    if not (evidence.has("current_house_a") and evidence.has("voltage_house_v")):
        return nan, nan, 0
    steps = evidence.battery_steps
    index = np.searchsorted(evidence.minute_utc, steps.time_utc)
    index = np.clip(index, 0, len(evidence.minute_utc) - 1)
    temp, soc = evidence.temp[index], evidence.soc[index]
    use = np.abs(steps.current) >= 0.9 * RESISTANCE_STEP
    use &= (temp >= RESISTANCE_TEMPS[0]) & (temp <= RESISTANCE_TEMPS[1])
    use &= (soc >= RESISTANCE_SOC[0]) & (soc <= RESISTANCE_SOC[1])
    use &= np.nan_to_num(evidence.voltage[index]) < evidence.absorb_least[index] - 0.2
    use &= (steps.before < 0.5) & (steps.before + steps.current < 0.5)
    if int(np.sum(use)) < 5:
        return nan, nan, int(np.sum(use))
    loop = slope_through_zero(steps.current[use], steps.others[0][use])
    return loop.value, float(np.mean(temp[use])), loop.count


def resistance_aged(evidence: Evidence) -> Result:
    """C54: battery and lugs against the earlier fingerprint."""
    value, temp, count = battery_resistance(evidence)
    if not np.isfinite(value):
        return cannot_tell(
            f"{count} steps of 5 A at 20 to 30 degC; 5 are needed.",
            "load steps of 5 A at 20 to 30 degC",
            count=count,
        )
    earlier = evidence.earlier
    before = earlier.resistance_house if earlier else float("nan")
    text = f"Battery and its lugs {1000 * value:.0f} milliohm at {temp:.0f} degC"
    if not np.isfinite(before):
        return cannot_tell(
            f"{text}; no earlier fingerprint to compare with.",
            "an earlier fingerprint",
            count=count,
        )
    bad = value > AGED_TIMES * before
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=f"{text}, was {1000 * before:.0f}.",
        value=1000 * value,
        limit=1000 * AGED_TIMES * before,
        count=count,
    )


def _uneven_channels(evidence: Evidence) -> tuple[str, ...]:
    names = [n for n in evidence.record.channels if n.startswith("voltage_house_cell")]
    return tuple(sorted(names)) or (
        ("voltage_house_half_v",) if evidence.has("voltage_house_half_v") else ()
    )


def uneven(evidence: Evidence) -> Result:
    """C55: halves or cells apart under charge."""
    names = _uneven_channels(evidence)
    if not names:
        needs = (
            "voltage_house_half_v"
            if evidence.rig.house.is_lead
            else "voltage_house_cell1_v"
        )
        return cannot_tell("Cells or halves are not measured.", needs)
    if names == ("voltage_house_half_v",):
        half = evidence.minute(names[0])
        with np.errstate(invalid="ignore"):
            use = (evidence.current > 0.5) & np.isfinite(half)
        gap = np.abs(evidence.voltage - 2.0 * half)
        limit, what = HALVES, "The two halves are"
    else:
        cells = np.array([evidence.minute(n) for n in names])
        with np.errstate(invalid="ignore"):
            use = np.max(cells, axis=0) > CELL_FROM
        gap = np.max(cells, axis=0) - np.min(cells, axis=0)
        limit, what = CELLS, f"The {len(names)} cells are"
    count = int(np.sum(use))
    if count < 10:
        return cannot_tell(
            "Never seen near the end of a charge.", "a charge to the end", count=count
        )
    level = float(np.percentile(gap[use], 75))
    bad = level > limit
    return Result(
        verdict=Verdict.FAULT if bad else Verdict.PASS,
        reads=f"{what} {level:.2f} V apart under charge.",
        value=level,
        limit=limit,
        count=count,
    )


def sharing(evidence: Evidence) -> Result:
    """C56: how parallel batteries share in mid-charge."""
    amps = evidence.current
    names = [
        n for n in evidence.record.channels if n.startswith("current_house_battery")
    ]
    fair = 1.0 / (len(names) + 1)
    worst, level, count = 0.0, fair, 0
    for name in names:
        second = evidence.minute(name)
        with np.errstate(invalid="ignore"):
            use = (np.abs(amps) > 3.0) & np.isfinite(second)
            use &= (evidence.soc > 0.2) & (evidence.soc < 0.97)
        if int(np.sum(use)) < 20:
            continue
        share = float(np.median(second[use] / amps[use]))
        count = int(np.sum(use))
        if abs(share / fair - 1.0) >= worst:
            worst, level = abs(share / fair - 1.0), share
    if not count:
        return cannot_tell("Never more than 3 A in mid-charge.", "a mid-charge load")
    return Result(
        verdict=Verdict.WORTH_A_LOOK if worst > SHARE_OFF else Verdict.PASS,
        reads=f"The other battery carries {level:.0%} (fair {fair:.0%}).",
        value=worst,
        count=count,
    )


def _one_battery(evidence: Evidence) -> str:
    names = evidence.record.channels
    more = any("_battery" in n for n in names)
    return "" if more else "one battery, as far as the channels tell"


def protection_opened(evidence: Evidence) -> Result:
    """C57: volts that collapse between two readings."""
    series = evidence.series("voltage_house_v")
    volts = series.value
    good = np.isfinite(volts)
    v, t = volts[good], series.time_utc[good]
    if len(v) < 100:
        return cannot_tell("Too few readings.", "voltage_house_v")
    reach = 2
    fall = v[:-reach] - v[reach:]
    close = (t[reach:] - t[:-reach]) <= max(5.0, 2.5 * reach * series.interval)
    low = v[reach:] < evidence.rig.house.voltage_cutoff - 1.0
    at = np.flatnonzero((fall > COLLAPSE) & close & low)
    if len(at) == 0:
        return Result(
            verdict=Verdict.PASS,
            reads="Battery volts never collapsed.",
            value=float(np.max(fall, initial=0.0)),
            count=len(v),
        )
    k = int(at[0])
    amps = -evidence.current[
        min(int(np.searchsorted(evidence.minute_utc, t[k])), len(evidence.current) - 1)
    ]
    part = slice(max(0, k - 120), k + 120)
    return Result(
        verdict=Verdict.FAULT,
        reads=(
            f"The battery disconnected itself at {evidence.clock(float(t[k]))} "
            f"({v[k]:.1f} V, {amps:.1f} A drawn). What follows is unknown."
        ),
        value=float(fall[k]),
        count=len(v),
        picture=Picture(
            kind="step",
            title="Battery volts at that moment",
            x=tuple(t[part].tolist()),
            y=tuple(v[part].tolist()),
            x_label="Time",
            y_label="Battery volts, V",
        ),
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C53",
        title="Holds less than the label",
        rule=holds_less,
        needs=("current_house_a", "voltage_house_v"),
        unit="Ah",
        source="80 % of the label: common practice; IEEE 1188's replacement point, "
        "from memory",
        minimum=2,
        counts="deep swings",
        sure=Sure.LIKELY,
        next="A 20 h capacity test.",
        care="Temperature; prove the shunt's scale first.",
    ),
    Row(
        id="C54",
        title="Battery resistance high",
        rule=resistance_aged,
        needs=("current_house_a", "voltage_house_v"),
        unit="milliohm",
        kind=LimitKind.DERIVED,
        source="1.5 times its own earlier fingerprint",
        minimum=5,
        counts="steps of 5 A",
        trusts=("temp_house_c",),
        next="Meter post to post against lug to lug under load: separates lug from "
        "battery.",
        care="Includes everything between the sense points.",
    ),
    Row(
        id="C55",
        title="Cells or blocks uneven",
        rule=uneven,
        needs=("voltage_house_v",),
        unit="V",
        minimum=10,
        counts="minutes near the end of charge",
        next="Meter each cell or block at the end of charge.",
        care="One poor sense lead reads as one poor cell.",
    ),
    Row(
        id="C56",
        title="Parallel batteries not sharing",
        rule=sharing,
        needs=("current_house_battery2_a", "current_house_a"),
        limit=SHARE_OFF,
        unit="share of the fair share",
        minimum=20,
        counts="minutes in mid-charge",
        fitted=_one_battery,
        next="Lug to lug drops; take + and - from opposite ends.",
        care="Shares swing near full and near empty; mid-charge only.",
    ),
    Row(
        id="C57",
        title="Battery protection opened",
        rule=protection_opened,
        needs=("voltage_house_v",),
        limit=COLLAPSE,
        unit="V between readings",
        kind=LimitKind.DERIVED,
        source="a collapse between two readings, to below the cut-off",
        minimum=100,
        counts="readings",
        sure=Sure.LIKELY,
        next="The battery's own indication; wake it as its maker says: it may wake at "
        "full current.",
        care="A main fuse or isolator looks the same. The record may end here.",
    ),
)
