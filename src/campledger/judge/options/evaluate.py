"""Put it together: baseline, validation, every change, the grid and the verdict."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options.changes import (
    apply_change,
    baseline_setup,
    default_changes,
)
from campledger.judge.options.engine import HOURS
from campledger.judge.options.minutes import LIT
from campledger.judge.options.money import mass_of, price_of
from campledger.judge.options.outcome import (
    Draws,
    corrected,
    difference_of,
    draw,
    outcome_of,
    plant_of,
    replay,
)
from campledger.judge.options.replay import Days, prepare_days, run
from campledger.judge.options.typed_sun import with_typed_sun
from campledger.judge.options.types import (
    Change,
    Grid,
    OptionResult,
    Options,
    Outcome,
    Path,
    Verdict,
)
from campledger.judge.options.validate import validate
from campledger.judge.options.verdict import decide
from campledger.model.estimates import Estimate, TripEstimates
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.judge.options.changes import Setup
    from campledger.judge.options.engine import Walked
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

HOTTER = 5.0
NOT_APART = frozenset({"net", "charge"})
"""Kinds of source use that stand for several sources together."""
MOSTLY = 99.0
"""Percentile that stands for the most, dips and edges apart. Common practice."""
MARGIN = 1.1


def evaluate(
    record: TripRecord,
    rig: Rig,
    estimates: TripEstimates,
    *,
    changes: Sequence[Change] = (),
    faults: Mapping[str, str] | None = None,
    plan: Plan | None = None,
    rng: np.random.Generator,
) -> Options:
    """
    Replay a trip with each change and say what would have helped.

    Parameters
    ----------
    record, rig, estimates : TripRecord, Rig, TripEstimates
        The trip as measured.
    changes : sequence of Change
        Empty: a sensible set, cheapest first.
    faults : mapping, optional
        Faults of the fit-out that were found: id to text.
    plan : Plan, optional
        Gives the sun of a trip that recorded none.
    rng : numpy.random.Generator
        Source of chance for the intervals.

    Returns
    -------
    options : Options
        Everything that the command, the page and the report say.

    References
    ----------
    .. [1] Counterfactual replay of a calibrated model, as IPMVP option D (from memory).
    """
    days = with_typed_sun(prepare_days(record, rig, estimates), plan, record, rig)
    base_setup = baseline_setup(rig, estimates, days)
    middle = _middle(base_setup, days)
    validation = validate(
        days, middle.current[0], middle.soc[0], _held_out(base_setup, days)
    )
    stray = np.nan_to_num(days.soc - middle.soc[0])
    draws = draw(estimates, days, 0.5 * float(np.std(stray)), rng)
    base = replay(base_setup, days, draws)
    base_soc = corrected(base, base, base_setup, days, draws)
    baseline = _as_driven(
        outcome_of(
            base_setup,
            base,
            base_soc,
            days,
            rig,
            mass=0.0,
            margin=_margin(rig),
            price=None,
        ),
        estimates,
        rig,
    )
    asked = tuple(changes) or default_changes(rig, estimates, faults or {})
    against = (base, base_soc)
    if asked and asked[0].only_weather:
        against = _in_weather(asked[0], rig, estimates, days, draws, against)
    results = tuple(
        _judge(
            c,
            rig,
            estimates,
            days,
            draws,
            base,
            (base, base_soc) if c.only_weather else against,
        )
        for c in asked
    )
    verdict = decide(baseline, results, validation, rig, faults or {})
    return Options(
        baseline=baseline,
        validation=validation,
        options=results,
        verdict=verdict,
        path=_path(verdict, results, rig, estimates, days, base),
        grid=grid_of(rig, days, base_setup, base, draws),
        spare_sun=baseline.unused_solar.value,
        notes=_notes(record, rig, estimates),
    )


def _middle(setup: Setup, days: Days) -> Walked:
    """Replay a setup once, in the middle of everything."""
    return run(
        plant_of(setup, np.array([setup.capacity])),
        days,
        load=setup.load,
        sun=setup.sun_factor * days.sun,
        drive=setup.drive,
        soc_initial=np.array([days.soc_initial]),
        cooling=setup.cooling,
    )


def _held_out(setup: Setup, days: Days) -> FloatArray:
    """Replay each day with stages learned on the other days. (n,) [A]"""
    out = np.full(len(days.net), np.nan)
    for stages, hold in days.folds:
        walked = _middle(replace(setup, stages=stages), days)
        out[hold] = walked.current[0][hold]
    return out


def _path(
    verdict: Verdict,
    results: Sequence[OptionResult],
    rig: Rig,
    estimates: TripEstimates,
    days: Days,
    base: Walked,
) -> Path | None:
    """Follow the change that the verdict names, else the first that could be told."""
    told = [r.change for r in results if r.outcome is not None and not r.ranged]
    change = verdict.change or (told[0] if told else None)
    if change is None:
        return None
    setup = apply_change(change, rig, estimates, days)
    if setup.refused:
        return None
    paths = _middle(setup, days)
    miss = np.nan_to_num(days.soc - base.soc[0])
    return Path(
        time_utc=days.step_utc,
        driven=days.soc,
        changed=np.clip(paths.soc[0] + setup.carry * miss, 0.0, 1.0),
        change=change,
    )


def _as_driven(made: Outcome, estimates: TripEstimates, rig: Rig) -> Outcome:
    """Take the low point and hours of the trip as driven from the record itself."""
    battery = estimates.battery
    good = np.isfinite(battery.soc)
    if not good.any():
        return made
    at = int(np.nanargmin(battery.soc))
    below = float((battery.soc[good] < rig.house.floor).sum()) / 60.0
    sure = float((battery.soc_hi[good] < rig.house.floor).sum()) / 60.0
    most = float((battery.soc_lo[good] < rig.house.floor).sum()) / 60.0
    dark = ~np.isfinite(battery.current_corrected)
    off = float((estimates.censored & ~dark).sum()) / 60.0
    cooling = any(x.kind in COOLING for x in rig.loads)
    return replace(
        made,
        soc_min=Estimate(
            value=float(battery.soc[at]),
            lo=float(battery.soc_lo[at]),
            hi=float(battery.soc_hi[at]),
        ),
        hours_below_floor=Estimate(value=below, lo=sure, hi=most),
        hours_without_power=Estimate(value=off, lo=off, hi=off),
        fridge_hours_lost=Estimate(
            value=off if cooling else 0.0,
            lo=off if cooling else 0.0,
            hi=off if cooling else 0.0,
        ),
    )


def _margin(rig: Rig) -> float | None:
    if rig.mass_limit is None or rig.mass_weighed is None:
        return None
    return rig.mass_limit - rig.mass_weighed


def _in_weather(
    change: Change,
    rig: Rig,
    estimates: TripEstimates,
    days: Days,
    draws: Draws,
    driven: tuple[Walked, FloatArray],
) -> tuple[Walked, FloatArray]:
    """Replay the unchanged rig in the asked weather: what changes are held against."""
    setup = apply_change(change, rig, estimates, days)
    if setup.refused:
        return driven
    paths = replay(setup, days, draws)
    return paths, corrected(paths, driven[0], setup, days, draws)


def _judge(
    change: Change,
    rig: Rig,
    estimates: TripEstimates,
    days: Days,
    draws: Draws,
    base: Walked,
    against: tuple[Walked, FloatArray],
) -> OptionResult:
    setup = apply_change(change, rig, estimates, days)
    nothing = Estimate.missing(setup.refused or "no current")
    refused = setup.refused
    if not days.known.any():
        refused = "no battery current was recorded"
    if refused:
        return OptionResult(
            change=change,
            outcome=None,
            difference=nothing,
            shows=False,
            refused=refused,
            notes=setup.notes,
        )
    paths = replay(setup, days, draws)
    soc = corrected(paths, base, setup, days, draws)
    mass, margin = mass_of(change, rig), _margin(rig)
    left = None if margin is None or mass is None else margin - mass
    outcome = outcome_of(
        setup,
        paths,
        soc,
        days,
        rig,
        mass=mass,
        margin=left,
        price=price_of(change, rig, paths, setup.capacity, days),
    )
    difference = difference_of(soc, against[1])
    shows = not difference.lo <= 0.0 <= difference.hi
    shows |= _hours_differ(paths, against[0])
    if setup.ranged:
        outcome = _as_range(outcome)
    return OptionResult(
        change=change,
        outcome=outcome,
        difference=difference,
        shows=shows,
        over_limit=max(0.0, -left) if left is not None else 0.0,
        ranged=setup.ranged,
        wasted=_wasted(setup, paths, base, days),
        notes=(
            *setup.notes,
            *_a_drive(change, paths, base, days),
            *_too_much(setup, rig, paths),
        ),
    )


def _a_drive(
    change: Change, paths: Walked, base: Walked, days: Days
) -> tuple[str, ...]:
    """Say what a bigger charger puts back more in a drive."""
    driving = days.drive > LIT
    drives = int(np.sum(driving & ~np.concatenate(([False], driving[:-1]))))
    if not change.current_charger or not drives:
        return ()
    more = float((paths.current[0] - base.current[0])[driving].sum()) * HOURS / drives
    return (f"{more:+.1f} Ah a drive against the trip as driven ({drives} drives)",)


def _too_much(setup: Setup, rig: Rig, paths: Walked) -> tuple[str, ...]:
    """Warn where more goes into the battery than its maker is said to allow."""
    most = rig.house.current_charge_max * setup.capacity / rig.house.capacity_rated
    seen = float(np.percentile(paths.current[0], MOSTLY))
    if seen <= MARGIN * most:
        return ()
    return (f"charges at up to {seen:.0f} A where {most:.0f} A are allowed",)


def _as_range(outcome: Outcome) -> Outcome:
    """Leave only the ends: what was never measured has no figure."""
    nan = float("nan")
    names = (
        "soc_min",
        "hours_below_floor",
        "hours_without_power",
        "fridge_hours_lost",
        "unused_solar",
    )
    ends = {n: replace(getattr(outcome, n), value=nan) for n in names}
    return replace(outcome, **ends)


def _wasted(setup: Setup, paths: Walked, base: Walked, days: Days) -> float:
    """Share of the added sun that found no place."""
    now = 0.0 if days.sun_typed else 1.0
    added = (setup.sun_factor - now) * float(days.sun.sum())
    if added <= 0.0:
        return 0.0
    more = float(paths.sun_used[0].sum() - base.sun_used[0].sum())
    return float(np.clip(1.0 - more / added, 0.0, 1.0))


def _hours_differ(paths: Walked, base: Walked) -> bool:
    moved = (paths.without_power.sum(axis=1) - base.without_power.sum(axis=1)) * HOURS
    lo, hi = np.percentile(moved, [5, 95])
    return not lo <= 0.0 <= hi


def grid_of(
    rig: Rig, days: Days, setup: Setup, base: Walked, draws: Draws, *, size: int = 20
) -> Grid | None:
    """
    Give the low point over battery and panel size, from half to three times.

    Parameters
    ----------
    rig, days, setup, base, draws
        As driven.
    size : int
        Points each way.

    Returns
    -------
    grid : Grid or None
        None without a panel.

    References
    ----------
    Common practice, no source.
    """
    panel = sum(s.power_panel or 0.0 for s in rig.sources if s.kind == "solar")
    if panel <= 0 or not days.sun_known:
        return None
    factors = np.linspace(0.5, 3.0, size)
    sun_factor = np.linspace(0.0, 3.0, size)
    capacity = np.repeat(factors, size) * setup.capacity
    paths = run(
        plant_of(setup, capacity),
        days,
        load=setup.load,
        sun=np.tile(sun_factor, size)[:, None] * days.sun[None, :],
        drive=days.drive,
        soc_initial=np.full(size * size, days.soc_initial),
    )
    miss = np.nan_to_num(days.soc - base.soc[0])
    carry = np.minimum(1.0, setup.capacity / capacity)
    soc = np.clip(paths.soc + carry[:, None] * miss[None, :], 0.0, 1.0)
    return Grid(
        capacities=factors * rig.house.capacity_rated,
        panels=sun_factor * panel,
        soc_min=soc.min(axis=1).reshape(size, size),
        capacity_now=rig.house.capacity_rated,
        panel_now=panel,
    )


def _notes(record: TripRecord, rig: Rig, estimates: TripEstimates) -> tuple[str, ...]:
    notes = []
    if "temp_air_c" in record.minutes:
        mean = float(np.nanmean(record.minutes["temp_air_c"].mean))
        notes.append(
            f"This trip's air was {mean:.0f} degC on the mean; beyond {HOTTER:.0f} K "
            "hotter is hotter than anything you measured: a range at most."
        )
    if any(s.kind in NOT_APART for s in estimates.sources):
        notes.append(
            "Sources were not measured apart: what a full battery refused is not "
            "known, and more battery may have done better than told."
        )
    lower = [s.name for s in estimates.sources if s.possible_is_lower_bound]
    if lower:
        notes.append(
            f"The sun that {', '.join(lower)} could have given is at least so."
        )
    if rig.house.mass is None:
        notes.append("A battery's kilograms can't be told: mass_kg was not typed.")
    if "house.floor" in rig.assumed:
        notes.append("The floor is assumed, because it was not typed.")
    return tuple(notes)
