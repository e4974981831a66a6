"""C50-C52, C58, C59: how the house battery was treated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import runs
from campledger.judge.finding import LimitKind, Sure, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence

FREEZE_RATE = 0.02
HOT_LEAD, HOT_HOURS = 40.0, 2.0
FULL_DAYS, LOW_MEAN, LOW_DAYS = 7.0, 0.80, 3.0
STORED_DAYS, STORED_SHARE = 3.0, 0.01
STANDING_MOST = 0.015
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _lfp_only(evidence: Evidence) -> str:
    return "" if not evidence.rig.house.is_lead else "lithium batteries only"


def _lead_only(evidence: Evidence) -> str:
    return "" if evidence.rig.house.is_lead else "lead batteries only"


def charged_frozen(evidence: Evidence) -> Result:
    """C50: charge current with the case below the limit."""
    house = evidence.rig.house
    limit = FREEZE_RATE * evidence.rig.house.capacity_rated
    temp = evidence.minute("temp_house_c")
    known = np.isfinite(temp) & np.isfinite(evidence.current)
    with np.errstate(invalid="ignore"):
        cold = known & (temp < house.temp_charge_min)
        bad = cold & (evidence.current > limit)
    minutes = int(np.sum(bad))
    if int(np.sum(known)) < 60:
        return cannot_tell("Less than an hour of case temperature.", "temp_house_c")
    if minutes < 2:
        return Result(
            verdict=Verdict.PASS,
            reads=(
                f"Coldest {np.nanmin(temp):.0f} degC; never charged below "
                f"{house.temp_charge_min:g} degC."
            ),
            value=0.0,
            limit=limit,
            count=int(np.sum(known)),
        )
    k = int(np.flatnonzero(bad)[0])
    return Result(
        verdict=Verdict.FAULT,
        reads=(
            f"Took {np.median(evidence.current[bad]):.0f} A at "
            f"{np.median(temp[bad]):.0f} degC for {minutes} min, first at "
            f"{evidence.clock(evidence.minute_utc[k])}."
        ),
        value=float(np.max(evidence.current[bad])),
        limit=limit,
        count=int(np.sum(known)),
    )


def battery_hot(evidence: Evidence) -> Result:
    """C51: hours a day above the limit."""
    house = evidence.rig.house
    temp = evidence.minute("temp_house_c")
    known = np.isfinite(temp)
    days = float(np.sum(known)) / 1440.0
    if days < 0.5:
        return cannot_tell("Less than half a day of case temperature.", "temp_house_c")
    top = float(np.nanmax(temp))
    if house.is_lead:
        hours = float(np.sum(temp[known] > HOT_LEAD)) / 60.0 / days
        bad = hours > HOT_HOURS
        text = f"Above {HOT_LEAD:.0f} degC for {hours:.1f} h a day, at most {top:.0f}."
        limit, verdict = HOT_HOURS, Verdict.WORTH_A_LOOK
    else:
        with np.errstate(invalid="ignore"):
            mask = known & (temp > house.temp_charge_max) & (evidence.current > 0.5)
        hours = float(np.sum(mask)) / 60.0
        bad = hours > 0.1
        text = f"Charged above {house.temp_charge_max:g} degC for {hours:.1f} h."
        limit, verdict = 0.1, Verdict.FAULT
    return Result(
        verdict=verdict if bad else Verdict.PASS,
        reads=text if bad else f"At most {top:.0f} degC.",
        value=hours,
        limit=limit,
        count=int(np.ceil(days)),
    )


def full_spans(evidence: Evidence) -> list[tuple[float, float]]:
    """
    Give (reached, left) of each true full: volts, tail current and time together. [s]

    A full is left when the battery is neither held at float nor charged any more.
    """
    house = evidence.rig.house
    tail = min(house.current_full, 0.05 * house.capacity_rated)
    shift = evidence.shift[0]
    with np.errstate(invalid="ignore"):
        quiet = (evidence.current < tail) & (evidence.current > -0.3)
        up = evidence.voltage >= evidence.absorb_least - 0.15
        kept = evidence.voltage >= house.voltage_float + shift - 0.2
    need = int(house.duration_full / 60.0)
    held = [r for r in runs(_held_mostly(up & quiet, need)) if r[1] - r[0] >= need]
    stay = _held_mostly(kept & quiet, 60)
    found = []
    for a, b in held:
        k = b
        while k < len(stay) and stay[k]:
            k += 1
        reached = float(evidence.minute_utc[a + need - 1])
        found.append((reached, float(evidence.minute_utc[k - 1])))
    return found


def full_times(evidence: Evidence) -> Array:
    """Give the times of true fulls, those of the estimate included. [s]"""
    times = [t for span in full_spans(evidence) for t in span]
    times += [
        a.time_utc for a in evidence.estimates.battery.anchors if a.kind == "full"
    ]
    return np.sort(np.array(times, dtype=np.float64))


def _held_mostly(mask: Array, need: int) -> Array:
    """Close gaps of up to five minutes (a load that dips the volts)."""
    out = mask.copy()
    for a, b in runs(~mask):
        if a > 0 and b < len(mask) and b - a <= min(5, need // 3):
            out[a:b] = True
    return out


def days_short(evidence: Evidence) -> Result:
    """C52: days since a true full charge, gaps included."""
    ends = [evidence.record.start_utc, evidence.record.end_utc]
    marks = np.concatenate((ends[:1], full_times(evidence), ends[1:]))
    gap = float(np.max(np.diff(np.sort(marks)))) / 86400.0
    count = len(full_spans(evidence)) or len(marks) - 2
    low = _low_mean_days(evidence)
    if gap > FULL_DAYS or low > LOW_DAYS:
        text = (
            f"{gap:.0f} days without a full charge."
            if gap > FULL_DAYS
            else f"Mean charge below {LOW_MEAN:.0%} for {low:.0f} days."
        )
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=text,
            value=max(gap, low),
            limit=FULL_DAYS if gap > FULL_DAYS else LOW_DAYS,
            count=max(1, count),
        )
    if count == 0 and evidence.days < FULL_DAYS:
        return cannot_tell(
            f"No full charge in {evidence.days:.0f} days of record.",
            "a record of a week",
        )
    return Result(
        verdict=Verdict.PASS,
        reads=f"{count} full charges; {gap:.1f} days at most between them.",
        value=gap,
        count=max(1, count),
    )


def _low_mean_days(evidence: Evidence) -> float:
    """Longest run of days with a mean charge below the figure."""
    days = np.unique(evidence.day_index)
    low = np.zeros(len(days), dtype=bool)
    for k, day in enumerate(days):
        part = evidence.soc[evidence.day_index == day]
        part = part[np.isfinite(part)]
        low[k] = len(part) > 720 and float(np.mean(part)) < LOW_MEAN
    return float(max((b - a for a, b in runs(low)), default=0))


def below_floor(evidence: Evidence) -> Result:
    """C58: hours below the owner's floor, certain and likely."""
    house = evidence.rig.house
    known = np.isfinite(evidence.soc)
    if int(np.sum(known)) < 60:
        return cannot_tell("The charge is not known.", "current_house_a")
    with np.errstate(invalid="ignore"):
        likely = float(np.sum(known & (evidence.soc < house.floor))) / 60.0
        certain = float(np.sum(known & (evidence.soc_hi < house.floor))) / 60.0
    k = int(np.nanargmin(evidence.soc))
    lowest = evidence.soc[k] * evidence.capacity
    band = 0.5 * (evidence.soc_hi[k] - evidence.soc_lo[k]) * evidence.capacity
    text = f"lowest {lowest:.0f} Ah, give or take {band:.0f}."
    if likely < 0.25:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Never below the floor of {house.floor:.0%}; {text}",
            value=likely,
            count=int(np.sum(known)),
        )
    return Result(
        verdict=Verdict.WORTH_A_LOOK,
        reads=(
            f"{likely:.1f} h below the floor of {house.floor:.0%} ({certain:.1f} h for "
            f"certain), {text}"
        ),
        value=likely,
        lo=certain,
        hi=likely,
        count=int(np.sum(known)),
        sure=Sure.MEASURED if certain > 0 else Sure.LIKELY,
    )


def stored_drain(evidence: Evidence) -> Result:
    """C59: charge lost a day while parked with nothing on."""
    amps = evidence.current
    busy = np.nan_to_num(np.abs(amps)) > STANDING_MOST * evidence.capacity
    if evidence.engine is not None:
        busy |= evidence.engine[0]
    hourly = _held_mostly(~busy, 16)
    spans = [
        (a, b)
        for a, b in runs(hourly)
        if (evidence.minute_utc[b - 1] - evidence.minute_utc[a]) / 86400.0
        >= STORED_DAYS
    ]
    if not spans:
        return cannot_tell(
            "Not three days parked with nothing on.", "three days parked"
        )
    a, b = max(spans, key=lambda r: r[1] - r[0])
    a_day = -24.0 * float(np.nanmean(amps[a:b]))
    limit = STORED_SHARE * evidence.capacity
    bad = a_day > limit
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=f"Loses {max(a_day, 0.0):.1f} Ah a day parked.",
        value=a_day,
        limit=limit,
        count=int((b - a) / 1440),
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C50",
        title="Lithium charged below freezing",
        rule=charged_frozen,
        needs=("temp_house_c", "current_house_a"),
        unit="A",
        kind=LimitKind.MAKER,
        source="charge_min_c of the rig file (cell sheets: 0 degC) and 2 % of the "
        "rated capacity",
        minimum=60,
        counts="minutes",
        fitted=_lfp_only,
        next="Is a low-temperature cut-off fitted and enabled?",
        care="The case may differ from the cells by several kelvin. Dawn sun after a "
        "cold night is the usual moment.",
    ),
    Row(
        id="C51",
        title="Battery hot",
        rule=battery_hot,
        needs=("temp_house_c",),
        limit=HOT_HOURS,
        unit="h a day",
        counts="days",
        trusts=("current_house_a",),
        next="Meter probe at the post; find the heat source.",
        care="Rising temperature with falling volts at high charge: stop charging. "
        "Swelling, smell, heat: leave it, get out.",
    ),
    Row(
        id="C52",
        title="Days short of full",
        rule=days_short,
        needs=("voltage_house_v", "current_house_a"),
        limit=FULL_DAYS,
        unit="days",
        counts="full charges",
        fitted=_lead_only,
        next="Mains charge until the tail is below 2 % of capacity; vent, no flame.",
        care="Full is volts, tail and time together, not a lamp that says float.",
    ),
    Row(
        id="C58",
        title="Spent time below the floor",
        rule=below_floor,
        needs=("voltage_house_v",),
        limit=0.25,
        unit="h",
        kind=LimitKind.DERIVED,
        source="floor of the rig file",
        minimum=60,
        counts="minutes",
        trusts=("current_house_a",),
        next="Rest volts after four hours.",
        care="Wear, not failure.",
    ),
    Row(
        id="C59",
        title="Drains while stored",
        rule=stored_drain,
        needs=("current_house_a",),
        unit="Ah a day",
        counts="days",
        next="Clamp on the battery's negative, then pull the logger fuse.",
        care="Cold lowers volts without loss; lead loses about 3 % a month by itself.",
    ),
)
