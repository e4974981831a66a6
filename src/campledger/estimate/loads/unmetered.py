"""
Loads without a meter, told apart from the one shunt that sees everything.

Cut the remainder into level stretches, decode all loads together, smooth, learn the
owner's own loads, and again; then say how sure each name is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.around import BASE_PERCENTILE, conditions
from campledger.estimate.loads.confusion import Confusion, doubt, group_alike
from campledger.estimate.loads.decode import Conditions, Decoded, decode
from campledger.estimate.loads.habits import ALWAYS, DAY, LoadModel, first_models
from campledger.estimate.loads.learn import Run, list_runs, relearn
from campledger.estimate.loads.metered import GAIN_STD, INTERVAL_90, SECONDS_PER_HOUR
from campledger.estimate.loads.relabel import relabel, rename, traits
from campledger.estimate.loads.remainder import Remainder, build_remainder
from campledger.estimate.loads.segments import SLOW, Segments, cut_segments, take_bursts
from campledger.estimate.loads.smooth import (
    Story,
    load_power,
    owners,
    shares,
    tell_story,
)
from campledger.model.estimates import Estimate, LoadUse
from campledger.model.integrate import to_minutes
from campledger.model.series import Series
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.estimate.loads.teach import Lesson
    from campledger.model.estimates import BatteryEstimate
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

ROUNDS = (24, 48, 48)
"""Hypotheses kept in each round of learning."""
BASE_STD = 0.10
"""What the standing draw's level leaves open, W. Common practice, no source."""
ZERO_SHARE = 0.14
"""The standing draw is told only if the shunt's zero leaves less open than this share
of it (90 %). Common practice, no source."""
SOURCE_ZERO_STD = 0.005
"""Zero of a source's shunt after it was read with the source off, A. Common practice,
no source."""
NAMING_SHARE = 0.006
NAMING_DOUBT = 0.06
NAMING_OWN = 0.5
"""A name is open by this share of all that was told apart, more where much could be
another's, never by more than this share of its own. Common practice, no source; set on
trips with known truth.
"""
NAMES_FAST, NAMES_SLOW = 0.6, 1.05
"""Doubts about names are worth this much where steps are sharp, and where they are
means of a minute. Common practice, no source; set on trips with known truth."""
HIDDEN_SLOW = 0.02
"""Share of a load that hides behind others in slow means. Common practice, no source;
set on trips with known truth."""
COVERED_LEAST = 0.5
"""Less of the trip than this is too little to tell loads apart. Common practice, no
source."""


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Everything the decoding found, for the uses and for tests."""

    models: list[LoadModel]
    rest: Remainder
    segments: Segments
    around: Conditions
    decoded: Decoded
    story: Story
    runs: list[Run]
    confusion: Confusion


def solve(
    record: TripRecord,
    rig: Rig,
    rest: Remainder,
    names: tuple[str, ...],
    lessons: tuple[Lesson, ...] = (),
) -> Solution:
    """
    Decode a remainder in rounds of learning.

    Parameters
    ----------
    record : TripRecord
        The trip, for its clock.
    rig : Rig
        Load list.
    rest : Remainder
        What no meter saw.
    names : tuple of str
        Loads to be told apart.
    lessons : tuple of Lesson, optional
        What meters that were there for a while taught.

    Returns
    -------
    solution : Solution
        After the last round.

    References
    ----------
    .. [1] Hart, "Nonintrusive appliance load monitoring", Proc. IEEE 80 (1992) 1870,
       for steps and pairing; factorial semi-Markov decoding, common practice.
    """
    segments = cut_segments(rest)
    around = conditions(rest, segments, record.utc_offset, rig.house.voltage_cutoff)
    good = np.isfinite(rest.power)
    volts = float(np.median(rest.volts[good]))
    base = float(np.percentile(rest.power[good], BASE_PERCENTILE))
    first = first_models(rig, names, volts)
    for lesson in lessons:
        first = [lesson.teach(m, volts) if m.name == lesson.name else m for m in first]
    days = float((segments.end - segments.begin).sum()) / DAY
    step = max(1.0, rest.interval)
    models = first
    decoded = decode(models, segments, around, step=step, base=base, beam=ROUNDS[0])
    story = tell_story(models, segments, around, decoded)

    def name_again(decoded: Decoded, story: Story) -> tuple[Decoded, Story]:
        runs = list_runs(segments, story)
        shown = traits(runs, segments, around, decoded, story)
        names = relabel(first, runs, shown, days)
        decoded = rename(decoded, runs, names)
        return decoded, tell_story(models, segments, around, decoded)

    decoded, story = name_again(decoded, story)
    for beam in ROUNDS[1:]:
        models = relearn(first, segments, around, decoded, story, days)
        base = float(np.median(story.begin[:, 0]))
        decoded = decode(models, segments, around, step=step, base=base, beam=beam)
        story = tell_story(models, segments, around, decoded)
        decoded, story = name_again(decoded, story)
    runs = list_runs(segments, story)
    # what was learnt from doubtful runs must not prove them: kinds judge people's loads
    judges = [m if m.cycles else f for m, f in zip(models, first, strict=True)]
    return Solution(
        models=models,
        rest=rest,
        segments=segments,
        around=around,
        decoded=decoded,
        story=story,
        runs=runs,
        confusion=doubt(judges, runs, around, story.on),
    )


def _interval(solution: Solution, load: int, energy: float) -> tuple[float, float]:
    """Give the 90 % interval of a load's energy, W.h."""
    segments, story = solution.segments, solution.story
    hours = (segments.end - segments.begin) / SECONDS_PER_HOUR
    on = story.on[:, load]
    level = sum(
        float((story.std[r.first : r.last, load] * hours[r.first : r.last]).sum()) ** 2
        for r in solution.runs
        if r.load == load
    )
    floor = BASE_STD * float(hours[on].sum())
    slow = solution.rest.interval > SLOW
    worth = NAMES_SLOW if slow else NAMES_FAST
    gain = float(np.hypot(GAIN_STD, HIDDEN_SLOW if slow else 0.0))
    plain = (gain * energy) ** 2 + level + floor**2
    plain += (worth * _naming(solution, energy)) ** 2
    less = np.sqrt(plain + (worth * solution.confusion.less[load]) ** 2)
    more = np.sqrt(plain + (worth * solution.confusion.more[load]) ** 2)
    low = max(0.0, energy - INTERVAL_90 * float(less))
    return low, energy + INTERVAL_90 * float(more)


def _naming(solution: Solution, energy: float) -> float:
    """What the story as a whole leaves open on any name, W.h, a standard deviation."""
    total = sum(r.level * (r.end - r.begin) for r in solution.runs) / SECONDS_PER_HOUR
    if total <= 0:
        return 0.0
    open_share = float(solution.confusion.shared.sum()) / total
    whole = total * (NAMING_SHARE + NAMING_DOUBT * open_share)
    return min(whole, NAMING_OWN * energy + 0.3 * NAMING_SHARE * total)


def _sampling(rest: Remainder) -> str:
    return "mean" if rest.averaged else "point"


def _use(
    record: TripRecord,
    solution: Solution,
    name: str,
    power: FloatArray,
    members: list[int],
) -> LoadUse:
    """Condense one load's (or group's) power to the minute grid."""
    rest, grid = solution.rest, record.minute_utc
    sampling = _sampling(rest)

    def minutes(value: FloatArray, kind: str) -> tuple[FloatArray, FloatArray]:
        made = to_minutes(
            Series(time_utc=rest.time_utc, value=value, sampling=kind), grid
        )
        covered = made.covered > 0
        return np.where(covered, made.mean, np.nan), np.where(
            covered, made.charge, np.nan
        )

    mean, joules = minutes(power, sampling)
    _, charge = minutes(power / rest.volts, sampling)
    energy = float(np.nansum(joules)) / SECONDS_PER_HOUR
    bounds = [_interval(solution, i, energy) for i in members]
    low = energy - float(np.sqrt(sum((energy - b[0]) ** 2 for b in bounds)))
    high = energy + float(np.sqrt(sum((b[1] - energy) ** 2 for b in bounds)))
    low = max(low, 0.0)
    runs = [r for r in solution.runs if r.load in members]
    weight = np.array([r.end - r.begin for r in runs])
    level = np.array([r.level for r in runs])
    running = _weighted_median(level, weight)
    volts = float(np.nanmedian(rest.volts))
    on = np.where(np.isfinite(power), (power > 0.5 * max(running, 0.5)) * 1.0, np.nan)
    share, _ = minutes(on, "mean")
    down, up = (low / energy, high / energy) if energy > 0 else (0.0, 1.0)
    return LoadUse(
        name=name,
        word=Word.WORKED_OUT,
        power=mean,
        power_lo=mean * down,
        power_hi=mean * up,
        charge=charge / SECONDS_PER_HOUR,
        on_share=share,
        energy=Estimate(value=energy, lo=low, hi=high, word=Word.WORKED_OUT),
        current_running=running / volts,
        current_standing=0.0,
        starts=len(runs),
    )


def _weighted_median(value: FloatArray, weight: FloatArray) -> float:
    if len(value) == 0:
        return float("nan")
    order = np.argsort(value)
    total = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(total, 0.5 * total[-1])])


def missing_load(
    name: str, minutes: int, reason: str, group: tuple[str, ...] = ()
) -> LoadUse:
    """
    Say that a load's use cannot be told, and why.

    Parameters
    ----------
    name : str
        Load.
    minutes : int
        Length of the minute grid.
    reason : str
        Why.
    group : tuple of str, optional
        Loads that it cannot be told from.

    Returns
    -------
    use : LoadUse
        All NaN, word missing.

    References
    ----------
    Common practice, no source.
    """
    nan = np.full(minutes, np.nan)
    return LoadUse(
        name=name,
        word=Word.MISSING,
        power=nan,
        power_lo=nan,
        power_hi=nan,
        charge=nan,
        on_share=nan,
        energy=Estimate.missing(reason),
        current_running=float("nan"),
        current_standing=float("nan"),
        starts=0,
        group=group,
        notes=(reason,),
    )


def _standing(
    record: TripRecord,
    solution: Solution,
    battery: BatteryEstimate,
    power: FloatArray,
    names: tuple[str, ...],
) -> list[LoadUse]:
    """Give the standing draw to the loads that never stop, if the zero allows."""
    m = len(record.minute_utc)
    rest = solution.rest
    raw = record.minutes["current_house_a"].mean
    quiet = np.isfinite(raw) & np.isfinite(battery.current_corrected)
    quiet &= np.abs(raw) < 5.0
    if not quiet.any():
        return [missing_load(n, m, "no corrected battery current") for n in names]
    shift = float(np.median(battery.current_corrected[quiet] - raw[quiet]))
    corrected = power - shift * rest.volts
    use = _use(record, solution, names[0], corrected, [])
    half = float(
        np.hypot(
            0.5 * (battery.offset.hi - battery.offset.lo),
            INTERVAL_90 * SOURCE_ZERO_STD,
        )
    )
    level = float(np.nanmean(corrected / rest.volts))
    if not half <= ZERO_SHARE * level:
        reason = "can't tell from the shunt's zero: "
        reason += f"{level:.2f} A, give or take {half:.2f} A"
        return [missing_load(n, m, reason) for n in names]
    part = float(np.hypot(half / level, INTERVAL_90 * GAIN_STD))
    use = replace(
        use,
        power_lo=use.power * (1 - part),
        power_hi=use.power * (1 + part),
        energy=replace(
            use.energy,
            lo=use.energy.value * (1 - part),
            hi=use.energy.value * (1 + part),
        ),
        current_running=level,
        current_standing=level,
        starts=0,
        on_share=np.where(np.isfinite(use.power), 1.0, np.nan),
    )
    return _grouped(use, names, m)


def _grouped(use: LoadUse, names: tuple[str, ...], minutes: int) -> list[LoadUse]:
    """Let the first of a group carry it; the others name it."""
    if len(names) == 1:
        return [use]
    text = ", ".join(names)
    first = replace(
        use,
        name=names[0],
        group=names,
        notes=(*use.notes, f"{text} cannot be told apart: counted together here"),
    )
    reason = f"cannot be told from {names[0]}: counted there"
    return [first, *[missing_load(n, minutes, reason, names) for n in names[1:]]]


def unmetered_loads(
    record: TripRecord,
    rig: Rig,
    battery: BatteryEstimate,
    names: tuple[str, ...],
    lessons: tuple[Lesson, ...] = (),
) -> dict[str, LoadUse]:
    """
    Tell apart the loads that have no meter of their own.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Its load list is the prior.
    battery : BatteryEstimate
        For the zero of the battery's shunt.
    names : tuple of str
        Loads without a meter.
    lessons : tuple of Lesson, optional
        What meters that were there for a while taught.

    Returns
    -------
    uses : dict of str to LoadUse
        One for each name.

    References
    ----------
    Common practice, no source.
    """
    m = len(record.minute_utc)
    rest = build_remainder(record, rig)
    if rest is None:
        reason = "no current of the house battery to tell it from"
        return {n: missing_load(n, m, reason) for n in names}
    if float(np.mean(np.isfinite(rest.power))) < COVERED_LEAST:
        reason = "sources are not measured apart: nothing is left to tell it from"
        return {n: missing_load(n, m, reason) for n in names}
    always = tuple(n for n in names if _kind(rig, n) in ALWAYS)
    people = tuple(n for n in names if n not in always)
    rest, burst = _calm(rest)
    solution = solve(record, rig, rest, people, lessons)
    share = shares(solution.models, solution.segments, solution.around, solution.story)
    owner = owners(rest, solution.segments)
    powers = {
        i: load_power(rest, solution.segments, solution.story, share, owner, i)
        for i in range(len(solution.models) - 1)
    }
    for i, model in enumerate(solution.models):
        if model.kind == "pump":
            powers[i] = powers[i] + burst
            break
    out: dict[str, LoadUse] = {}
    index = {x.name: i for i, x in enumerate(solution.models)}
    energy = np.zeros(len(solution.models))
    for run in solution.runs:
        energy[run.load] += run.level * (run.end - run.begin) / SECONDS_PER_HOUR
    grouped = group_alike(solution.confusion.shared, energy)
    for group in grouped:
        use = _use(
            record,
            solution,
            solution.models[group[0]].name,
            np.sum([powers[i] for i in group], axis=0),
            group,
        )
        kin = tuple(solution.models[i].name for i in group)
        out |= {x.name: x for x in _grouped(use, kin, m)}
    for name in people:
        if name not in out:
            i = index[name]
            out[name] = _use(record, solution, name, powers[i], [i])
    if always:
        out |= {
            x.name: x for x in _standing(record, solution, battery, powers[0], always)
        }
    return out


def _calm(rest: Remainder) -> tuple[Remainder, FloatArray]:
    """Take bursts off slow means; they are the pump's if there is one."""
    if rest.interval <= SLOW or not rest.averaged:
        return rest, np.zeros(len(rest.power))
    calm, burst = take_bursts(rest.power)
    return replace(rest, power=calm), burst


def _kind(rig: Rig, name: str) -> str:
    load = rig.load(name)
    return load.kind if load is not None else "other"
