"""
The decoded story made exact: powers of all loads smoothed over the whole trip.

Along a fixed story the system is linear, so that steps on, steps off and the level of
the sum together give each run its power, forwards and backwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.loads.drift import SOURCE_LEAK, calm_and_wild, drift_variance
from campledger.estimate.loads.moves import WANDER_STEP

if TYPE_CHECKING:
    from campledger.estimate.loads.beam import IntArray
    from campledger.estimate.loads.decode import Conditions, Decoded, Event
    from campledger.estimate.loads.habits import LoadModel
    from campledger.estimate.loads.remainder import Remainder
    from campledger.estimate.loads.segments import Segments
    from campledger.model.series import BoolArray, FloatArray

LOOSE_SHARE = 0.15
"""A new run's level is left this free, so that the readings decide. Common practice,
no source."""
LOOSE = 1.0
RESTLESS = 4.0
"""A stretch that ends further off (squared, normalised) is one of wandering. Common
practice, no source."""
SURGE_TIME = 12.0
"""What overshoots within this time of a start belongs to the load started, s. Common
practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Story:
    """
    Powers along the decoded story, arrays (k, n) by stretch and load.

    ``begin`` and ``end`` W at the ends of each stretch; ``std`` W; ``on``; ``age`` s
    since switched, at the beginning; ``switched`` index of the load switched on at the
    beginning of each stretch (k,), -1 where none.
    """

    begin: FloatArray
    end: FloatArray
    std: FloatArray
    on: BoolArray
    age: FloatArray
    switched: IntArray


@dataclass(frozen=True, kw_only=True)
class _Step:
    scale: FloatArray
    shift: FloatArray
    noise: FloatArray


def _event_step(event: Event | None, x: FloatArray, n: int) -> _Step:
    scale, shift, noise = np.ones(n), np.zeros(n), np.zeros(n)
    if event is not None:
        for i in event.off:
            scale[i] = 0.0
        for i, level, var in event.on:
            scale[i], shift[i] = 0.0, level
            noise[i] = var + (LOOSE_SHARE * level) ** 2 + LOOSE
        if event.wandered >= 0:
            noise[event.wandered] += (WANDER_STEP * x[event.wandered]) ** 2 + LOOSE
    return _Step(scale=scale, shift=shift, noise=noise)


class _Filter:
    """Forward pass that keeps what the backward pass needs."""

    def __init__(self, x: FloatArray, p: FloatArray) -> None:
        self.x, self.p = x, p
        self.filtered: list[tuple[FloatArray, FloatArray]] = []
        self.predicted: list[tuple[FloatArray, FloatArray]] = []
        self.scales: list[FloatArray] = []

    def predict(self, step: _Step) -> None:
        self.x = step.scale * self.x + step.shift
        self.p = step.scale[:, None] * self.p * step.scale[None, :]
        self.p = self.p + np.diag(step.noise)
        self.scales.append(step.scale)
        self.predicted.append((self.x, self.p))

    def update(self, level: float, var: float) -> None:
        row = self.p.sum(axis=1)
        gain = row / (row.sum() + var)
        self.x = self.x + gain * (level - self.x.sum())
        self.p = self.p - np.outer(gain, row)
        self.filtered.append((self.x, self.p))

    def smooth(self) -> tuple[FloatArray, FloatArray]:
        """Give smoothed means and variances of every step."""
        count, n = len(self.filtered), len(self.x)
        mean, var = np.empty((count, n)), np.empty((count, n))
        x, p = self.filtered[-1]
        mean[-1], var[-1] = x, np.diag(p)
        ridge = 1e-6 * np.eye(n)
        for t in range(count - 2, -1, -1):
            xf, pf = self.filtered[t]
            xp, pp = self.predicted[t + 1]
            cross = pf * self.scales[t + 1][None, :]
            back = np.linalg.solve(pp + ridge, cross.T).T
            x = xf + back @ (x - xp)
            p = pf + back @ (p - pp) @ back.T
            mean[t], var[t] = x, np.diag(p)
        return mean, np.maximum(var, 0.0)


def tell_story(
    models: list[LoadModel], segments: Segments, around: Conditions, decoded: Decoded
) -> Story:
    """
    Smooth the powers of all loads along the decoded story.

    Parameters
    ----------
    models : list of LoadModel
        As decoded with.
    segments : Segments
        Level stretches.
    around : Conditions
        What surrounds them.
    decoded : Decoded
        The story.

    Returns
    -------
    story : Story
        Powers of every load at both ends of every stretch.

    References
    ----------
    .. [1] Rauch, Tung, Striebel, "Maximum likelihood estimates of linear dynamic
       systems", AIAA J. 3 (1965) 1445. From memory.
    """
    n, k = len(models), len(segments)
    wander = np.array([m.wander for m in models])
    volts = np.array([m.volts for m in models])
    by_segment = {e.segment: e for e in decoded.events}
    x, p = np.zeros(n), np.zeros((n, n))
    on_now = np.zeros(n, dtype=bool)
    since = np.full(n, float(segments.begin[0]) - 600.0)
    for i, level, var in decoded.initial:
        x[i], p[i, i], on_now[i] = level, var + LOOSE, True
    run = _Filter(x, p)
    on = np.zeros((k, n), dtype=bool)
    age = np.zeros((k, n))
    switched = np.full(k, -1, dtype=np.int64)
    for s in range(k):
        event = by_segment.get(s)
        begin = float(segments.begin[s])
        if event is not None:
            _switch(event, on_now, since, begin)
            switched[s] = _whose(event)
        step = _event_step(event, run.x, n)
        noise = step.noise.copy()
        noise[0] += (SOURCE_LEAK * float(around.source_step[s])) ** 2 + 1e-6
        if event is None:
            off = float(segments.level_begin[s]) - float(run.x.sum())
            room = float(run.p.sum() + noise.sum() + segments.var_begin[s])
            jump = np.where(on_now, (wander * run.x) ** 2, 0.0)
            noise += jump * (off**2 > RESTLESS * room)
        run.predict(_Step(scale=step.scale, shift=step.shift, noise=noise))
        run.update(float(segments.level_begin[s]), float(segments.var_begin[s]))
        on[s], age[s] = on_now, np.maximum(begin - since, 0.0)
        calm, wild = calm_and_wild(
            run.x,
            age[s],
            wander,
            float(segments.end[s]) - begin,
            float(around.volts_change[s]),
            float(around.source_change[s]),
        )
        scale = 1 + volts * float(around.volts_change[s])
        miss = float(segments.level_end[s]) - float((scale * run.x).sum())
        room = float(run.p.sum() + calm[on_now].sum() + segments.var_end[s])
        noise = calm + wild * (miss**2 > RESTLESS * room)
        run.predict(
            _Step(scale=scale, shift=np.zeros(n), noise=np.where(on_now, noise, 0.0))
        )
        run.update(float(segments.level_end[s]), float(segments.var_end[s]))
    means, variances = run.smooth()
    means[:, 1:] = np.maximum(means[:, 1:], 0.0)
    return Story(
        begin=means[0::2],
        end=means[1::2],
        std=np.sqrt(0.5 * (variances[0::2] + variances[1::2])),
        on=on,
        age=age,
        switched=switched,
    )


def _whose(event: Event) -> int:
    """Name the load whose edge this is, -1 where it is not one load's alone."""
    if event.on:
        return event.on[0][0] if len(event.on) == 1 else -1
    return event.off[0] if len(event.off) == 1 else -1


def _switch(event: Event, on: BoolArray, since: FloatArray, begin: float) -> None:
    """Follow which loads are on."""
    again = {i for i, _, _ in event.on}
    for i in event.off:
        if i not in again or not event.changed:
            on[i], since[i] = False, begin
    for i in again:
        if not on[i]:
            on[i], since[i] = True, begin


def shares(
    models: list[LoadModel], segments: Segments, around: Conditions, story: Story
) -> FloatArray:
    """
    Say to which running load the unrest within each stretch belongs.

    Parameters
    ----------
    models : list of LoadModel
        As decoded with.
    segments : Segments
        Level stretches.
    around : Conditions
        What surrounds them.
    story : Story
        Powers of every load.

    Returns
    -------
    share : (k, n) float64
        Adds up to one over the loads. [1]

    References
    ----------
    Common practice, no source.
    """
    wander = np.array([m.wander for m in models])
    out = np.zeros(story.begin.shape)
    for s in range(len(segments)):
        noise = drift_variance(
            story.begin[s],
            story.age[s],
            wander + 0.01,
            float(segments.end[s] - segments.begin[s]),
            float(around.volts_change[s]),
            float(around.source_change[s]),
        )
        noise = np.where(story.on[s], noise, 0.0)
        out[s] = noise / max(float(noise.sum()), 1e-12)
    return out


def owners(rest: Remainder, segments: Segments) -> IntArray:
    """
    Say in which stretch each reading lies.

    Parameters
    ----------
    rest : Remainder
        The remainder.
    segments : Segments
        Level stretches.

    Returns
    -------
    owner : (r,) int64
        Index of the stretch, -1 in none.

    References
    ----------
    Common practice, no source.
    """
    owner = np.full(len(rest.time_utc), -1, dtype=np.int64)
    for s, (a, b) in enumerate(
        zip(segments.first.tolist(), segments.last.tolist(), strict=True)
    ):
        owner[a:b] = s
    return owner


def load_power(
    rest: Remainder,
    segments: Segments,
    story: Story,
    share: FloatArray,
    owner: IntArray,
    load: int,
) -> FloatArray:
    """
    Lay one load's power on the readings.

    Parameters
    ----------
    rest : Remainder
        The remainder.
    segments : Segments
        Level stretches.
    story : Story
        Powers of every load.
    share : (k, n) float64
        Whose the unrest is. [1]
    owner : (r,) int64
        Stretch of each reading.
    load : int
        Index of the load.

    Returns
    -------
    power : (r,) float64
        NaN where the remainder is missing. [W]

    References
    ----------
    Common practice, no source.
    """
    s = np.maximum(owner, 0)
    duration = np.maximum(segments.end - segments.begin, 1e-3)
    part = np.clip((rest.time_utc - segments.begin[s]) / duration[s], 0.0, 1.0)
    total_begin, total_end = story.begin.sum(axis=1), story.end.sum(axis=1)
    fitted = total_begin[s] + part * (total_end - total_begin)[s]
    own = story.begin[s, load] + part * (story.end - story.begin)[s, load]
    weight = share[s, load]
    edge = max(SURGE_TIME, rest.interval)
    soon = (rest.time_utc - segments.begin[s] < edge) & (story.switched[s] >= 0)
    weight = np.where(soon, (story.switched[s] == load).astype(float), weight)
    power = own + weight * (rest.power - fitted)
    power[owner < 0] = np.nan
    return np.asarray(power, dtype=np.float64)
