"""
What each source delivered: sun, engine charger, isolator, mains.

A source with a meter of its own is measured. Where only the sum of all sources is
measured, minutes that only one source can explain go to that source, and the rest stays
together under ``net``; where no source is measured at all, ``net`` is the least that
was given: what flowed into the battery and into metered loads meanwhile (kind ``net``).
Charging loss belongs to the battery estimate and is not repeated here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sun import estimate_sun, sun_elevation
from campledger.estimate.sun_camps import engine_minutes
from campledger.estimate.sun_flow import Flow, metered_flow, minute_mean
from campledger.model.estimates import Estimate, SourceUse
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryEstimate
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig, Source
    from campledger.model.series import BoolArray, FloatArray, TripRecord

HOUR = 3600.0
CURRENT_ON = 0.3
"""A source counts as delivering above this. Common practice, no source. [A]"""
TAPER_SHARE = 0.8
"""Below this share of its usual current a charger has tapered. Common practice."""
SET_POINT_NEAR = 0.06
"""Volts within this of a set point are at it. Common practice, no source. [V]"""
TYPICAL_SHARE = 0.9
"""The current that a charger reaches in a tenth of its time. Common practice."""

OFF, DELIVERING, HELD, SHADED, CLOUDED, DARK = range(6)


def estimate_sources(
    record: TripRecord,
    rig: Rig,
    battery: BatteryEstimate | None = None,
    *,
    plan: Plan | None = None,
) -> tuple[SourceUse, ...]:
    """
    Tell what each source delivered, and what the sun could have given.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        The vehicle.
    battery : BatteryEstimate, optional
        Gives the battery current with its offset taken out.
    plan : Plan, optional
        Its days may carry positions for the sun.

    Returns
    -------
    sources : tuple of SourceUse
        One for each metered source; sources that were not measured apart come as
        ``net`` (kind ``charge``: gross sum of them; kind ``net``: the least, without
        what loads that have no meter took while it charged).

    References
    ----------
    .. [1] Common practice, no source.
    """
    engine = engine_minutes(record, rig)
    uses: list[SourceUse] = []
    unmetered: list[Source] = []
    for source in rig.sources:
        flow = metered_flow(record, source.name)
        if flow is None:
            unmetered.append(source)
        elif source.kind == "solar":
            uses.append(_sun_use(record, rig, source, flow, battery, plan))
        else:
            uses.append(_charger_use(record, rig, source, flow, engine))
    if unmetered or not rig.sources:
        uses.extend(_not_apart(record, rig, tuple(unmetered), uses, battery, engine))
    return tuple(uses)


def _sun_use(
    record: TripRecord,
    rig: Rig,
    source: Source,
    flow: Flow,
    battery: BatteryEstimate | None,
    plan: Plan | None,
) -> SourceUse:
    sun = estimate_sun(record, rig, source, battery, plan=plan)
    return SourceUse(
        name=source.name,
        kind=source.kind,
        word=Word.MEASURED,
        power=flow.power,
        charge=flow.charge,
        possible=sun.possible,
        possible_lo=sun.possible_lo,
        possible_hi=sun.possible_hi,
        state=sun.state,
        energy_possible=sun.energy_possible,
        possible_is_lower_bound=sun.is_lower_bound,
        notes=(*_stuck_note(flow), *sun.notes),
    )


def _charger_use(
    record: TripRecord, rig: Rig, source: Source, flow: Flow, engine: FloatArray
) -> SourceUse:
    state = charger_state(record, source, flow)
    notes = _stuck_note(flow)
    running = np.isfinite(engine) & (engine > 0.5)
    if source.kind != "mains" and running.any():
        idle = float(np.mean(flow.current[running] < CURRENT_ON))
        if idle > 0.5:
            notes.append(
                f"the engine ran but {source.name} gave nothing in {idle:.0%} of it"
            )
    held = float(np.sum(state == HELD)) / 60.0
    if held > 0.1:
        notes.append(f"current fell at the set point for {held:.1f} h: battery full")
    return _use(record, source.name, source.kind, Word.MEASURED, flow, state, notes)


def _stuck_note(flow: Flow) -> list[str]:
    if flow.stuck <= 0:
        return []
    return [
        f"its reading stood still for {flow.stuck / 3600:.1f} h: taken as not recorded"
    ]


def charger_state(record: TripRecord, source: Source, flow: Flow) -> FloatArray:
    """
    Tell taper from weakness, minute by minute.

    A charger that gives less than usual is held back by a full battery only while the
    battery's volts stand at its set point; below that it is weak, which is not taper.

    Parameters
    ----------
    record : TripRecord
        The trip.
    source : Source
        The charger; its set points.
    flow : Flow
        What its meter saw.

    Returns
    -------
    state : (m,) float64
        Codes of ``SOURCE_STATES``. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    volts = minute_mean(record, "voltage_house_v")
    current = flow.current
    on = current > CURRENT_ON
    state = np.where(on, float(DELIVERING), float(OFF))
    if on.any():
        usual = float(np.quantile(current[on], TYPICAL_SHARE))
        if source.current_rated is not None:
            usual = min(usual, source.current_rated)
        low = on & (current < TAPER_SHARE * usual)
        at = volts >= source.voltage_absorption - SET_POINT_NEAR
        at |= np.abs(volts - source.voltage_float) <= SET_POINT_NEAR
        state[low & at] = HELD
    state[~np.isfinite(current)] = DARK
    return state


def _use(
    record: TripRecord,
    name: str,
    kind: str,
    word: Word,
    flow: Flow,
    state: FloatArray,
    notes: list[str],
) -> SourceUse:
    nothing = np.full(len(record.minute_utc), np.nan)
    return SourceUse(
        name=name,
        kind=kind,
        word=word,
        power=flow.power,
        charge=flow.charge,
        possible=nothing,
        possible_lo=nothing,
        possible_hi=nothing,
        state=state,
        energy_possible=Estimate.missing(
            "what a charger could have given is not worked out"
        ),
        notes=tuple(notes),
    )


def _not_apart(
    record: TripRecord,
    rig: Rig,
    sources: tuple[Source, ...],
    measured: list[SourceUse],
    battery: BatteryEstimate | None,
    engine: FloatArray,
) -> list[SourceUse]:
    """Sources without a meter: from the sum of all, else the least they gave."""
    total = metered_flow(record, "charge")
    if total is not None:
        rest = _minus(total, measured)
        return _split(record, rig, sources, rest, engine)
    flow = _net_flow(record, rig, battery)
    if flow is None:
        return []
    names = ", ".join(s.name for s in sources) or "no source described"
    state = np.where(flow.current > CURRENT_ON, float(DELIVERING), float(OFF))
    state[~np.isfinite(flow.current)] = DARK
    note = (
        f"at least: {names} without a meter; what reached the battery and the metered "
        "loads is counted, what other loads took while it charged cannot be told"
    )
    if measured:
        flow = _beyond(flow, measured)
    notes = [note, *_hints(record, rig, flow, engine)]
    return [_use(record, "net", "net", Word.WORKED_OUT, flow, state, notes)]


def _minus(total: Flow, measured: list[SourceUse]) -> Flow:
    power, charge = total.power.copy(), total.charge.copy()
    for use in measured:
        power = power - np.nan_to_num(use.power)
        charge = charge - np.nan_to_num(use.charge)
    with np.errstate(invalid="ignore", divide="ignore"):
        current = np.where(total.covered > 0, charge * HOUR / total.covered, np.nan)
    return Flow(power=power, current=current, charge=charge, covered=total.covered)


def _beyond(flow: Flow, measured: list[SourceUse]) -> Flow:
    """Leave only what entered the battery beyond the metered sources."""
    known = np.sum([np.nan_to_num(use.charge) for use in measured], axis=0)
    charge = np.maximum(flow.charge - known, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(flow.charge > 0, charge / flow.charge, 0.0)
    return Flow(
        power=flow.power * share,
        current=flow.current * share,
        charge=charge,
        covered=flow.covered,
    )


def _metered_loads(record: TripRecord, rig: Rig, volts: FloatArray) -> FloatArray:
    """Current of all loads with a meter of their own, silence as nothing. [A]"""
    total = np.zeros(len(record.minute_utc))
    for load in rig.loads:
        if f"current_{load.name}_a" in record.channels:
            own = minute_mean(record, f"current_{load.name}_a")
        else:
            own = minute_mean(record, f"power_{load.name}_w") / volts
        total += np.maximum(np.nan_to_num(own), 0.0)
    return total


def _net_flow(
    record: TripRecord, rig: Rig, battery: BatteryEstimate | None
) -> Flow | None:
    """The least that was given: into the battery, and to metered loads meanwhile."""
    if "current_house_a" not in record.channels:
        return None
    volts = minute_mean(record, "voltage_house_v")
    minutes = record.minutes["current_house_a"]
    current = minutes.mean if battery is None else battery.current_corrected
    given = current + _metered_loads(record, rig, volts)
    into = np.where(np.isfinite(current), np.maximum(given, 0.0), np.nan)
    return Flow(
        power=into * volts,
        current=into,
        charge=np.where(minutes.covered > 0, into * minutes.covered / HOUR, np.nan),
        covered=minutes.covered,
    )


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What can have charged in each minute, arrays (m,) of bool."""

    only_sun: BoolArray
    only_engine: BoolArray
    known: bool


def _evidence(
    record: TripRecord, rig: Rig, sources: tuple[Source, ...], engine: FloatArray
) -> Evidence:
    """Engine state and time of day, as far as they rule a source out."""
    kinds = {s.kind for s in sources}
    has_mains = "mains" in kinds
    seen = np.isfinite(engine)
    off = seen & (engine < 0.5)
    elevation = sun_elevation(record, rig)
    night = np.isfinite(elevation) & (elevation < -1.0)
    engine_possible = bool(kinds & {"dcdc", "isolator"})
    sun = np.full(len(engine), "solar" in kinds) & ~night
    drive = np.full(len(engine), engine_possible) & ~off
    return Evidence(
        only_sun=sun & ~drive & (not has_mains),
        only_engine=drive & ~sun & (not has_mains),
        known=bool(seen.any()) or not engine_possible,
    )


def _part(flow: Flow, where: BoolArray) -> Flow:
    keep = where & np.isfinite(flow.charge)
    return Flow(
        power=np.where(keep, flow.power, np.where(np.isfinite(flow.power), 0, np.nan)),
        current=np.where(keep, flow.current, 0.0 * flow.current),
        charge=np.where(keep, flow.charge, 0.0 * flow.charge),
        covered=flow.covered,
    )


def _split(
    record: TripRecord,
    rig: Rig,
    sources: tuple[Source, ...],
    rest: Flow,
    engine: FloatArray,
) -> list[SourceUse]:
    """Give each minute to the only source that can explain it; keep the rest whole."""
    evidence = _evidence(record, rig, sources, engine)
    parts: list[tuple[str, str, BoolArray, str]] = []
    for source in sources:
        sun = source.kind == "solar"
        rivals = [s for s in sources if (s.kind == "solar") == sun]
        if len(rivals) > 1 or source.kind == "mains":
            continue
        where = evidence.only_sun if sun else evidence.only_engine
        why = "the engine was off" if sun else "the engine ran and the sun was down"
        if len(sources) == 1:
            where, why = np.ones(len(engine), bool), "it is the only source"
        if where.any():
            parts.append((source.name, source.kind, where, why))
    taken = np.zeros(len(engine), bool)
    uses = []
    for name, kind, where, why in parts:
        flow = _part(rest, where)
        taken |= where
        state = np.where(flow.current > CURRENT_ON, float(DELIVERING), float(OFF))
        state[~np.isfinite(flow.current)] = DARK
        notes = [f"told from the sum of all sources where {why}"]
        uses.append(_use(record, name, kind, Word.WORKED_OUT, flow, state, notes))
    together = _part(rest, ~taken)
    if len(sources) != 1 and np.nansum(np.abs(together.charge)) > 0.05:
        state = np.where(together.current > CURRENT_ON, float(DELIVERING), float(OFF))
        state[~np.isfinite(together.current)] = DARK
        notes = ["measured together; more than one source may have given it"]
        uses.append(
            _use(record, "net", "charge", Word.MEASURED, together, state, notes)
        )
    return uses


def _hints(
    record: TripRecord, rig: Rig, flow: Flow, engine: FloatArray
) -> tuple[str, ...]:
    """Say how much of a net charge only the sun, or only a drive, can explain."""
    evidence = _evidence(record, rig, rig.sources, engine)
    if not evidence.known:
        return ("sun and drives are not told apart: nothing tells when the engine ran",)
    sun = float(np.nansum(flow.charge[evidence.only_sun]))
    drive = float(np.nansum(flow.charge[evidence.only_engine]))
    return (
        f"{sun:.1f} A.h came while only the sun can have given it, {drive:.1f} A.h "
        "while only the engine can have",
    )
