"""
Learning the owner's own loads from a decoded trip: levels, durations, times of day.

What was expected of the kind counts as a few runs, so that a load seen often is
described by itself and one seen once by its kind.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.habits import BASE, DAY, OTHER, LoadModel, hazard

if TYPE_CHECKING:
    from campledger.estimate.loads.decode import Conditions, Decoded
    from campledger.estimate.loads.segments import Segments
    from campledger.estimate.loads.smooth import Story
    from campledger.model.series import FloatArray

PRIOR_RUNS = 3.0
PRIOR_SESSIONS = 8.0
"""What the kind is worth against runs seen, of thermostats and of people. Common
practice, no source."""
CLUSTER_GAP = 0.09
"""Levels further apart than this are different speeds. Common practice, no source."""
LEVEL_STD = 0.03
"""A level seen several times is met again within this. Common practice, no source."""
CLUSTERS = 5
LEAST_LIKELY = 0.03
NEW_LEVEL = 0.7
"""Chance that a run has a level never seen. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Run:
    """One run of a load: stretches [first, last), times s, level W, surge."""

    load: int
    first: int
    last: int
    begin: float
    end: float
    level: float
    surge: bool
    open_end: bool


def list_runs(segments: Segments, story: Story) -> list[Run]:
    """
    List the runs of all loads.

    Parameters
    ----------
    segments : Segments
        Level stretches.
    story : Story
        Which loads are on in each.

    Returns
    -------
    runs : list of Run
        By load, in order of time; the standing draw has none.

    References
    ----------
    Common practice, no source.
    """
    out = []
    k, n = story.on.shape
    for i in range(1, n):
        flags = np.concatenate(([0], story.on[:, i].astype(np.int8), [0]))
        fresh = story.age[:, i] <= 0.0
        starts = np.flatnonzero(np.diff(flags) > 0).tolist()
        inner = np.flatnonzero(fresh[1:] & story.on[1:, i] & story.on[:-1, i]) + 1
        starts = sorted({*starts, *inner.tolist()})
        stops = set(np.flatnonzero(np.diff(flags) < 0).tolist()) | set(inner.tolist())
        for a in starts:
            b = min(v for v in stops if v > a)
            length = segments.end[a:b] - segments.begin[a:b]
            middle = 0.5 * (story.begin[a:b, i] + story.end[a:b, i])
            weight = np.maximum(length, 1e-3)
            out.append(
                Run(
                    load=i,
                    first=a,
                    last=b,
                    begin=float(segments.begin[a]),
                    end=float(segments.end[b - 1]),
                    level=float(np.sum(middle * weight) / weight.sum()),
                    surge=bool(segments.surge[a] > 0),
                    open_end=b == k
                    or a == 0
                    or bool(segments.hole[a:b].any())
                    or (b < k and bool(segments.hole[b])),
                )
            )
    return out


def _cluster(levels: FloatArray) -> list[tuple[float, float, float]]:
    """Group levels by gaps; give (mean, spread, count), heaviest first."""
    order = np.sort(levels)
    cut = np.flatnonzero(np.diff(np.log(order)) > CLUSTER_GAP) + 1
    groups = []
    for part in np.split(order, cut):
        centre = float(np.median(part))
        spread = 1.4826 * float(np.median(np.abs(part - centre)))
        groups.append((centre, max(spread, LEVEL_STD * centre, 0.3), float(len(part))))
    return sorted(groups, key=lambda g: -g[2])[:CLUSTERS]


def _likely(first: LoadModel, level: float) -> float:
    """Say how well a level suits the kind, 0..1: far-off ones teach little."""
    z = (level - first.mean) / first.std
    weight = np.exp(first.log_weight - first.log_weight.max())
    return float(np.clip(np.max(weight * np.exp(-0.5 * z**2)), LEAST_LIKELY, 1.0))


def _levels(model: LoadModel, first: LoadModel, levels: FloatArray) -> LoadModel:
    levels = levels[levels > 0.5]
    if len(levels) == 0:
        return first
    groups = _cluster(levels)
    count = np.array([g[2] * _likely(first, g[0]) for g in groups])
    prior = PRIOR_RUNS if model.cycles else PRIOR_SESSIONS
    total = count.sum() + prior
    mean = np.concatenate(([g[0] for g in groups], first.mean))
    std = np.concatenate(([g[1] for g in groups], first.std))
    new = max(NEW_LEVEL * prior / total, 0.01)
    weight = np.concatenate(
        (np.log(count / count.sum() * (1 - new)), first.log_weight + np.log(new))
    )
    if model.kind == "inverter":
        return replace(model, mean=mean, std=std, log_weight=weight)
    return replace(
        model,
        mean=mean,
        std=std,
        log_weight=weight,
        change_mean=mean,
        change_std=std,
        change_log_weight=weight,
    )


def _blend(
    first: float, first_spread: float, seen: FloatArray, least: float, prior: float
) -> tuple[float, float]:
    """Blend a kind's log-normal duration with durations seen."""
    logs = np.log(np.maximum(seen, 1.0))
    weight = len(logs) + prior
    mean = (prior * np.log(first) + logs.sum()) / weight
    square = prior * first_spread**2 + ((logs - mean) ** 2).sum()
    square += prior * (np.log(first) - mean) ** 2
    return float(np.exp(mean)), max(float(np.sqrt(square / weight)), least)


def relearn(
    first: list[LoadModel],
    segments: Segments,
    around: Conditions,
    decoded: Decoded,
    story: Story,
    days: float,
) -> list[LoadModel]:
    """
    Describe each load by its own runs.

    Parameters
    ----------
    first : list of LoadModel
        What the kinds say.
    segments : Segments
        Level stretches.
    around : Conditions
        Hours of the day.
    decoded : Decoded
        The story.
    story : Story
        Its powers.
    days : float
        Length of the trip. [d]

    Returns
    -------
    models : list of LoadModel
        For the next round.

    References
    ----------
    .. [1] Hard expectation-maximisation. Common practice, no source.
    """
    runs = list_runs(segments, story)
    extra: dict[int, list[float]] = {}
    for event in decoded.events:
        if event.changed:
            for i, _, _ in event.on:
                extra.setdefault(i, []).append(float(story.begin[event.segment, i]))
    out = []
    for i, model in enumerate(first):
        own = [r for r in runs if r.load == i]
        if model.name in {BASE, OTHER} or not own:
            out.append(_rarer(model, own, days))
            continue
        levels = np.array(
            [float(story.begin[r.first, i]) for r in own]
            + (extra.get(i, []) if model.kind != "inverter" else [])
        )
        out.append(_own(_levels(model, model, levels), own, around, days))
    return out


def _rarer(model: LoadModel, own: list[Run], days: float) -> LoadModel:
    """A load never seen is expected a little less."""
    if own or model.name in {BASE, OTHER} or model.cycles:
        return model
    prior = PRIOR_RUNS
    return replace(model, rate=prior / (prior / model.rate + days * DAY))


def _own(
    model: LoadModel, own: list[Run], around: Conditions, days: float
) -> LoadModel:
    habit = model.habit
    closed = np.array([r.end - r.begin for r in own if not r.open_end])
    prior = PRIOR_RUNS if model.cycles else PRIOR_SESSIONS
    least = 0.3 if model.cycles else 0.6
    off = hazard(
        *_blend(habit.on_time, habit.on_spread, closed, least, prior), habit.odd
    )
    surge = (sum(r.surge for r in own) + prior * habit.surge) / (len(own) + prior)
    model = replace(model, off_log_hazard=off[0], off_hazard_sum=off[1], surge=surge)
    if model.cycles:
        gaps = np.array([b.begin - a.end for a, b in pairwise(own)])
        gaps = gaps[(gaps > 1.0) & (gaps < 6 * 3600)]
        on = hazard(*_blend(habit.off_time, habit.off_spread, gaps, 0.35, prior))
        ratio = np.diff(np.log([max(r.level, 0.5) for r in own]))
        same = 1.4826 * float(np.median(np.abs(ratio))) if len(ratio) > 5 else 0.05
        return replace(
            model,
            on_log_hazard=on[0],
            on_hazard_sum=on[1],
            same_std=float(np.clip(1.5 * same, 0.015, 0.08)),
        )
    rate = (len(own) + prior) / (days * DAY + prior / model.rate)
    hours = np.zeros(24)
    for r in own:
        hours[int(around.hour[r.first])] += 1
    smooth = (hours + 0.7 * (np.roll(hours, 1) + np.roll(hours, -1))) / 2.4
    weight = model.by_hour * 2 * prior + 24.0 * smooth
    return replace(model, rate=rate, by_hour=weight / weight.mean())
