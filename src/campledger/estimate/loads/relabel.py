"""
Names given again to whole runs, with everything known of all the others.

Step by step a story can only judge what it has seen. Once runs are whole, a run that
fits its name badly and another load well takes that name: its levels among those of
the other's runs, its hour, its length, and whether it was steady, all at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.decode import LOG_LOOSE, LOG_STEADY, Decoded, Event
from campledger.estimate.loads.habits import BASE, DAY, HOUR, OTHER, log_density
from campledger.estimate.loads.moves import FADED, LOG_FADED, LOG_FULL

if TYPE_CHECKING:
    from campledger.estimate.loads.decode import Conditions
    from campledger.estimate.loads.habits import LoadModel
    from campledger.estimate.loads.learn import Run
    from campledger.estimate.loads.segments import Segments
    from campledger.estimate.loads.smooth import Story
    from campledger.model.series import BoolArray, FloatArray

CONCENTRATION = 1.5
"""A load's kind is worth this many levels seen. Common practice, no source."""
LEVEL_SHARE = 0.025
LEVEL_LEAST = 0.4
"""A level is met again within this share, at least this many W. Common practice, no
source."""
HOUR_RUNS = 6.0
"""A kind's hours of the day are worth this many runs. Common practice, no source."""
RATE_RUNS = 2.0
"""A kind's number of runs a day is worth this many runs. Common practice, no source."""
STEADY = 0.03
"""Share by which a steady run may drift. Common practice, no source."""
STEP_SHARE, STEP_LEAST = 0.15, 1.5
"""A jump of a running load by this share, and by this many W, is a change of level.
Common practice, no source."""
TAIL = 4.0
"""Degrees of freedom of drift: odd runs exist. Common practice, no source."""
GAIN_LEAST = 1.0
"""Log odds that a new name must win by. Common practice, no source."""
LOG_RARE = -14.0
"""Log density of a level that a kind does not have, per W. Common practice, no
source."""
PASSES = 6
SAME_LEVEL = 0.05
"""Runs of one load this alike may be another load's together. Common practice, no
source."""


@dataclass(frozen=True, kw_only=True)
class Trait:
    """
    What a run shows of its load.

    ``cuts`` are the stretches at which its level changed; ``levels`` W at which it
    began and to which it changed; ``ends`` W at which each of them ended; ``hours``
    each lasted; ``hour`` of the day; ``duration`` s.
    """

    first: int
    last: int
    cuts: tuple[int, ...]
    levels: FloatArray
    ends: FloatArray
    hours: FloatArray
    hour: int
    duration: float
    surge: bool
    open_end: bool
    energy: float


def traits(
    runs: list[Run],
    segments: Segments,
    around: Conditions,
    decoded: Decoded,
    story: Story,
) -> list[Trait]:
    """
    Say what each run shows.

    Parameters
    ----------
    runs : list of Run
        Of all loads.
    segments : Segments
        Level stretches.
    around : Conditions
        Hours of the day.
    decoded : Decoded
        Where levels changed.
    story : Story
        Powers.

    Returns
    -------
    shown : list of Trait
        One for each run.

    References
    ----------
    Common practice, no source.
    """
    changed = {
        (e.segment, i) for e in decoded.events if e.changed for i, _, _ in e.on
    } | {(e.segment, e.wandered) for e in decoded.events if e.wandered >= 0}
    length = segments.end - segments.begin
    out = []
    for r in runs:
        inner = [
            s
            for s in range(r.first + 1, r.last)
            if (s, r.load) in changed or _stepped(story, s, r.load)
        ]
        cuts = [r.first, *inner, r.last]
        spans = list(pairwise(cuts))
        out.append(
            Trait(
                first=r.first,
                last=r.last,
                cuts=tuple(inner),
                levels=np.array(
                    [_level(story, length, a, b, r.load) for a, b in spans]
                ),
                ends=np.array([float(story.end[b - 1, r.load]) for _, b in spans]),
                hours=np.array([float(length[a:b].sum()) / HOUR for a, b in spans]),
                hour=int(around.hour[r.first]),
                duration=r.end - r.begin,
                surge=r.surge,
                open_end=r.open_end,
                energy=r.level * (r.end - r.begin) / HOUR,
            )
        )
    return out


def _stepped(story: Story, s: int, load: int) -> bool:
    """Tell whether a load's power jumped at the beginning of a stretch."""
    before, after = float(story.end[s - 1, load]), float(story.begin[s, load])
    return abs(after - before) > max(STEP_SHARE * max(before, after), STEP_LEAST)


def _level(story: Story, length: FloatArray, a: int, b: int, load: int) -> float:
    """Level at the start of a span: its first minutes, not its first reading alone."""
    lasted = np.cumsum(length[a:b])
    c = a + max(1, int(np.searchsorted(lasted, 300.0)))
    weight = np.maximum(length[a:c], 1e-3)
    return max(float(np.average(story.begin[a:c, load], weights=weight)), 0.3)


class Names:
    """Labels of all runs, and how well a label suits one given all the others."""

    def __init__(
        self, models: list[LoadModel], shown: list[Trait], label: list[int], days: float
    ) -> None:
        self.models, self.shown, self.days = models, shown, days
        self.label = np.asarray(label)
        first = np.array([t.first for t in shown])
        last = np.array([t.last for t in shown])
        # loads that switch at one and the same step are kept apart
        self.meet = (first[:, None] <= last[None, :]) & (
            first[None, :] <= last[:, None]
        )
        self.visit_run = np.concatenate(
            [np.full(len(t.levels), k) for k, t in enumerate(shown)]
        )
        self.visit = np.concatenate([t.levels for t in shown])
        self.hour = np.array([t.hour for t in shown])
        self.plain = np.array([[self._alone(m, t) for m in models] for t in shown])
        fresh = np.concatenate([np.arange(len(t.levels)) == 0 for t in shown])
        self.base = np.array([_base(m, self.visit, fresh) for m in models])

    def _alone(self, model: LoadModel, shown: Trait) -> float:
        """What does not depend on the names of other runs."""
        value = 0.0
        if not shown.open_end:
            value += log_density(
                shown.duration, model.off_log_hazard, model.off_hazard_sum
            )
        surge = float(np.clip(model.surge, 0.01, 0.97))
        value += float(np.log(surge if shown.surge else 1 - surge))
        value += float(_drift(model, shown).sum())
        if model.habit.fades and not shown.open_end:
            faded = shown.ends[-1] < FADED * shown.levels[-1]
            value += LOG_FADED if faded else LOG_FULL
        changes = len(shown.levels) - 1
        if model.changes > 0:
            value += changes * float(np.log(model.changes * HOUR))
        elif changes:
            value -= 12.0 * changes
        return value - model.changes * shown.duration

    def score(self, run: int, load: int, without: BoolArray) -> float:
        """Say how well a load suits a run, given the other runs' names."""
        model, shown = self.models[load], self.shown[run]
        others = (self.label == load) & ~without
        others[run] = False
        count = int(others.sum())
        mine = np.flatnonzero(self.visit_run == run)
        theirs = self.visit[others[self.visit_run]]
        value = float(self.plain[run, load])
        for k, m in enumerate(mine):
            seen = np.concatenate((theirs, self.visit[mine[:k]]))
            level = self.visit[m]
            std = np.maximum(LEVEL_SHARE * level, LEVEL_LEAST)
            near = np.exp(-0.5 * ((seen - level) / std) ** 2).sum() / (2.5066 * std)
            base = CONCENTRATION * np.exp(self.base[load, m])
            value += float(np.log((near + base) / (len(seen) + CONCENTRATION)))
        hours = np.bincount(self.hour[others], minlength=24)
        near_hour = hours[shown.hour] + 0.5 * (
            hours[shown.hour - 1] + hours[(shown.hour + 1) % 24]
        )
        by_hour = (12.0 * near_hour + HOUR_RUNS * model.by_hour[shown.hour]) / (
            count + HOUR_RUNS
        )
        rate = (count + RATE_RUNS) / (self.days + RATE_RUNS / (model.rate * DAY))
        return value + float(np.log(rate * max(by_hour, 0.02)))

    def free(self, run: int, load: int, but: BoolArray) -> bool:
        """Tell whether a load was off all through a run."""
        return not bool((self.meet[run] & (self.label == load) & ~but).any())


def _drift(model: LoadModel, shown: Trait) -> FloatArray:
    """Log density of how far each level drifted: steady, or as the kind wanders."""
    z = np.log(np.maximum(shown.ends, 0.3) / shown.levels)
    calm = STEADY**2 + (0.3 / shown.levels) ** 2
    wide = calm + model.wander**2 * shown.hours

    def density(var: FloatArray) -> FloatArray:
        value: FloatArray = -0.5 * (TAIL + 1) * np.log1p(z**2 / var / TAIL)
        return value - 0.5 * np.log(var)

    return np.logaddexp(LOG_STEADY + density(calm), LOG_LOOSE + density(wide))


def _base(model: LoadModel, level: FloatArray, fresh: BoolArray) -> FloatArray:
    """Log density of levels under the kind and the stated amps."""

    def density(
        mean: FloatArray, std: FloatArray, log_weight: FloatArray
    ) -> FloatArray:
        z = (level[:, None] - mean) / std
        terms = log_weight - 0.5 * z**2 - np.log(2.5066 * std)
        return np.asarray(np.logaddexp.reduce(terms, axis=1))

    start = density(model.mean, model.std, model.log_weight)
    change = density(model.change_mean, model.change_std, model.change_log_weight)
    return np.maximum(np.where(fresh, start, change), LOG_RARE)


def _improve(names: Names, may: list[int], fixed: BoolArray) -> bool:
    """Go through all runs once; give each the name that suits best."""
    moved = False
    none = np.zeros(len(names.shown), dtype=bool)
    for run in sorted(
        np.flatnonzero(~fixed).tolist(), key=lambda r: -names.shown[r].energy
    ):
        own = int(names.label[run])
        now = names.score(run, own, none)
        best, gain, partner = own, GAIN_LEAST, -1
        for load in may:
            if load == own:
                continue
            if names.free(run, load, none):
                found = names.score(run, load, none) - now
                if found > gain:
                    best, gain, partner = load, found, -1
            else:
                other, found = _swap(names, run, load, fixed)
                if found > gain:
                    best, gain, partner = load, found, other
        if best != own:
            names.label[run] = best
            if partner >= 0:
                names.label[partner] = own
            moved = True
    return moved


def _swap(names: Names, run: int, load: int, fixed: BoolArray) -> tuple[int, float]:
    """Try two runs that overlap under each other's names."""
    met = np.flatnonzero(names.meet[run] & (names.label == load))
    own = int(names.label[run])
    if len(met) != 1 or fixed[met[0]]:
        return -1, -np.inf
    other = int(met[0])
    both = np.zeros(len(names.shown), dtype=bool)
    both[[run, other]] = True
    if not names.free(other, own, both):
        return -1, -np.inf
    before = names.score(run, own, both) + names.score(other, load, both)
    after = names.score(run, load, both) + names.score(other, own, both)
    return other, after - before


def _improve_together(names: Names, may: list[int], fixed: BoolArray) -> bool:
    """Let all runs of one level change their name together."""
    moved = False
    level = np.array([t.levels[0] for t in names.shown])
    for own in may:
        left = {int(r) for r in np.flatnonzero((names.label == own) & ~fixed)}
        while left:
            seed = left.pop()
            alike = [
                r for r in left if abs(np.log(level[r] / level[seed])) < SAME_LEVEL
            ]
            left -= set(alike)
            if alike and _together(names, may, [seed, *alike], own):
                moved = True
    return moved


def _together(names: Names, may: list[int], group: list[int], own: int) -> bool:
    def total(load: int) -> float:
        waiting = np.zeros(len(names.shown), dtype=bool)
        waiting[group] = True
        value = 0.0
        keep = names.label.copy()
        for run in group:
            value += names.score(run, load, waiting)
            names.label[run] = load
            waiting[run] = False
        names.label = keep
        return value

    now = total(own)
    aside = np.zeros(len(names.shown), dtype=bool)
    aside[group] = True
    for load in may:
        open_to = load != own and all(names.free(r, load, aside) for r in group)
        if open_to and total(load) - now > GAIN_LEAST:
            names.label[group] = load
            return True
    return False


def relabel(
    models: list[LoadModel],
    runs: list[Run],
    shown: list[Trait],
    days: float,
) -> Names:
    """
    Give every run of the loads that people switch the name that suits best.

    Parameters
    ----------
    models : list of LoadModel
        What the kinds and the rig file say; standing draw first.
    runs : list of Run
        All runs.
    shown : list of Trait
        What they show.
    days : float
        Length of the trip. [d]

    Returns
    -------
    names : Names
        With the new labels.

    References
    ----------
    .. [1] Iterated conditional modes: Besag, J. R. Statist. Soc. B 48 (1986) 259, over
       a Dirichlet-process mixture of levels. From memory.
    """
    names = Names(models, shown, [r.load for r in runs], days)
    people = [i for i, m in enumerate(models) if m.name != BASE and not m.cycles]
    # what fits nothing may find a name; what has one does not lose it to the unknown
    may = [i for i in people if models[i].name != OTHER]
    fixed = ~np.isin(names.label, people)
    for _ in range(PASSES):
        moved = _improve(names, may, fixed)
        moved = _improve_together(names, may, fixed) or moved
        if not moved:
            break
    return names


def rename(decoded: Decoded, runs: list[Run], names: Names) -> Decoded:
    """
    Tell a story again with the new names.

    Parameters
    ----------
    decoded : Decoded
        Events under the old names.
    runs : list of Run
        All runs.
    names : Names
        Their new names.

    Returns
    -------
    again : Decoded
        The same events.

    References
    ----------
    Common practice, no source.
    """
    begins: dict[tuple[int, int], int] = {}
    inside: dict[tuple[int, int], int] = {}
    ends: dict[tuple[int, int], int] = {}
    for run, label in zip(runs, names.label.tolist(), strict=True):
        begins[run.first, run.load] = label
        for s in range(run.first + 1, run.last):
            inside[s, run.load] = label
        ends[run.last, run.load] = label
    events = []
    for e in decoded.events:
        s = e.segment

        def whose(i: int, s: int = s) -> int:
            return inside.get((s, i), begins.get((s, i), i))

        off = tuple(sorted({inside.get((s, i), ends.get((s, i), i)) for i in e.off}))
        on = tuple((whose(i), level, var) for i, level, var in e.on)
        wandered = whose(e.wandered) if e.wandered >= 0 else -1
        events.append(replace(e, off=off, on=on, wandered=wandered))
    events += _unseen_changes(events, runs, names)
    events.sort(key=lambda e: e.segment)
    initial = tuple(
        (begins.get((0, i), i), level, var) for i, level, var in decoded.initial
    )
    return replace(decoded, events=tuple(events), initial=initial)


def _unseen_changes(events: list[Event], runs: list[Run], names: Names) -> list[Event]:
    """Tell the changes of level that an old name took for drift."""
    taken = {e.segment for e in events}
    out = []
    for run, shown, label in zip(runs, names.shown, names.label.tolist(), strict=True):
        if label == run.load:
            continue
        for s, level in zip(shown.cuts, shown.levels[1:].tolist(), strict=True):
            if s not in taken:
                on = ((label, level, (0.1 * level) ** 2),)
                out.append(Event(segment=s, off=(label,), on=on, changed=True))
                taken.add(s)
    return out
