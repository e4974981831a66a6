"""
Many rigs side by side: who comes back hungry, what ages, and who is unlike the rest.

Only facts that a rig brings are compared; what it does not bring is said to be missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.estimates import Estimate

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

RIGS_LEAST = 5
"""Fewer rigs have no "rest" to be unlike of. Common practice, no source."""
DEVIATIONS = 3.0
"""Median absolute deviations (scaled to a standard deviation) beyond which a rig is
unlike the rest; the very conservative choice of Leys et al. 2013 (from memory)."""
TO_STANDARD = 1.4826
"""Scales the median absolute deviation to the standard deviation of a normal law:
1 / Phi^-1(3/4)."""
SHARE_LEAST = 0.20
"""A difference below this share of the median is nobody's concern. Common practice,
no source."""
MISSING = Estimate.missing("not in what was given")

FIGURES = {
    "out": ("taken out of the battery", "Ah a day"),
    "into": ("put into the battery", "Ah a day"),
    "resistance": ("resistance of the battery", "milliohm"),
    "capacity_share": ("capacity now", "of the rating"),
    "volts_min": ("lowest volts", "V"),
}
"""What is compared: words and the unit they are told in."""


@dataclass(frozen=True, kw_only=True)
class FleetFinding:
    """A fault of the fit-out, or a thing worth a look: id, title, what to do."""

    id: str
    title: str
    verdict: str
    next: str = ""


@dataclass(frozen=True, kw_only=True)
class AgePoint:
    """A battery on one trip: capacity A.h and resistance Ohm, NaN where not known."""

    time_utc: float
    capacity: Estimate = MISSING
    resistance: Estimate = MISSING


@dataclass(frozen=True, kw_only=True)
class PlaceTotal:
    """Charge of one place over the trip, A.h; ``role`` is in, out, or empty: unsaid."""

    name: str
    charge: float
    role: str = ""
    word: str = "measured"


@dataclass(frozen=True, kw_only=True)
class RigAccount:
    """
    One rig over one trip or span.

    Charges are A.h, volts V, shares 0..1; NaN = not in what was given. ``into`` and
    ``out`` are what the house battery took and gave. ``lines`` is the statement's
    total, ruled as there. ``covered`` is the share of the minutes that have a reading.
    """

    name: str
    kind: str
    start_utc: float
    end_utc: float
    covered: float = math.nan
    into: float = math.nan
    out: float = math.nan
    soc_end: Estimate = MISSING
    soc_min: float = math.nan
    floor: float = math.nan
    hours_below_floor: float = math.nan
    volts_min: float = math.nan
    capacity: Estimate = MISSING
    capacity_rated: float = math.nan
    resistance: Estimate = MISSING
    places: tuple[PlaceTotal, ...] = ()
    lines: tuple[tuple[str, float], ...] = ()
    findings: tuple[FleetFinding, ...] = ()
    findings_judged: bool = False
    ageing: tuple[AgePoint, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def days(self) -> float:
        """Give the length of the span in days."""
        return max((self.end_utc - self.start_utc) / 86400.0, 1e-9)

    @property
    def covered_days(self) -> float:
        """Give the days that were recorded; NaN if not known."""
        return self.days * self.covered

    @property
    def wanting(self) -> float:
        """Give the charge that is to be put back on return. [A.h]"""
        return (1.0 - self.soc_end.value) * self.capacity.value

    def figure(self, name: str) -> float:
        """Give one of ``FIGURES`` in the unit it is told in."""
        days = self.covered_days
        enough = days > 0.0
        return {
            "out": self.out / days if enough else math.nan,
            "into": self.into / days if enough else math.nan,
            "resistance": self.resistance.value * 1000.0,
            "capacity_share": self.capacity.value / self.capacity_rated,
            "volts_min": self.volts_min,
        }[name]


@dataclass(frozen=True, kw_only=True)
class Difference:
    """A figure of a rig that is unlike the rest, beside the median of all."""

    figure: str
    value: float
    median: float
    spread: float


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """
    Rigs, hungriest first; ``known`` of them have a state of charge on return.

    ``medians`` by figure; ``differences`` by the index of the rig.
    """

    rigs: tuple[RigAccount, ...]
    known: int
    medians: Mapping[str, float]
    differences: tuple[tuple[Difference, ...], ...]
    refused: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)


def compare_rigs(
    accounts: Iterable[RigAccount],
    *,
    refused: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> Fleet:
    """
    Lay rigs side by side.

    Parameters
    ----------
    accounts : iterable of RigAccount
        In any order.
    refused : sequence of str, optional
        Sources that could not be read, one line each.
    notes : sequence of str, optional
        What holds for all.

    Returns
    -------
    fleet : Fleet
        Sorted by the state of charge on return, lowest first; rigs without one follow,
        sorted by the net charge of the span, for which no order among the others is
        claimed.

    References
    ----------
    .. [1] C. Leys et al., "Detecting outliers: Do not use standard deviation around the
       mean, use absolute deviation around the median", J. Exp. Soc. Psychol. 49 (2013),
       764-766 (from memory).
    """
    rigs = sorted(accounts, key=_hunger)
    table = {name: np.array([r.figure(name) for r in rigs]) for name in FIGURES}
    medians = {n: float(np.nanmedian(v)) for n, v in table.items() if _some(v)}
    return Fleet(
        rigs=tuple(rigs),
        known=sum(math.isfinite(r.soc_end.value) for r in rigs),
        medians=medians,
        differences=tuple(
            tuple(_differences(i, table, medians)) for i in range(len(rigs))
        ),
        refused=tuple(refused),
        notes=tuple(notes),
    )


def _hunger(rig: RigAccount) -> tuple[int, float, str]:
    if math.isfinite(rig.soc_end.value):
        return (0, rig.soc_end.value, rig.name)
    net = rig.into - rig.out
    return (1, net, rig.name) if math.isfinite(net) else (2, 0.0, rig.name)


def _some(values: np.ndarray) -> bool:
    return bool(np.isfinite(values).any())


def _differences(
    index: int, table: Mapping[str, np.ndarray], medians: Mapping[str, float]
) -> Iterable[Difference]:
    for name, median in medians.items():
        known = table[name][np.isfinite(table[name])]
        value = float(table[name][index])
        if len(known) < RIGS_LEAST or not math.isfinite(value):
            continue
        spread = TO_STANDARD * float(np.median(np.abs(known - median)))
        away = abs(value - median)
        if away > DEVIATIONS * spread and away > SHARE_LEAST * abs(median):
            yield Difference(figure=name, value=value, median=median, spread=spread)


@dataclass(frozen=True, kw_only=True)
class Ageing:
    """
    What the battery lost or gained from the first trip to the last.

    ``sure`` only if the two intervals do not touch; without intervals nothing is sure.
    """

    quantity: str
    first: Estimate
    last: Estimate
    trips: int
    sure: bool


def ageing_of(points: Sequence[AgePoint]) -> tuple[Ageing, ...]:
    """Compare the first and the last trip that know a quantity."""
    out = []
    for quantity in ("capacity", "resistance"):
        known = [
            (p.time_utc, e)
            for p in points
            if math.isfinite((e := getattr(p, quantity)).value)
        ]
        if len(known) < 2:
            continue
        known.sort(key=lambda pair: pair[0])
        first, last = known[0][1], known[-1][1]
        apart = last.hi < first.lo or last.lo > first.hi
        out.append(
            Ageing(
                quantity=quantity,
                first=first,
                last=last,
                trips=len(known),
                sure=bool(apart),
            )
        )
    return tuple(out)
