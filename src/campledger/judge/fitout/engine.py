"""C9-C13: the charger that the engine feeds, from its input to its output."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import runs
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.feeds import FeedPoints, feed_points
from campledger.judge.fitout.row import Result, Row, cannot_tell
from campledger.judge.fitout.wiring import expected_loop

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Drive, Evidence

RATED_SHARE = 0.90
HUNGRY = 0.20
NOT_HELD = 0.10
FEED_OVER = 0.50
DROP_UNDESCRIBED = 1.0
BACK_OFF = 0.15
WARMER = 8.0
START_MINUTES, START_SOC = 10, 0.90
RUN_ON_MINUTES, RUN_ON_VOLTAGE = 10, 12.9
AT_TARGET = 0.12
FLAT = 0.02
AT_FLOAT = 0.08
HELD_LOW = 0.6
SETTLED = 3
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _no_charger(evidence: Evidence) -> str:
    if evidence.source_of("dcdc") is None:
        return "no engine charger (dcdc) in the rig file"
    return ""


def charger_rating(evidence: Evidence) -> float:
    """Give the charger's rated output, NaN if it is not described. [A]"""
    source = evidence.source_of("dcdc")
    rated = source.current_rated if source else None
    return float(rated) if rated else float("nan")


def _out(evidence: Evidence) -> Array:
    return evidence.minute(f"current_{evidence.names['charger']}_a")


def hungry_minutes(evidence: Evidence) -> Array:
    """Mark minutes of driving, settled, with the battery well below its target."""
    mask = np.zeros(len(evidence.minute_utc), dtype=bool)
    for drive in evidence.drives:
        mask[drive.first + SETTLED : drive.last - 1] = True
    with np.errstate(invalid="ignore"):
        return mask & (evidence.voltage < evidence.absorb_least - HUNGRY)


def charger_starved(evidence: Evidence) -> Result:
    """C9: less than its rating because its input is low."""
    rated = charger_rating(evidence)
    name = evidence.names["charger"]
    if not np.isfinite(rated):
        return cannot_tell(
            f"The rig file gives no rated_a for {name}.", f"[source.{name}] rated_a"
        )
    points = feed_points(evidence)
    use = points.current > 0.25 * rated
    if np.sum(use) < 10:
        return cannot_tell(
            "Less than ten minutes of real charging on the drive.",
            "a drive with a hungry battery",
            count=int(np.sum(use)),
        )
    each = (points.drop[use] - points.zero) / points.current[use]
    loop = float(np.median(each))
    spread = float(np.percentile(np.abs(each - loop), 68)) / np.sqrt(len(each))
    return _starved(evidence, points, loop, max(spread, 0.02 * loop), rated)


def _starved(
    evidence: Evidence, points: FeedPoints, loop: float, spread: float, rated: float
) -> Result:
    name = evidence.names["charger"]
    out = _out(evidence)
    at_input = evidence.minute(f"voltage_{name}_in_v")
    with np.errstate(invalid="ignore"):
        short = hungry_minutes(evidence) & (out > 1.0) & (out < RATED_SHARE * rated)
    minutes = int(np.sum(short))
    cable = evidence.rig.cable_to(name)
    wanted = expected_loop(cable)
    source = evidence.rig.source(name)
    floor = source.voltage_input_min if source else 12.0
    low = minutes >= 5 and float(np.median(at_input[short])) < floor
    lost = loop * float(np.percentile(points.current, 90))
    if np.isfinite(wanted):
        over = loop - 1.645 * spread > (1 + FEED_OVER) * wanted
    else:
        over = lost > DROP_UNDESCRIBED
    starved = minutes >= 5
    verdict = Verdict.PASS
    if over or low:
        verdict = Verdict.FAULT if starved else Verdict.WORTH_A_LOOK
    beside = (
        f"expected about {1000 * wanted:.0f}"
        if np.isfinite(wanted)
        else "no cable described to compare with"
    )
    feed = f"{1000 * loop:.0f} milliohm of feed ({beside})"
    if verdict == Verdict.PASS:
        text = f"The feed to {name} is sound: {feed}."
    elif starved:
        drawn = points.current[np.isin(points.minute, np.flatnonzero(short))]
        text = (
            f"{name} gives {np.median(out[short]):.1f} of {rated:g} A, starved at its "
            f"input: {np.median(at_input[short]):.2f} V there with "
            f"{np.median(evidence.minute('voltage_start_v')[short]):.1f} V at the "
            f"start battery while drawing about "
            f"{np.median(drawn) if len(drawn) else float('nan'):.0f} A; {feed}."
        )
    else:
        text = f"{name} still gives its rating, but it has {feed}."
    limit = (1 + FEED_OVER) * wanted
    return Result(
        verdict=verdict,
        reads=text,
        value=1000 * loop,
        lo=1000 * (loop - 1.645 * spread),
        hi=1000 * (loop + 1.645 * spread),
        limit=1000 * limit if np.isfinite(limit) else None,
        count=len(points.current),
        place=name,
        picture=_feed_picture(points, loop) if verdict != Verdict.PASS else None,
    )


def _feed_picture(points: FeedPoints, loop: float) -> Picture:
    top = float(np.max(points.current))
    return Picture(
        kind="slope",
        title="Loss to the charger against what it draws",
        x=tuple(points.current.tolist()),
        y=tuple(points.drop.tolist()),
        x_label="Input current, A",
        y_label="Start battery volts minus charger input volts, V",
        line_x=(0.0, top),
        line_y=(points.zero, points.zero + loop * top),
        line_label=f"{1000 * loop:.0f} milliohm",
    )


def held_low(evidence: Evidence, level: Array) -> Array:
    """Mark minutes held flat above a level: a low setting, no weak charger."""
    mask = np.zeros(len(evidence.minute_utc), dtype=bool)
    for p in evidence.plateaus:
        if p.volts <= level[p.first]:
            continue
        volts = evidence.voltage[p.first : p.last]
        good = np.isfinite(volts)
        index = np.arange(len(volts))[good]
        line = np.polynomial.Polynomial.fit(index, volts[good], 1)
        rest = volts[good] - line(index)
        if float(np.ptp(np.percentile(rest, [5, 95]))) < FLAT:
            mask[p.first : p.last] = True
    return mask


def _backs_off(
    evidence: Evidence, drive: Drive, held: Array
) -> tuple[float, float, float] | None:
    """Give (from A, to A, kelvin) if a drive shows a hot charger; (0, 0, 0) if not."""
    name = evidence.names["charger"]
    part = slice(drive.first + SETTLED, drive.last - 1)
    out, heat = _out(evidence)[part], evidence.minute(f"temp_{name}_c")[part]
    at_input = evidence.minute(f"voltage_{name}_in_v")[part]
    with np.errstate(invalid="ignore"):
        below = evidence.voltage[part] < evidence.absorb_least[part] - AT_TARGET
    below &= ~held[part]
    good = below & np.isfinite(out) & np.isfinite(heat) & (out > 1.0)
    usual = at_input[(good | ~below) & np.isfinite(at_input)]
    if usual.size:
        with np.errstate(invalid="ignore"):
            good &= at_input > np.percentile(usual, 75) - 0.5
    if np.sum(good) < 15:
        return None
    out, heat = out[good], heat[good]
    cool = heat <= np.percentile(heat, 25)
    hot = heat >= np.percentile(heat, 85)
    first, last = float(np.percentile(out[cool], 95)), float(np.median(out[hot]))
    rise = float(np.median(heat[hot]) - np.median(heat[cool]))
    if last < (1 - BACK_OFF) * first and rise > WARMER:
        return first, last, rise
    return 0.0, 0.0, 0.0


def charger_hot(evidence: Evidence) -> Result:
    """C10: output falls as the charger warms, its input being fine."""
    name = evidence.names["charger"]
    held = held_low(evidence, evidence.absorb_least - HELD_LOW)
    judged = [(d, _backs_off(evidence, d, held)) for d in evidence.drives]
    seen = [(d, x) for d, x in judged if x is not None]
    if not seen:
        return cannot_tell(
            "No drive with a quarter of an hour of charging below the target volts.",
            "a drive with a hungry battery",
        )
    bad = [(d, x) for d, x in seen if x[2] > 0]
    if not bad:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{name} holds its output as it warms, over {len(seen)} drives.",
            count=len(seen),
            place=name,
        )
    drive, (first, last, _) = max(bad, key=lambda x: x[1][0] - x[1][1])
    heat = evidence.minute(f"temp_{name}_c")[drive.first : drive.last]
    top = float(np.nanmax(_out(evidence)[drive.first : drive.last]))
    top = top if top < 1.1 * first else first
    return Result(
        verdict=Verdict.FAULT if len(bad) >= 2 else Verdict.WORTH_A_LOOK,
        reads=(
            f"{top:.0f} A falls to {last:.0f} A over {drive.minutes} min as "
            f"{name} goes from {np.nanmin(heat):.0f} to {np.nanmax(heat):.0f} degC; "
            f"input volts are fine ({len(bad)} of {len(seen)} drives)."
        ),
        value=1.0 - last / first,
        count=len(seen),
        sure=Sure.MEASURED if len(bad) >= 2 else Sure.LIKELY,
        place=name,
        picture=Picture(
            kind="series",
            title="Output against charger temperature on that drive",
            x=tuple(heat.tolist()),
            y=tuple(_out(evidence)[drive.first : drive.last].tolist()),
            x_label="Charger temperature, degC",
            y_label="Charger output, A",
        ),
    )


def less_than_rating(evidence: Evidence) -> Result:
    """C11: a current that tapers because the battery is nearly full is normal."""
    rated = charger_rating(evidence)
    name = evidence.names["charger"]
    if not np.isfinite(rated):
        return cannot_tell(
            f"The rig file gives no rated_a for {name}.", f"[source.{name}] rated_a"
        )
    out = _out(evidence)
    floating = evidence.rig.house.voltage_float + evidence.shift[0] - AT_TARGET
    driving = np.zeros(len(out), dtype=bool)
    for drive in evidence.drives:
        driving[drive.first + SETTLED : drive.last - 1] = True
    with np.errstate(invalid="ignore"):
        below = driving & (out < RATED_SHARE * rated) & (out > 0.3)
        target = evidence.voltage >= evidence.absorb_least - AT_TARGET
        unexplained = (
            below
            & ~target
            & ~held_low(evidence, floating)
            & hungry_minutes(evidence)
            & (np.abs(evidence.voltage - floating - AT_TARGET) > AT_FLOAT)
            & (out < 0.75 * rated)
        )
    count = int(np.sum(driving & np.isfinite(out)))
    if count < 10:
        return cannot_tell("Less than ten minutes of driving.", "a drive", count=count)
    missing = int(np.sum(unexplained))
    taper = int(np.sum(below & target))
    if missing >= 20:
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=(
                f"{name} gave {np.median(out[unexplained]):.0f} of {rated:g} A for "
                f"{missing} min with the battery still hungry."
            ),
            value=missing,
            count=count,
            place=name,
        )
    text = f"{name} gave its rating while the battery could take it."
    if taper:
        text = (
            f"Below {rated:g} A for {taper} min because the battery was nearly full. "
            "Normal."
        )
    return Result(
        verdict=Verdict.PASS, reads=text, value=missing, count=count, place=name
    )


def never_starts(evidence: Evidence) -> Result:
    """C12: the engine runs and the charger gives nothing."""
    name = evidence.names["charger"]
    if evidence.engine is None:
        return cannot_tell("Engine on cannot be told.", "state_engine")
    drives = [d for d in evidence.drives if d.minutes > START_MINUTES]
    if not drives:
        return cannot_tell("No drive of more than ten minutes.", "a drive")
    out = _out(evidence)
    worst, when = 0, 0
    floating = evidence.rig.house.voltage_float + evidence.shift[0]
    for drive in drives:
        with np.errstate(invalid="ignore"):
            dead = (out < 0.5) & (evidence.soc < START_SOC)
            dead &= evidence.voltage < floating - NOT_HELD
        for a, b in runs(dead[drive.first : drive.last]):
            if b - a > worst:
                worst, when = b - a, drive.first + a
    if worst <= START_MINUTES:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{name} started on each of {len(drives)} drives.",
            value=worst,
            count=len(drives),
            place=name,
        )
    left = evidence.soc[when] * evidence.capacity
    return Result(
        verdict=Verdict.FAULT,
        reads=(
            f"From {evidence.clock(evidence.minute_utc[when])} the engine ran "
            f"{worst} min, {name} gave nothing, battery at {left:.0f} Ah."
        ),
        value=worst,
        count=len(drives),
        sure=Sure.LIKELY,
        place=name,
    )


def runs_on(evidence: Evidence) -> Result:
    """C13: the charger runs with the engine off and empties the start battery."""
    name = evidence.names["charger"]
    out = _out(evidence)
    start = evidence.minute("voltage_start_v")
    with np.errstate(invalid="ignore"):
        busy = out > 1.0
        if evidence.engine is not None:
            off = ~evidence.engine[0]
            sure = evidence.engine[1]
        else:
            off = start < RUN_ON_VOLTAGE
            sure = Sure.LIKELY
    spans = runs(busy & off)
    long = max(spans, key=lambda r: r[1] - r[0], default=(0, 0))
    minutes = long[1] - long[0]
    if minutes > RUN_ON_MINUTES:
        return Result(
            verdict=Verdict.FAULT,
            reads=(
                f"{name} kept running {minutes} min after stopping "
                f"({evidence.clock(evidence.minute_utc[long[0]])}): it is emptying "
                "the start battery."
            ),
            value=minutes,
            count=max(1, len(evidence.drives)),
            sure=sure,
            place=name,
        )
    if evidence.engine is None:
        return cannot_tell("Engine off cannot be told.", "state_engine")
    return Result(
        verdict=Verdict.PASS,
        reads=f"{name} stopped within {minutes} min of the engine each time.",
        value=minutes,
        count=len(evidence.drives),
        place=name,
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C9",
        title="Charger starved at its input",
        rule=charger_starved,
        needs=(
            "voltage_{charger}_in_v",
            "voltage_start_v",
            "current_{charger}_a",
            "voltage_house_v",
        ),
        unit="milliohm",
        kind=LimitKind.DERIVED,
        source="50 % above the loop of the described cable; without one, 1 V",
        minimum=10,
        counts="minutes of charging",
        fitted=_no_charger,
        next="Drop + to + and - to - from start battery to charger input at full "
        "charge; the two must add to the loss given here.",
        care="Input current is more than output current. A variable alternator looks "
        "alike: check the start battery's volts.",
    ),
    Row(
        id="C10",
        title="Charger backs off when hot",
        rule=charger_hot,
        needs=("temp_{charger}_c", "current_{charger}_a", "voltage_house_v"),
        limit=BACK_OFF,
        unit="share",
        counts="drives",
        sure=Sure.LIKELY,
        fitted=_no_charger,
        trusts=("voltage_{charger}_in_v",),
        next="Repeat with the cover off or in cool air: if the output still falls, "
        "the tool is wrong.",
        care="Taper looks similar: the battery's volts were checked against the "
        "target. The onset is the maker's.",
    ),
    Row(
        id="C11",
        title="Less than rating, and nothing wrong",
        rule=less_than_rating,
        needs=("current_{charger}_a", "voltage_house_v"),
        limit=20.0,
        unit="min",
        kind=LimitKind.DERIVED,
        source="battery volts within 0.1 V of the target",
        minimum=10,
        counts="minutes of driving",
        fitted=_no_charger,
        next="Nothing to measure; to prove it, switch on a 10 A load and watch the "
        "output rise.",
        care="The most common false alarm. A low-current setting or sun sharing the "
        "charger also holds the output down.",
    ),
    Row(
        id="C12",
        title="Engine on, charger never starts",
        rule=never_starts,
        needs=("current_{charger}_a",),
        limit=START_MINUTES,
        unit="min",
        counts="drives",
        sure=Sure.LIKELY,
        fitted=_no_charger,
        trusts=("current_house_a",),
        next="Meter on the trigger wire, then input volts under load, then the fuse.",
        care="Volts above 13.2 at the start battery may be sun, not engine; chargers "
        "start softly.",
    ),
    Row(
        id="C13",
        title="Charger runs with the engine off",
        rule=runs_on,
        needs=("current_{charger}_a",),
        limit=RUN_ON_MINUTES,
        unit="min",
        counts="stops",
        fitted=_no_charger,
        trusts=("voltage_start_v",),
        next="Meter on the trigger wire with the ignition off: no volts there prove "
        "the tool wrong.",
        care="Some stay on by design for minutes.",
    ),
)
