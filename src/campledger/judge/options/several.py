"""
Several trips together: each counts by its nights, the hottest and cloudiest apart.

A change that meets the need met it on every trip; one cool trip proves nothing for
summer, so the hottest and the cloudiest are shown for themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options.types import (
    BUY,
    CANNOT_TELL,
    NOTHING,
    Change,
    Outcome,
    Verdict,
)
from campledger.judge.options.verdict import code_of, describe, rank

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.judge.options.types import Options
    from campledger.model.rig import Rig


@dataclass(frozen=True, kw_only=True)
class TripOptions:
    """
    One trip of several: its nights, mean air [Cel] and sun a day [W.h], NaN unknown.

    ``options`` is what was said about it alone.
    """

    name: str
    nights: int
    air_mean: float
    sun_a_day: float
    options: Options


@dataclass(frozen=True, kw_only=True)
class Together:
    """
    One change over all trips; None stands for the trips as driven.

    ``nights_met`` of ``nights`` that could be told; hours a night, weighed by nights;
    ``lowest`` share and the trip it was on; ``missing`` trips could not be told.
    """

    change: Change | None
    nights: int
    nights_met: int
    below_a_night: float
    without_power_a_night: float
    lowest: float
    lowest_on: str
    mass: float | None
    missing: tuple[str, ...] = ()

    @property
    def met(self) -> bool:
        """Tell whether the need was met on every trip."""
        return self.nights > 0 and self.nights_met == self.nights and not self.missing


@dataclass(frozen=True, kw_only=True)
class Several:
    """What all trips together say, and the two that test a rig hardest."""

    trips: tuple[TripOptions, ...]
    baseline: Together
    options: tuple[Together, ...]
    verdict: Verdict
    hottest: TripOptions | None
    cloudiest: TripOptions | None


def together(trips: Sequence[TripOptions], rig: Rig) -> Several:
    """
    Put several trips together.

    Parameters
    ----------
    trips : sequence of TripOptions
        Each with the same changes asked.
    rig : Rig
        For words.

    Returns
    -------
    several : Several
        The verdict follows the order of a single trip's.

    References
    ----------
    Common practice, no source.
    """
    base = _sum(None, [(t, t.options.baseline) for t in trips])
    asked = [o.change for o in trips[0].options.options] if trips else []
    rows = tuple(_sum(c, [(t, _outcome(t, c)) for t in trips]) for c in asked)
    return Several(
        trips=tuple(trips),
        baseline=base,
        options=rows,
        verdict=_decide(base, rows, trips, rig),
        hottest=_most(trips, "air_mean", sign=1.0),
        cloudiest=_most(trips, "sun_a_day", sign=-1.0),
    )


def _outcome(trip: TripOptions, change: Change) -> Outcome | None:
    found = next((o for o in trip.options.options if o.change == change), None)
    return None if found is None or found.ranged else found.outcome


def _sum(
    change: Change | None, made: Sequence[tuple[TripOptions, Outcome | None]]
) -> Together:
    told = [(t, x) for t, x in made if x is not None]
    nights = sum(t.nights for t, _ in told)
    low = min(told, key=lambda p: p[1].soc_min.value, default=None)
    each = max(nights, 1)
    masses = [x.mass for _, x in told]
    return Together(
        change=change,
        nights=nights,
        nights_met=sum(t.nights for t, x in told if x.met),
        below_a_night=sum(x.hours_below_floor.value for _, x in told) / each,
        without_power_a_night=sum(x.hours_without_power.value for _, x in told) / each,
        lowest=low[1].soc_min.value if low is not None else float("nan"),
        lowest_on=low[0].name if low is not None else "",
        mass=masses[0] if masses else None,
        missing=tuple(t.name for t, x in made if x is None),
    )


def _most(
    trips: Sequence[TripOptions], name: str, *, sign: float
) -> TripOptions | None:
    known = [t for t in trips if np.isfinite(getattr(t, name))]
    return max(known, key=lambda t: sign * float(getattr(t, name)), default=None)


def _decide(
    base: Together, rows: Sequence[Together], trips: Sequence[TripOptions], rig: Rig
) -> Verdict:
    count = f"{len(trips)} trips, {base.nights} nights"
    if base.met:
        return Verdict(
            code=NOTHING,
            met=True,
            change=None,
            text=(
                f"Nothing to buy. On {count} the need was met; the lowest point was "
                f"{base.lowest:.0%}, on {base.lowest_on}."
            ),
        )
    failed = [t for t in trips if not t.options.baseline.met]
    unsure = [t for t in failed if not t.options.validation.accepted]
    short = f"{count}: the need was met on {base.nights_met} nights."
    if unsure:
        return Verdict(
            code=CANNOT_TELL,
            met=False,
            change=None,
            text=(
                f"{short} Can't tell what would have helped: on {unsure[0].name} "
                f"{unsure[0].options.validation.reason}."
            ),
        )
    told = [r for r in rows if r.nights and not r.missing and r.change is not None]
    if not told:
        return Verdict(
            code=CANNOT_TELL,
            met=False,
            change=None,
            text=f"{short} Can't tell: no change could be told on every trip.",
        )
    meets = sorted((r for r in told if r.met), key=_place)
    best = meets[0] if meets else min(told, key=lambda r: r.below_a_night)
    change = best.change or Change()
    found = "Enough on every trip with" if meets else "Nothing meets it; nearest:"
    return Verdict(
        code=code_of(change),
        met=bool(meets),
        change=change,
        text=f"{short} {found} {describe(change, rig)}.",
    )


def _place(row: Together) -> tuple[int, float]:
    change = row.change or Change()
    place = rank(change)
    mass = row.mass if row.mass is not None else 1e6
    return place, mass if change.kind == BUY else 0.0
