"""C45-C49: the panel, its shade and facing, and the sun that nobody needed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence

YIELD = 0.75
SUN_HOURS_LEAST = 4.0
WEAK = 0.50
DIP, DIP_DAYS = 0.40, 3
DIP_SHARE = 0.6
FACING_HOURS = 1.5
LIGHT_BINS = 20
BIN_MINUTES = 20
STRING_STEP = 0.22
UNSEEN_CHARGE = 2.0
HELD_BACK, HELD_LOW = 0.12, 0.6
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _no_solar(evidence: Evidence) -> str:
    return "" if evidence.names["solar"] else "no solar in the rig file"


def _amps(evidence: Evidence) -> Array:
    return evidence.minute(f"current_{evidence.names['solar']}_a")


def _held(evidence: Evidence) -> Array:
    """Mark minutes in which the battery's volts held the panel back."""
    with np.errstate(invalid="ignore"):
        full = np.nan_to_num(evidence.soc) > 0.97
        floating = full & (evidence.voltage > evidence.rig.house.voltage_float - 0.25)
        held = (evidence.voltage >= evidence.absorb_least - HELD_BACK) | floating
    for p in evidence.plateaus:
        if p.volts > evidence.absorb_least[p.first] - HELD_LOW:
            held[p.first : p.last] = True
    return held


def _whole_days(evidence: Evidence) -> list[Array]:
    """Give index arrays of days whose daylight is covered."""
    found = []
    for day in np.unique(evidence.day_index):
        index = np.flatnonzero(evidence.day_index == day)
        light = index[(evidence.hour[index] > 7) & (evidence.hour[index] < 17)]
        if len(light) >= 590 and np.isfinite(_amps(evidence)[light]).mean() > 0.9:
            found.append(index)
    return found


def _sun_hours(evidence: Evidence) -> float:
    plan = evidence.plan
    days = [] if plan is None else [plan.every_day, *plan.days]
    typed = [d.sun_hours for d in days if d is not None and d.sun_hours]
    return float(np.median(typed)) if typed else SUN_HOURS_LEAST


def panel_weak(evidence: Evidence) -> Result:
    """C45: the best day against what the panel should give."""
    source = evidence.rig.source(evidence.names["solar"])
    power = source.power_panel if source else None
    if not power:
        return cannot_tell("The rig file gives no panel_w.", "[source] panel_w")
    days = _whole_days(evidence)
    if not days:
        return cannot_tell("No whole day of sun in the record.", "a whole day")
    amps = np.nan_to_num(_amps(evidence))
    charge = [float(np.sum(amps[d])) / 60.0 for d in days]
    best = int(np.argmax(charge))
    hours = _sun_hours(evidence)
    wanted = power * hours * YIELD / evidence.rig.house.voltage_nominal
    share = charge[best] / wanted
    if share >= WEAK:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Best day {charge[best]:.0f} Ah from {power:.0f} W.",
            value=share,
            count=len(days),
        )
    light = days[best][amps[days[best]] > 0.2]
    held = float(np.mean(_held(evidence)[light])) if len(light) else 0.0
    if held > 0.2:
        return cannot_tell(
            f"Best day {charge[best]:.0f} Ah, but the battery was full for "
            f"{held:.0%} of the sun.",
            "a sunny day with a hungry battery",
            count=len(days),
        )
    return Result(
        verdict=Verdict.WORTH_A_LOOK,
        reads=(
            f"Best day {charge[best]:.0f} Ah from {power:.0f} W; about {wanted:.0f} "
            f"expected with {hours:g} h of sun. The battery was hungry."
        ),
        value=share,
        count=len(days),
    )


def _profiles(evidence: Evidence) -> Array:
    """Give mean amps by day and time bin; NaN where held back or uncovered."""
    bins = 24 * 60 // BIN_MINUTES
    amps = np.where(_held(evidence), np.nan, _amps(evidence))
    rows = []
    for day in _whole_days(evidence):
        slot = np.floor(evidence.hour[day] * 60 / BIN_MINUTES).astype(int) % bins
        good = np.isfinite(amps[day])
        total = np.bincount(slot[good], amps[day][good], minlength=bins)
        count = np.bincount(slot[good], minlength=bins)
        with np.errstate(invalid="ignore", divide="ignore"):
            rows.append(np.where(count >= BIN_MINUTES // 2, total / count, np.nan))
    return np.array(rows).reshape(-1, bins)


def _dips(row: Array) -> Array:
    """Mark bins far below the line between their shoulders; the sun's course bulges."""
    marked = np.zeros(len(row), dtype=bool)
    reach = 120 // BIN_MINUTES
    for k in range(1, len(row) - 1):
        left = np.nan_to_num(row[max(0, k - reach) : k])
        right = np.nan_to_num(row[k + 1 : k + 1 + reach])
        a = max(0, k - reach) + int(np.argmax(left))
        b = k + 1 + int(np.argmax(right))
        line = float(np.interp(k, [a, b], np.nan_to_num([row[a], row[b]])))
        if min(row[a], row[b]) > 1.0 and row[k] < (1 - DIP) * line:
            marked[k] = True
    return marked


def _middle(table: Array) -> Array:
    """Give the median of each column, NaN where it holds nothing. (n,)"""
    out = np.full(table.shape[1], np.nan)
    some = np.isfinite(table).any(axis=0)
    out[some] = np.nanmedian(table[:, some], axis=0)
    return out


def shade(evidence: Evidence) -> Result:
    """C46: the same dip at the same hour, or a peak far from noon."""
    rows = _profiles(evidence)
    usable = [r for r in rows if np.isfinite(r).sum() >= 12]
    if len(usable) < DIP_DAYS:
        return cannot_tell(
            f"{len(usable)} days on which the panel was not held back; {DIP_DAYS} are "
            "needed.",
            "days with a hungry battery",
            count=len(usable),
        )
    same = np.sum([_dips(r) for r in usable], axis=0)
    often = same >= max(DIP_DAYS, DIP_SHARE * len(usable))
    beside = np.concatenate((often[1:], [False])) | np.concatenate(
        ([False], often[:-1])
    )
    hit = np.flatnonzero(often & beside)
    if len(hit):
        first, last = hit[0] * BIN_MINUTES, (hit[-1] + 1) * BIN_MINUTES
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=(
                f"Shadow {first // 60:02d}:{first % 60:02d}-{last // 60:02d}:"
                f"{last % 60:02d} on {int(np.max(same))} days (roof box?)."
            ),
            value=float(np.max(same)),
            count=len(usable),
            picture=Picture(
                kind="series",
                title="Solar amps by time of day",
                x=tuple((np.arange(len(rows[0])) * BIN_MINUTES / 60.0).tolist()),
                y=tuple(_middle(np.array(usable)).tolist()),
                x_label="Hour of the day",
                y_label="Solar, A",
            ),
        )
    off = _facing(evidence, np.array(usable))
    if abs(off) > FACING_HOURS:
        when = "before" if off < 0 else "after"
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=f"The panel peaks {abs(off):.1f} h {when} solar noon: its facing.",
            value=off,
            unit="h",
            limit=FACING_HOURS,
            count=len(usable),
        )
    return Result(
        verdict=Verdict.PASS,
        reads=f"No dip at the same hour on most of {len(usable)} days.",
        value=float(np.max(same)),
        count=len(usable),
    )


def _noon(evidence: Evidence) -> float:
    """Give mean solar noon in rig time; 12 without a longitude. [h]"""
    if evidence.rig.longitude is None:
        return 12.0
    return 12.0 + evidence.record.utc_offset / 3600.0 - evidence.rig.longitude / 15.0


def _facing(evidence: Evidence, rows: Array) -> float:
    """Give hours from solar noon to the peak; 0 where it can't be told."""
    if evidence.rig.longitude is None:
        return 0.0
    middle = np.sum(np.nan_to_num(rows), axis=0)
    seen = np.sum(np.isfinite(rows), axis=0)
    middle = np.where(seen >= DIP_DAYS - 1, middle / np.maximum(seen, 1), 0.0)
    hour = (np.arange(len(middle)) + 0.5) * BIN_MINUTES / 60.0
    day = (np.abs(hour - _noon(evidence)) < 4.5) & (middle >= 0.0)
    if np.any(seen[day] < DIP_DAYS - 1):
        return 0.0
    light = middle > 0.15 * float(np.max(middle, initial=0.0))
    if int(np.sum(light)) < LIGHT_BINS or float(np.max(middle)) < 1.0:
        return 0.0
    noon = _noon(evidence)
    smooth = np.convolve(middle, np.ones(5) / 5.0, mode="same")
    peak = float(hour[int(np.argmax(smooth))]) - noon
    centre = float(np.average(hour, weights=middle)) - noon
    both = peak * centre > 0 and abs(centre) > 0.5 * FACING_HOURS
    return peak if both else 0.0


def dead_string(evidence: Evidence) -> Result:
    """C47: panel volts at power that stepped down within the trip."""
    name = evidence.names["solar"]
    volts = evidence.minute(f"voltage_{name}_panel_v")
    amps = np.nan_to_num(_amps(evidence))
    top = float(np.percentile(amps, 99))
    power = (amps > 0.4 * top) & (amps > 1.0) & np.isfinite(volts) & ~_held(evidence)
    levels = []
    for day in np.unique(evidence.day_index):
        use = power & (evidence.day_index == day)
        if int(np.sum(use)) >= 20:
            levels.append(float(np.median(volts[use])))
    if len(levels) < 2:
        return cannot_tell(
            "Fewer than two days with twenty minutes at power.",
            "sunny days with a hungry battery",
            count=len(levels),
        )
    best, last = max(levels), levels[-1]
    step = 1.0 - last / best
    bad = step > STRING_STEP
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=(
            f"Panel volts at power fell from {best:.1f} to {last:.1f} V ({step:.0%}): "
            "a string, panel or diode."
            if bad
            else f"Panel volts at power {last:.1f} V, as on the best day."
        ),
        value=step,
        count=len(levels),
    )


def unseen_sun(evidence: Evidence) -> Result:
    """C48: charge that no source owns, by day, with the engine off."""
    amps = evidence.current
    named = [f"current_{s.name}_a" for s in evidence.rig.sources]
    missing = [n for n in named if not evidence.has(n)]
    if missing:
        return cannot_tell("Not all sources are measured apart.", *missing)
    total = np.sum([np.nan_to_num(evidence.minute(n)) for n in named], axis=0)
    with np.errstate(invalid="ignore"):
        orphan = np.isfinite(amps) & (amps > 0.5) & (total < 0.3)
    if evidence.engine is not None:
        orphan &= ~evidence.engine[0]
    days = max(evidence.days, 0.5)
    charge = float(np.sum(amps[orphan])) / 60.0 / days
    bad = charge > UNSEEN_CHARGE
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=(
            f"{charge:.1f} Ah a day charge the battery, engine off, but not through "
            "the channel called solar."
            if bad
            else "All charge by day comes through a measured source."
        ),
        value=charge,
        count=max(1, int(days)),
    )


def spare_sun(evidence: Evidence) -> Result:
    """C49: sun that the battery could not take; a fact, not a fault."""
    amps = _amps(evidence)
    with np.errstate(invalid="ignore"):
        held = _held(evidence) & (amps > 0.1)
    minutes = int(np.sum(held))
    if not np.isfinite(amps).any():
        return cannot_tell("No solar amps.", "current_solar_a")
    use = evidence.estimates.source(evidence.names["solar"])
    text = "The battery took all the sun there was."
    if minutes:
        text = f"The battery held the panel back for {minutes / 60:.1f} h."
        if use is not None and np.isfinite(use.possible).any():
            spare = float(np.nansum(use.possible - use.power)) / 60.0
            text += f" Roughly {max(spare, 0.0):.0f} Wh of sun not needed."
    return Result(
        verdict=Verdict.PASS,
        reads=text,
        value=minutes / 60.0,
        count=max(1, int(evidence.days)),
        sure=Sure.HINT if minutes else Sure.MEASURED,
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C45",
        title="Panel gives less than it should",
        rule=panel_weak,
        needs=("current_{solar}_a", "voltage_house_v"),
        limit=WEAK,
        unit="share of the expected charge",
        counts="whole days",
        sure=Sure.HINT,
        fitted=_no_solar,
        trusts=("current_house_a",),
        next="Short-circuit amps and open volts at the panel in noon sun, with a "
        "meter rated for it; cover or switch off first, DC arcs.",
        care="A flat panel in winter halves it honestly; without an irradiance meter "
        "this is a bound.",
    ),
    Row(
        id="C46",
        title="Shade or facing",
        rule=shade,
        needs=("current_{solar}_a", "voltage_house_v"),
        limit=DIP_DAYS,
        unit="days",
        minimum=DIP_DAYS,
        counts="days",
        sure=Sure.LIKELY,
        fitted=_no_solar,
        trusts=("current_house_a",),
        next="Stand there at that hour and look; move the panel and watch amps.",
        care="Camps move: check for each site.",
    ),
    Row(
        id="C47",
        title="Dead string, panel or diode",
        rule=dead_string,
        needs=("voltage_{solar}_panel_v", "current_{solar}_a"),
        limit=STRING_STEP,
        unit="share",
        kind=LimitKind.DERIVED,
        source="against this panel's own best day",
        minimum=2,
        counts="days at power",
        sure=Sure.LIKELY,
        fitted=_no_solar,
        next="Short-circuit amps of each panel alone; switch off under no load first.",
        care="Cloud edges; a failure before the trip is not seen as a step.",
    ),
    Row(
        id="C48",
        title="Solar not seen, or regulator in the wrong place",
        rule=unseen_sun,
        needs=("current_house_a", "current_{solar}_a"),
        limit=UNSEEN_CHARGE,
        unit="Ah a day",
        counts="days",
        sure=Sure.LIKELY,
        fitted=_no_solar,
        next="Follow the regulator's output lead with a clamp.",
        care="The same shows when the panel charges the start battery.",
    ),
    Row(
        id="C49",
        title="Spare sun",
        rule=spare_sun,
        needs=("current_{solar}_a", "voltage_house_v"),
        unit="h",
        kind=LimitKind.DERIVED,
        source="battery at its absorption or float volts",
        counts="days",
        sure=Sure.HINT,
        fitted=_no_solar,
        next="Switch on 10 A and see solar rise to meet it.",
        care="Not a fault. The amount is rough.",
    ),
)
