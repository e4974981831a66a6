"""C27-C29, C32-C34: what runs too long, when nobody is up, or in no circuit."""

from __future__ import annotations

import numpy as np

from campledger.estimate.steps import runs
from campledger.judge.finding import LimitKind, Sure, Verdict
from campledger.judge.fitout.evidence import DAY, HOUR, Array, Evidence, known_mean
from campledger.judge.fitout.row import Result, Row, cannot_tell

IDLE_HOURS = 2.0
IDLE_BAND = (0.2, 1.2)
STANDING = 0.15
STANDING_HOURS = (2.0, 5.0)
FLOOR_VOLTAGE = 10e-6
LOGGER_SHARE = 0.05
BURSTS, NIGHT_FROM, NIGHT_TO = 3, 23.0, 5.0
PUMP_INTERVAL = 5.0
PLAN_TIMES, PLAN_CHARGE = 1.5, 2.0
REST_SHARE, REST_CHARGE = 0.05, 2.0
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _no_inverter(evidence: Evidence) -> str:
    return "" if evidence.names["inverter"] else "no inverter in the rig file"


def _no_pump(evidence: Evidence) -> str:
    return "" if evidence.names["pump"] else "no pump in the rig file"


def inverter_idle(evidence: Evidence) -> Result:
    """C27: hours a day in the idle band."""
    name = evidence.names["inverter"]
    load = evidence.rig.load(name)
    idle = load.current_idle if load else None
    low, high = (0.5 * idle, 1.6 * idle) if idle else IDLE_BAND
    amps = evidence.minute(f"current_{name}_a")
    known = np.isfinite(amps)
    with np.errstate(invalid="ignore"):
        idling = known & (amps >= low) & (amps <= high)
        working = known & (amps > high)
    days = max(float(np.sum(known)) / 1440.0, 1e-6)
    hours = float(np.sum(idling)) / 60.0 / days
    if days < 0.5:
        return cannot_tell("Less than half a day of the inverter.", "a longer record")
    charge = float(np.sum(amps[idling])) / 60.0 / days
    work = float(np.sum(amps[working])) / 60.0 / days
    bad = hours > IDLE_HOURS
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=(
            f"The inverter idled {hours:.1f} h a day: {charge:.1f} Ah a day beside "
            f"{work:.1f} that did work."
        ),
        value=hours,
        count=int(np.ceil(days)),
        place=name,
        limit_source="idle_a of the rig file" if idle else "idle band assumed",
    )


def _floor_amps(evidence: Evidence) -> float:
    """Zero error of the house shunt as built, A."""
    for sensor in evidence.rig.sensors:
        if sensor.shunt and ("current", "current_house_a") in sensor.channels:
            return FLOOR_VOLTAGE / sensor.shunt
    return 0.02


def standing_draw(evidence: Evidence) -> Result:
    """C28: what is left at night when everything is off."""
    lo, hi = STANDING_HOURS
    night = (evidence.hour > lo) & (evidence.hour <= hi)
    out = -evidence.current
    charge = evidence.charge
    if charge is not None:
        night &= np.nan_to_num(charge) < 0.1
    else:
        night &= np.nan_to_num(out) > -0.05
    known = night & np.isfinite(out)
    if int(np.sum(known)) < 60:
        return cannot_tell("No night hour without charge.", "a night parked")
    level = float(np.percentile(out[known], 5))
    rest = float(np.percentile((out - evidence.loads_measured)[known], 20))
    named, logger = _explained(evidence, known)
    floor = _floor_amps(evidence)
    unknown = min(level - named, max(rest - _declared(evidence), 0.0))
    if unknown > STANDING and unknown > 2 * floor:
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=(
                f"{level:.2f} A with everything off: {logger:.2f} logger, "
                f"{unknown:.2f} unknown = {24 * unknown:.1f} Ah a day."
            ),
            value=unknown,
            count=int(np.sum(known)),
        )
    if floor > STANDING:
        return cannot_tell(
            f"The shunt's own zero error is {floor:.2f} A; less can't be seen.",
            "a shunt with more millivolts",
        )
    return Result(
        verdict=Verdict.PASS,
        reads=(
            f"{level:.2f} A with everything off, {max(unknown, 0.0):.2f} of it "
            f"unexplained (the shunt sees {floor:.2f} A and more)."
        ),
        value=unknown,
        count=int(np.sum(known)),
    )


def _declared(evidence: Evidence) -> float:
    """Standing draw that the rig file names and no meter shows, A."""
    total = 0.0
    for load in evidence.rig.loads:
        if load.kind in ("standby", "logger") and not evidence.has(
            f"current_{load.name}_a"
        ):
            total += load.current_on or 0.0
    return total


def _explained(evidence: Evidence, known: Array) -> tuple[float, float]:
    """Give named standing amps (logger included) and the logger's."""
    logger = 0.0
    total = 0.0
    for load in evidence.rig.loads:
        if load.kind not in ("standby", "logger"):
            continue
        channel = f"current_{load.name}_a"
        amps = load.current_on or 0.0
        if evidence.has(channel):
            amps = float(np.nanmedian(evidence.minute(channel)[known]))
        total += amps
        if load.kind == "logger":
            logger += amps
    return total, logger


def logger_draw(evidence: Evidence) -> Result:
    """C29: the logger's own share of what a day may use."""
    name = evidence.names["logger"]
    load = evidence.rig.load(name) if name else None
    channel = f"current_{name}_a"
    if name and evidence.has(channel):
        amps, sure = known_mean(evidence.minute(channel)), Sure.MEASURED
    elif load is not None and load.current_on is not None:
        amps, sure = load.current_on, Sure.HINT
    else:
        return cannot_tell("The logger's own draw is not known.", "current_logger_a")
    if not np.isfinite(amps):
        return cannot_tell("The logger's channel has no readings.", channel)
    a_day = 24.0 * amps
    usable = evidence.capacity * (1.0 - evidence.rig.house.floor)
    share = a_day / usable if usable > 0 else float("inf")
    return Result(
        verdict=Verdict.WORTH_A_LOOK if share > LOGGER_SHARE else Verdict.PASS,
        reads=(
            f"This logger used {a_day:.1f} Ah a day, {share:.0%} of the {usable:.0f} "
            "Ah above the floor" + (" (assumed)." if sure == Sure.HINT else ".")
        ),
        value=share,
        count=max(1, int(evidence.days)),
        sure=sure,
        place=name,
    )


def pump_night(evidence: Evidence) -> Result:
    """C32: the pump runs when nobody is up."""
    name = evidence.names["pump"]
    series = evidence.series(f"current_{name}_a")
    if series.interval > PUMP_INTERVAL:
        return cannot_tell(
            f"A reading every {series.interval:.0f} s misses a pump.",
            "readings every 5 s or less",
        )
    top = float(np.nanpercentile(series.value, 99.9))
    level = max(1.0, 0.5 * top)
    starts = series.time_utc[[a for a, _ in runs(np.nan_to_num(series.value) > level)]]
    local = starts + evidence.record.utc_offset
    hour = (local % DAY) / HOUR
    at_night = (hour >= NIGHT_FROM) | (hour < NIGHT_TO)
    night = np.floor((local[at_night] - 12 * HOUR) / DAY)
    most = 0
    if len(night):
        most = int(np.max(np.unique(night, return_counts=True)[1]))
    nights = int(np.sum((evidence.hour > 2.0) & (evidence.hour <= 2.0 + 1 / 60)))
    bad = most >= BURSTS
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=f"The pump ran {most} times overnight"
        + (": drip or pressure switch." if bad else " at most."),
        value=most,
        count=max(1, nights),
        place=name,
    )


def _planned_hours(evidence: Evidence) -> list[tuple[str, float]]:
    plan = evidence.plan
    if plan is None:
        return []
    return [(x.name, x.hours) for x in plan.loads if x.hours is not None]


def beyond_plan(evidence: Evidence) -> Result:
    """C33: a load ran far longer than planned."""
    planned = _planned_hours(evidence)
    metered = [(n, h) for n, h in planned if evidence.has(f"current_{n}_a")]
    if not metered:
        why = "No plan was given." if evidence.plan is None else "No planned load "
        return cannot_tell(
            why if evidence.plan is None else why + "has a meter and planned hours.",
            "a frozen plan with hours"
            if evidence.plan is None
            else "a current channel for a planned load",
        )
    found = []
    for name, hours in metered:
        amps = evidence.minute(f"current_{name}_a")
        known = np.isfinite(amps)
        days = max(float(np.sum(known)) / 1440.0, 0.5)
        top = float(np.nanpercentile(amps, 99.5)) if known.any() else 0.0
        load = evidence.rig.load(name)
        level = 0.5 * (load.current_on if load and load.current_on else max(top, 0.2))
        ran = float(np.sum(amps[known] > level)) / 60.0 / days
        charge = float(np.sum(amps[known])) / 60.0 / days
        if ran > PLAN_TIMES * hours and charge > PLAN_CHARGE:
            found.append((ran / max(hours, 0.1), name, hours, ran, charge))
    if not found:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{len(metered)} planned loads, none far beyond its hours.",
            count=len(metered),
        )
    times, name, hours, ran, charge = max(found)
    return Result(
        verdict=Verdict.WORTH_A_LOOK,
        reads=(
            f"{name}: planned {hours:.1f} h a day, ran {ran:.1f} h ({charge:.1f} Ah a "
            "day)."
        ),
        value=times,
        count=len(metered),
        place=name,
    )


def no_circuit(evidence: Evidence) -> Result:
    """C34: what leaves the battery in no measured circuit."""
    charge = evidence.charge
    if charge is None:
        return cannot_tell("Not all sources are measured.", "current_charge_a")
    missing = evidence.loads_unmetered
    if missing:
        return cannot_tell(
            f"{len(missing)} loads of the rig file have no meter.",
            *(f"current_{n}_a" for n in missing),
        )
    rest = charge - evidence.current - evidence.loads_measured - _declared(evidence)
    known = np.isfinite(rest)
    days = float(np.sum(known)) / 1440.0
    if days < 0.5:
        return cannot_tell("Less than half a day is covered.", "a longer record")
    out = float(np.sum(np.clip(evidence.loads_measured[known], 0, None))) / 60 / days
    left = float(np.sum(rest[known])) / 60.0 / days
    limit = max(REST_SHARE * out, REST_CHARGE)
    bad = left > limit
    text = f"{left:.1f} Ah a day is in no measured circuit"
    if bad:
        by_hour = [
            float(np.mean(rest[known & (np.floor(evidence.hour) % 24 == h)]))
            if (known & (np.floor(evidence.hour) % 24 == h)).any()
            else 0.0
            for h in range(24)
        ]
        peak = int(np.argmax(by_hour))
        text += f", mostly near {peak:02d}:00 ({by_hour[peak]:.1f} A)"
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=text + ".",
        value=left,
        limit=limit,
        count=int(np.ceil(days)),
    )


ROWS: tuple[Row, ...] = (
    Row(
        id="C27",
        title="Inverter left on",
        rule=inverter_idle,
        needs=("current_{inverter}_a",),
        limit=IDLE_HOURS,
        unit="h a day",
        kind=LimitKind.DERIVED,
        source="idle_a of the rig file",
        counts="days",
        fitted=_no_inverter,
        next="Clamp on its input, on with nothing plugged in. Mains volts kill: "
        "measure the 12 V side only.",
        care="A standby mode pulses: means are used, not instants.",
    ),
    Row(
        id="C28",
        title="Standing draw at night",
        rule=standing_draw,
        needs=("current_house_a",),
        limit=STANDING,
        unit="A",
        minimum=60,
        counts="minutes at night",
        next="Pull fuses one by one with a clamp on the battery's negative; if the "
        "clamp says less, the shunt's zero is wrong.",
        care="A 10 uV zero error is 20 mA on 0.5 milliohm, 100 mA on 0.1.",
    ),
    Row(
        id="C29",
        title="The logger's own draw",
        rule=logger_draw,
        needs=(),
        limit=LOGGER_SHARE,
        unit="share of a day's usable charge",
        counts="days",
        next="Clamp on the logger's supply lead.",
        care='Never hidden inside "other".',
    ),
    Row(
        id="C32",
        title="Pump runs when nobody is up",
        rule=pump_night,
        needs=("current_{pump}_a",),
        limit=BURSTS,
        unit="runs in a night",
        counts="nights",
        sure=Sure.HINT,
        fitted=_no_pump,
        next="Shut the tap valve and watch; no more runs prove a drip.",
        care="Needs a reading every 5 s or less.",
    ),
    Row(
        id="C33",
        title="On far longer than planned",
        rule=beyond_plan,
        needs=(),
        limit=PLAN_TIMES,
        unit="times the plan",
        counts="planned loads",
        next="Nothing to measure: ask who left it on.",
        care="A matter of planning, not a fault of the job.",
    ),
    Row(
        id="C34",
        title="Use that is in no circuit",
        rule=no_circuit,
        needs=("current_house_a",),
        limit=REST_CHARGE,
        unit="Ah a day",
        counts="days",
        next="Clamp each unmetered wire at that hour.",
        care="Judged only after the sensors passed; the cause is a hint.",
    ),
)
