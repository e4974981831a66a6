"""
Engine hours of the coming days: only those that were planned or typed.

When a planned drive begins, and whether it happens, is learned from this trip's drives.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import rig_date
from campledger.judge.forecast_history import SLOTS, STEP

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from campledger.judge.enough_types import Drive
    from campledger.judge.forecast_history import History
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray

HOUR = 3600.0
START_EARLIEST, START_LATEST = 8.5, 11.5
"""Clock hours between which people set off. Common practice, no source. [h]"""
START_SPREAD = 0.8
"""A start differs from a recorded one by about this. Common practice. [h]"""
LAST_HOUR = 19.0
"""After this clock hour a planned drive no longer begins. Common practice. [h]"""
LENGTH_SPREAD = 0.10
"""Share by which a drive differs from its plan. Common practice, no source."""
STAYED_PRIOR, DAYS_PRIOR = 0.04, 1.0
"""Planned drives that do not happen, and their weight in days. Common practice."""
PAUSE_FROM = 1.5 * HOUR
"""Longer drives are made in two legs. Common practice, no source. [s]"""
DONE_WITHIN = 0.3 * HOUR
ROOM_BELOW = 0.85
"""Only a battery this low by day shows by its charge how long was driven. Common
practice, no source."""


@dataclass(frozen=True, kw_only=True)
class DriveHabits:
    """
    What this trip shows of its drives.

    ``starts`` clock hours of first starts, ``pauses`` h between legs, ``ratio`` and
    ``ratio_spread`` driven over planned, ``kept`` probability that a drive happens.
    ``driven_today`` s, ``driving`` now, ``current`` A while driving.
    """

    starts: tuple[float, ...]
    pauses: tuple[float, ...]
    ratio: float
    ratio_spread: float
    kept: float
    driven_today: float
    driving: bool
    current: float


def _planned(plan: Plan | None, when: date) -> float | None:
    day = plan.day(when) if plan is not None else None
    return day.drive if day is not None else None


def _past_days(
    history: History, values: FloatArray
) -> dict[date, tuple[FloatArray, FloatArray]]:
    """Give clock hours and values of each rig date in the record."""
    n = len(values)
    middle = history.at - STEP * (np.arange(n - 1, -1, -1) + 0.5)
    local = middle + history.utc_offset
    number = np.floor(local / 86400.0).astype(int)
    clock = np.mod(local, 86400.0) / HOUR
    return {
        datetime.fromtimestamp(int(d) * 86400, tz=UTC).date(): (
            clock[number == d],
            values[number == d],
        )
        for d in np.unique(number)
    }


def drive_habits(history: History, rig: Rig, plan: Plan | None) -> DriveHabits:
    """
    Learn from the drives of this trip.

    Parameters
    ----------
    history : History
        The trip so far.
    rig : Rig
        Gives the charger's rating.
    plan : Plan or None
        What was planned.

    Returns
    -------
    habits : DriveHabits
        Defaults where nothing was seen.
    """
    today = rig_date(history.at, history.utc_offset)
    starts: list[float] = []
    pauses: list[float] = []
    ratios: list[float] = []
    stayed = 0
    driven_today = 0.0
    days = _past_days(history, history.drive)
    room = {
        when: bool(np.nanmin(np.append(soc[clock < LAST_HOUR], 1.0)) < ROOM_BELOW)
        for when, (clock, soc) in _past_days(history, history.soc).items()
    }
    for when, (clock, share) in days.items():
        driven = float(share.sum()) * STEP
        if when == today:
            driven_today = driven
        active = np.flatnonzero(share > 0.3)
        if active.size:
            starts.append(float(clock[active[0]]))
            jumps = np.diff(active)
            pauses += [float(j - 1) * STEP / HOUR for j in jumps[jumps > 1]]
        wanted = _planned(plan, when)
        if wanted and when != today and len(share) >= SLOTS - 4 and room[when]:
            if driven < 0.2 * wanted:
                stayed += 1
            else:
                ratios.append(driven / wanted)
    n = len(ratios) + stayed
    kept = 1.0 - (STAYED_PRIOR * DAYS_PRIOR + stayed) / (DAYS_PRIOR + n)
    mean = (2.0 + sum(ratios)) / (2.0 + len(ratios))
    square = sum((r - mean) ** 2 for r in ratios)
    spread = np.sqrt((3.0 * LENGTH_SPREAD**2 + square) / (3.0 + len(ratios)))
    return DriveHabits(
        starts=tuple(starts),
        pauses=tuple(pauses),
        ratio=mean,
        ratio_spread=float(spread),
        kept=kept,
        driven_today=driven_today,
        driving=bool(len(history.drive) and history.drive[-1] > 0.5),
        current=_bulk_current(history, rig),
    )


def _bulk_current(history: History, rig: Rig) -> float:
    """Give what the engine charger delivers before the battery holds it back. [A]"""
    rated = sum(
        s.current_rated or 0.0 for s in rig.sources if s.kind in {"dcdc", "isolator"}
    )
    whole = (history.drive > 0.95) & np.isfinite(history.engine)
    if whole.sum() >= 2:
        seen = float(np.quantile(history.engine[whole], 0.8))
        return max(seen, 0.6 * rated)
    return rated


def _lay(
    share: FloatArray,
    path: NDArray[np.intp],
    start: FloatArray,
    length: FloatArray,
) -> None:
    """Add a drive from ``start`` [s from now] on each path in place."""
    edges = np.arange(len(share)) * STEP
    begin = np.clip(start[None, :] - edges[:, None], 0.0, STEP)
    end = np.clip((start + length)[None, :] - edges[:, None], 0.0, STEP)
    share[:, path] += (end - begin) / STEP


def draw_drives(
    history: History,
    habits: DriveHabits,
    plan: Plan | None,
    typed: tuple[Drive, ...],
    steps: int,
    paths: int,
    rng: np.random.Generator,
) -> FloatArray:
    """
    Draw the share of each coming half hour that is driven.

    Parameters
    ----------
    history, habits : History, DriveHabits
        The trip so far.
    plan : Plan or None
        Planned hours by date; a date with a typed drive follows what was typed.
    typed : tuple of Drive
        Typed drives.
    steps, paths : int
        Half hours ahead, futures.
    rng : numpy Generator
        Source of chance.

    Returns
    -------
    share : (steps, paths) float64
        0..1. [1]
    """
    share = np.zeros((steps, paths))
    at, offset = history.at, history.utc_offset
    named = set()
    for drive in typed:
        named.add(rig_date(drive.start_utc, offset))
        begin = np.full(paths, drive.start_utc - at)
        _lay(share, np.arange(paths), begin, np.full(paths, drive.duration))
    today = rig_date(at, offset)
    for ahead in range(steps // SLOTS + 2):
        when = today + timedelta(days=ahead)
        wanted = _planned(plan, when)
        if not wanted or when in named:
            continue
        _draw_day(share, history, habits, when, wanted, rng)
    return np.clip(share, 0.0, 1.0)


def _draw_day(
    share: FloatArray,
    history: History,
    habits: DriveHabits,
    when: date,
    wanted: float,
    rng: np.random.Generator,
) -> None:
    paths = share.shape[1]
    midnight = (
        datetime(when.year, when.month, when.day, tzinfo=UTC).timestamp()
        - history.utc_offset
        - history.at
    )
    now = -midnight
    spread = rng.normal(1.0, habits.ratio_spread, paths)
    length: FloatArray = np.maximum(wanted * habits.ratio * spread, 0.25 * wanted)
    kept: BoolArray = np.asarray(rng.random(paths) < habits.kept)
    start: FloatArray = np.asarray(rng.uniform(START_EARLIEST, START_LATEST, paths))
    if habits.starts:
        known = np.array(habits.starts)
        near = rng.choice(known, paths) + rng.normal(0.0, START_SPREAD, paths)
        own = rng.random(paths) < len(known) / (len(known) + 1.0)
        start = np.where(own, near, start)
    start = start * HOUR
    if now > 0:
        length, start, kept = _rest_of_today(
            habits, wanted, now, length, start, kept, rng
        )
    pick = np.flatnonzero(kept & (length > 0))
    first = np.where(
        length > PAUSE_FROM, length * rng.uniform(0.35, 0.65, paths), length
    )
    gap = rng.uniform(0.3, 1.5, paths) * HOUR
    if habits.pauses:
        gap = rng.choice(np.array(habits.pauses), paths) * HOUR
    begin = midnight + start
    _lay(share, pick, begin[pick], first[pick])
    second = begin + first + gap
    _lay(share, pick, second[pick], (length - first)[pick])


def _rest_of_today(
    habits: DriveHabits,
    wanted: float,
    now: float,
    length: FloatArray,
    start: FloatArray,
    kept: BoolArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Take off what was driven already; what is late begins soon or not at all."""
    paths = len(length)
    left = length - habits.driven_today
    done = habits.driven_today > 0 and (
        habits.driven_today >= wanted * habits.ratio - DONE_WITHIN
    )
    if done and not habits.driving:
        return np.zeros(paths), start, kept
    left = np.where(left > 0.1 * HOUR, left, 0.0)
    soon = now + rng.uniform(0.1, 2.0, paths) * HOUR
    if habits.driving:
        soon = np.full(paths, now)
    late = start < now
    start = np.where(late | (habits.driven_today > 0), soon, start)
    return left, start, kept & (start < LAST_HOUR * HOUR)
