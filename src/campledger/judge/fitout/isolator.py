"""C21-C26: the link between the two batteries, and the start battery itself."""

from __future__ import annotations

import numpy as np

from campledger.estimate.steps import runs, slope_with_intercept
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.evidence import HOUR, TIED, Array, Evidence, known_mean
from campledger.judge.fitout.row import Result, Row, cannot_tell

FIGURE_BAND = 0.20
CHATTER, CHATTER_MINUTES = 6, 10
TIED_MINUTES = 15
STEP_VOLTAGE = 0.02
NIGHT_FALL, NIGHT_HOURS = 0.05, 10.0
CRANK_TABLE = (
    (20.0, 9.6),
    (18.0, 9.5),
    (10.0, 9.4),
    (4.0, 9.3),
    (-1.0, 9.1),
    (-7.0, 8.9),
    (-12.0, 8.7),
)
"""Smallest volts under a load test by temperature: a car workshop manual's table."""
SELF_CURRENT, SELF_MINUTES = 3.0, 5
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _no_isolator(evidence: Evidence) -> str:
    has = evidence.source_of("isolator") is not None or evidence.has("state_isolator")
    return "" if has else "no isolator in the rig file"


def _no_start(evidence: Evidence) -> str:
    has = evidence.rig.start is not None or evidence.has("voltage_start_v")
    return "" if has else "no start battery in the rig file"


def _changes(evidence: Evidence) -> tuple[Array, Array, Sure]:
    """Give times of closing or opening, whether they close, and how sure."""
    if evidence.has("state_isolator"):
        series = evidence.series("state_isolator")
        state = np.nan_to_num(series.value) > 0.5
        time, sure = series.time_utc, Sure.MEASURED
    else:
        closed = evidence.closed
        state = closed[0] if closed else np.zeros(len(evidence.minute_utc), dtype=bool)
        time, sure = evidence.minute_utc, Sure.LIKELY
    at = np.flatnonzero(state[1:] != state[:-1])
    return time[at], state[at + 1], sure


def isolator_points(evidence: Evidence) -> Result:
    """C21: volts at closing and opening, and chatter."""
    time, closes, sure = _changes(evidence)
    if len(time) == 0:
        return cannot_tell("The isolator never moved.", "a drive", count=0)
    minute = 60.0 * CHATTER_MINUTES
    within = [int(np.sum((time >= t) & (time < t + minute))) for t in time]
    most = max(within)
    if most > CHATTER:
        return Result(
            verdict=Verdict.FAULT,
            reads=(
                f"Opened and closed {most} times in {CHATTER_MINUTES} min "
                f"({evidence.clock(float(time[int(np.argmax(within))]))}): drop in the "
                "feed."
            ),
            value=most,
            count=len(time),
            sure=sure,
            place="isolator",
        )
    source = evidence.source_of("isolator")
    volts = _before(evidence, time)
    cut_in = source.voltage_cut_in if source else 13.3
    cut_out = source.voltage_cut_out if source else 12.8
    low = volts[closes & np.isfinite(volts)]
    early = [v for v in low if v < cut_in - FIGURE_BAND]
    drops = _opens_driving(evidence, time[~closes], volts[~closes], cut_out)
    if sure == Sure.MEASURED and (early or drops):
        text = (
            f"Closes at {min(early):.2f} V, the rig file says {cut_in:.1f}."
            if early
            else f"Opens at {max(drops):.2f} V with the engine on; {cut_out:.1f} said."
        )
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=text,
            value=most,
            count=len(time),
            sure=sure,
            place="isolator",
        )
    text = f"Closed and opened {len(time)} times, at most {most} in ten minutes"
    if len(low):
        text += f"; closes at {np.median(low):.2f} V"
    return Result(
        verdict=Verdict.PASS,
        reads=text + ".",
        value=most,
        count=len(time),
        sure=sure,
        place="isolator",
    )


def _before(evidence: Evidence, time: Array) -> Array:
    """Give the higher side's volts in the minute up to each change."""
    tops = [
        [
            evidence.series(name).between(t - 60.0, t).value
            for name in ("voltage_start_v", "voltage_house_v")
        ]
        for t in time
    ]
    return np.array(
        [
            max((float(np.nanmax(x)) for x in pair if len(x)), default=float("nan"))
            for pair in tops
        ]
    )


def _opens_driving(
    evidence: Evidence, time: Array, volts: Array, cut_out: float
) -> list[float]:
    if evidence.engine is None:
        return []
    index = np.clip(
        np.searchsorted(evidence.minute_utc, time), 0, len(evidence.minute_utc) - 1
    )
    later = np.minimum(index + 2, len(evidence.minute_utc) - 1)
    on = evidence.engine[0][index] & evidence.engine[0][later]
    return [float(v) for v in volts[on] if v > cut_out + FIGURE_BAND]


def held_by_sun(evidence: Evidence) -> Result:
    """C22: the batteries stay joined with the engine off."""
    if evidence.closed is None:
        return cannot_tell("The isolator's state is unknown.", "state_isolator")
    closed, sure = evidence.closed
    start = evidence.minute("voltage_start_v")
    if evidence.engine is not None:
        off = ~evidence.engine[0]
    else:
        off = _closed_from_house(evidence, closed, start)
        sure = Sure.LIKELY
    spans = [r for r in runs(closed & off) if r[1] - r[0] > TIED_MINUTES]
    if not spans:
        longest = max((b - a for a, b in runs(closed & off)), default=0)
        return Result(
            verdict=Verdict.PASS,
            reads=f"Joined at most {longest} min with the engine off.",
            value=longest,
            count=max(1, len(evidence.drives)),
            sure=sure,
            place="isolator",
        )
    a, b = max(spans, key=lambda r: r[1] - r[0])
    out = np.clip(-np.nan_to_num(evidence.current), 0.0, None)
    dark = _no_sun(evidence)
    taken = sum(float(np.sum((out * dark)[i:j])) / 60.0 for i, j in spans)
    return Result(
        verdict=Verdict.FAULT if taken > 0.5 else Verdict.WORTH_A_LOOK,
        reads=(
            f"From {evidence.clock(evidence.minute_utc[a])} the two batteries were "
            f"joined for {b - a} min with the engine off; {taken:.1f} Ah were taken "
            f"from the joined pair after the sun had gone; they parted at "
            f"{evidence.voltage[b - 1]:.2f} V."
        ),
        value=b - a,
        count=len(spans),
        sure=sure,
        place="isolator",
        picture=Picture(
            kind="series",
            title="Start battery volts minus house volts",
            x=tuple(evidence.minute_utc[max(0, a - 60) : b + 60].tolist()),
            y=tuple((start - evidence.voltage)[max(0, a - 60) : b + 60].tolist()),
            x_label="Time",
            y_label="Difference, V",
        ),
    )


def _closed_from_house(evidence: Evidence, closed: Array, start: Array) -> Array:
    """Mark joined stretches that began with the house side higher: not the engine."""
    out = np.zeros(len(closed), dtype=bool)
    for a, b in runs(closed):
        before = max(0, a - 2)
        if evidence.voltage[before] > start[before] + TIED:
            out[a:b] = True
    return out


def _no_sun(evidence: Evidence) -> Array:
    name = evidence.names["solar"]
    if name and evidence.has(f"current_{name}_a"):
        return np.nan_to_num(evidence.minute(f"current_{name}_a")) < 0.2
    return (evidence.hour < 6.0) | (evidence.hour > 18.5)


def house_on_start(evidence: Evidence) -> Result:
    """C23: the start battery feels house loads, or falls overnight."""
    rested = evidence.rested_start
    coupled, count = _coupling(evidence)
    falls = []
    start = evidence.minute("voltage_start_v")
    for a, b in runs(rested):
        if b - a < 180:
            continue
        part = slice(a + 60, b)
        line = slope_with_intercept(
            (evidence.minute_utc[part] - evidence.minute_utc[a]) / HOUR, start[part]
        )
        falls.append(-line.value * NIGHT_HOURS)
    if count < 10 and not falls:
        return cannot_tell(
            "The start battery never rested for seven hours.", "a night parked"
        )
    fall = float(np.median(falls)) if falls else 0.0
    if coupled > STEP_VOLTAGE:
        return Result(
            verdict=Verdict.FAULT,
            reads=(
                f"The start battery dips {coupled:.2f} V each time a house load "
                "starts though the isolator is open: a load (or its -) is on the "
                "wrong battery."
            ),
            value=coupled,
            count=count,
            place="start",
        )
    if fall > NIGHT_FALL:
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=f"The start battery falls {fall:.2f} V in a night of rest.",
            value=fall,
            limit=NIGHT_FALL,
            count=len(falls),
            place="start",
        )
    return Result(
        verdict=Verdict.PASS,
        reads=(
            f"The start battery does not feel house loads ({count} steps) and falls "
            f"{max(fall, 0.0):.2f} V in a night."
        ),
        value=coupled,
        count=max(count, len(falls)),
        place="start",
    )


def _coupling(evidence: Evidence) -> tuple[float, int]:
    """Give the median dip of the start battery at house load steps, and how many."""
    if not evidence.has("current_house_a"):
        return 0.0, 0
    worst, most = 0.0, 0
    names = [f"current_{x.name}_a" for x in evidence.rig.loads]
    for channel in ("current_house_a", *(n for n in names if evidence.has(n))):
        steps = evidence.steps(channel, ("voltage_start_v",))
        quiet = np.ones(len(steps), dtype=bool)
        index = np.searchsorted(evidence.minute_utc, steps.time_utc)
        index = np.clip(index, 0, len(evidence.minute_utc) - 1)
        if evidence.engine is not None:
            quiet &= ~evidence.engine[0][index]
        if evidence.closed is not None:
            quiet &= ~evidence.closed[0][index]
        sign = np.sign(steps.current) * (1 if channel == "current_house_a" else -1)
        dips = (sign * steps.others[0])[quiet]
        if len(dips) >= 10:
            most = max(most, len(dips))
            worst = max(worst, float(np.median(dips)))
    return worst, most


def start_low(evidence: Evidence) -> Result:
    """C24: volts of the start battery after four hours of rest."""
    rested = evidence.rested_start
    if int(np.sum(rested)) < 30:
        return cannot_tell(
            "The start battery was never seen rested for four hours.",
            "four hours parked",
        )
    volts = evidence.minute("voltage_start_v")[rested]
    level = float(np.percentile(volts, 10))
    limits = evidence.rig.start
    good = limits.voltage_rested_ok if limits else 12.5
    bad = limits.voltage_rested_low if limits else 12.2
    if evidence.rig.alternator == "variable":
        good = min(good, 12.4)
    verdict = Verdict.PASS
    if level < good:
        verdict = Verdict.FAULT if level < bad else Verdict.WORTH_A_LOOK
    return Result(
        verdict=verdict,
        reads=f"{level:.2f} V rested" + ("." if verdict == Verdict.PASS else ": low."),
        value=level,
        limit=good,
        count=len(volts),
        place="start",
    )


def crank_dip(evidence: Evidence) -> Result:
    """C25: the lowest volts of a start; slow sampling only gives "at most"."""
    temp = (
        known_mean(evidence.minute("temp_air_c"))
        if evidence.has("temp_air_c")
        else 25.0
    )
    limit = next((v for t, v in CRANK_TABLE if temp >= t), CRANK_TABLE[-1][1])
    fast = evidence.has("voltage_start_min_v")
    channel = "voltage_start_min_v" if fast else "voltage_start_v"
    series = evidence.series(channel)
    lows = []
    for drive in evidence.drives:
        at = evidence.minute_utc[drive.first]
        part = series.between(at - 150.0, at + 60.0).value
        if np.isfinite(part).any():
            lows.append(float(np.nanmin(part)))
    if not lows:
        return cannot_tell("No engine start seen.", "a start", "state_engine")
    low = min(lows)
    if low < limit:
        return Result(
            verdict=Verdict.FAULT,
            reads=f"Lowest seen {low:.1f} V while cranking; the true dip may be lower.",
            value=low,
            limit=limit,
            count=len(lows),
            place="start",
        )
    if fast or series.interval <= 0.05:
        return Result(
            verdict=Verdict.PASS,
            reads=f"Lowest {low:.1f} V while cranking.",
            value=low,
            limit=limit,
            count=len(lows),
            place="start",
        )
    return cannot_tell(
        f"Lowest seen {low:.1f} V; the true dip may be lower: a reading every "
        f"{series.interval:.0f} s misses it.",
        "voltage_start_min_v",
        count=len(lows),
    )


def feeds_itself(evidence: Evidence) -> Result:
    """C26: a charger whose input and output are joined."""
    if evidence.engine is None:
        return cannot_tell("Engine off cannot be told.", "state_engine")
    out = evidence.minute(f"current_{evidence.names['charger']}_a")
    gap = np.abs(evidence.minute("voltage_start_v") - evidence.voltage)
    with np.errstate(invalid="ignore"):
        mask = (out > SELF_CURRENT) & (gap <= TIED) & ~evidence.engine[0]
    spans = [r for r in runs(mask) if r[1] - r[0] >= SELF_MINUTES]
    if not spans:
        return Result(
            verdict=Verdict.PASS,
            reads="The charger never ran with both batteries at one voltage.",
            value=0.0,
            count=max(1, len(evidence.drives)),
        )
    a, b = max(spans, key=lambda r: r[1] - r[0])
    return Result(
        verdict=Verdict.FAULT,
        reads=(
            f"For {b - a} min from {evidence.clock(evidence.minute_utc[a])} the "
            "charger ran with both batteries at one voltage and the engine off: it is "
            "charging its own input."
        ),
        value=float(np.nanmedian(out[a:b])),
        count=max(1, len(evidence.drives)),
    )


def _no_dcdc(evidence: Evidence) -> str:
    if evidence.source_of("dcdc") is None:
        return "no engine charger (dcdc) in the rig file"
    return ""


ROWS: tuple[Row, ...] = (
    Row(
        id="C21",
        title="Isolator cut-in, cut-out and chatter",
        rule=isolator_points,
        needs=("voltage_start_v", "voltage_house_v"),
        limit=CHATTER,
        unit="changes in 10 min",
        counts="changes",
        sure=Sure.LIKELY,
        fitted=_no_isolator,
        next="Volts across the closed contacts under load: below 0.1 V proves the "
        "tool wrong.",
        care="Delays of tens of seconds are normal; published cut-in 13.3 to 13.7 V, "
        "cut-out 12.8 V.",
    ),
    Row(
        id="C22",
        title="Isolator closed with the engine off",
        rule=held_by_sun,
        needs=("voltage_start_v", "voltage_house_v"),
        limit=TIED_MINUTES,
        unit="min",
        counts="stretches",
        sure=Sure.LIKELY,
        fitted=_no_isolator,
        trusts=("current_house_a",),
        next="Meter both batteries at dusk, then see whether the isolator senses both "
        "sides.",
        care="Harmless with sun, harmful after dark with a load.",
    ),
    Row(
        id="C23",
        title="House load on the start battery, or a hidden draw",
        rule=house_on_start,
        needs=("voltage_start_v",),
        limit=STEP_VOLTAGE,
        unit="V",
        counts="steps or nights",
        sure=Sure.LIKELY,
        fitted=_no_start,
        next="Clamp on the start battery's negative; pull the house fuse and watch.",
        care="Surface charge decays for hours and looks like a drain: four hours are "
        "waited.",
    ),
    Row(
        id="C24",
        title="Start battery low at rest",
        rule=start_low,
        needs=("voltage_start_v",),
        unit="V",
        source="common practice: 12.5 and 12.2 V at 25 degC; a workshop manual calls "
        "more than 12.5 V good",
        minimum=30,
        counts="rested minutes",
        fitted=_no_start,
        next="Charge, rest, load test.",
        care="Volts do not show cranking strength. Never the only way home.",
    ),
    Row(
        id="C25",
        title="Cranking dip",
        rule=crank_dip,
        needs=("voltage_start_v",),
        unit="V",
        source="a workshop manual's load-test table by temperature",
        counts="starts",
        fitted=_no_start,
        next="A meter with min-hold on the start battery during a start.",
        care="Cold, and diesel engines, dip further. Below 20 readings a second only "
        '"at most" can be said.',
    ),
    Row(
        id="C26",
        title="Charger feeding itself round a closed isolator",
        rule=feeds_itself,
        needs=("voltage_start_v", "voltage_house_v", "current_{charger}_a"),
        limit=SELF_CURRENT,
        unit="A",
        kind=LimitKind.DERIVED,
        source="both batteries within 0.1 V with the engine off",
        counts="stops",
        sure=Sure.LIKELY,
        fitted=_no_dcdc,
        next="Remove the link; check the manual override.",
        care="An emergency parallel switch left on does this.",
    ),
)
