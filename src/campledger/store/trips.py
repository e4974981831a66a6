"""Where trips begin and end: frozen plans, else runs of readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.store import boots as bt
from campledger.store.types import Trip

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from campledger.store.file import StoreFile
    from campledger.store.types import FrozenPlan

TRIP_HOLE = 72 * 3600.0
"""A longer hole, or idle span, ends a trip. [s] (contract, section 0)"""

Span = tuple[float, float]


def runs(file: StoreFile) -> list[Span]:
    """Give the spans of dated readings, joined where holes are below an hour."""
    with file.reading() as db:
        clocks = bt.clocks(db)
        found = db.execute(
            "select boot, first, last from grp union all "
            "select boot, min(first), max(last) from window group by boot"
        ).fetchall()
    spans = []
    for boot, first, last in found:
        if boot in clocks:
            start, end = clocks[boot].at(np.array([first, last]))
            spans.append((float(start), float(end)))
    return join(spans, 3600.0)


def join(
    spans: Sequence[Span], hole: float, *, walls: Sequence[float] = ()
) -> list[Span]:
    """Join spans with no longer hole, and no wall, between them."""
    out: list[Span] = []
    for start, end in sorted(spans):
        wall = any(out[-1][1] <= w <= start for w in walls) if out else False
        if out and not wall and start - out[-1][1] <= hole:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out


def plan_trips(plans: Sequence[FrozenPlan], stretches: Sequence[Span]) -> list[Trip]:
    """Make a trip of every frozen plan (its first freeze) that has readings."""
    trips = []
    for plan in plans:
        if plan.revision > 1:
            continue
        last = [
            min(b, plan.end_utc)
            for a, b in stretches
            if a < plan.end_utc and b > plan.start_utc
        ]
        if last:
            trips.append(
                Trip(
                    start_utc=plan.start_utc,
                    end_utc=plan.end_utc,
                    name=plan.name,
                    plan=plan.fingerprint,
                    last_reading_utc=max(last),
                )
            )
    return trips


def find_trips(
    stretches: Sequence[Span],
    planned: Sequence[Trip],
    idle: Callable[[float, float], Sequence[Span]] | None,
) -> tuple[Trip, ...]:
    """Fill the time outside frozen plans with runs of readings."""
    trips = list(planned)
    free = subtract(stretches, [(p.start_utc, p.end_utc) for p in planned])
    for start, end in join(free, TRIP_HOLE, walls=[p.start_utc for p in planned]):
        storage: list[Span] = []
        if idle is not None:
            storage = [s for s in idle(start, end) if s[1] - s[0] >= TRIP_HOLE]
        trips.extend(
            Trip(start_utc=a, end_utc=b, last_reading_utc=b)
            for a, b in subtract([(start, end)], storage)
        )
    return tuple(sorted(trips, key=lambda t: t.start_utc))


def subtract(spans: Sequence[Span], holes: Sequence[Span]) -> list[Span]:
    """Take holes out of spans."""
    out = list(spans)
    for a, b in holes:
        left: list[Span] = []
        for start, end in out:
            if b <= start or a >= end:
                left.append((start, end))
                continue
            if start < a:
                left.append((start, a))
            if b < end:
                left.append((b, end))
        out = left
    return out
