"""
Past answers against what happened: every few hours over a stored trip, and by evening.

What happened is told by the trip's own count of the battery, or by a given truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.enough_types import CANNOT_TELL, NO, YES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from campledger.judge.enough_types import Enough
    from campledger.model.series import FloatArray

HOUR, DAY = 3600.0, 86400.0
EVENING = 18.0
"""Clock hour of the evening count. Contract of the one plain line. [h]"""
EVERY = 3.0 * HOUR
COVERED_LEAST = 0.9
WORDS = {YES: "yes", NO: "no", "too_close": "too close to call"}


@dataclass(frozen=True, kw_only=True)
class PastVerdict:
    """
    One past answer: when, until when, what was said, and whether it lasted.

    ``lasted`` is None where the record does not say, or where the battery was below
    the floor already when it was asked. ``evening`` marks the answer of 6 pm.
    """

    at: float
    until: float
    verdict: str
    chance: float
    lasted: bool | None
    evening: bool

    @property
    def right(self) -> bool | None:
        """Whether a yes or a no came true; None for the other verdicts."""
        if self.lasted is None or self.verdict not in {YES, NO}:
            return None
        return self.lasted == (self.verdict == YES)


@dataclass(frozen=True, kw_only=True)
class Backtest:
    """All past answers of a trip and the line that counts evenings."""

    answers: tuple[PastVerdict, ...]
    line: str
    brier: float

    @property
    def judged(self) -> tuple[PastVerdict, ...]:
        """Answers of which the record says what happened."""
        return tuple(a for a in self.answers if a.lasted is not None)


def moments(
    start: float, end: float, utc_offset: float, *, every: float = EVERY
) -> list[float]:
    """
    Give the moments to ask at, on the clock's whole steps, 6 pm among them.

    Parameters
    ----------
    start, end : float
        Bounds of the trip. [s]
    utc_offset : float
        Rig time less UTC. [s]
    every : float
        Step; 24 h must be a multiple of it. [s]

    Returns
    -------
    times : list of float
        Increasing, inside the trip. [s]
    """
    shift = EVENING * HOUR
    first = np.ceil((start + utc_offset - shift) / every)
    last = np.floor((end + utc_offset - shift) / every)
    steps = np.arange(first, last + 1)
    times = steps * every + shift - utc_offset
    return [float(t) for t in times if start < t < end]


def is_evening(at: float, utc_offset: float) -> bool:
    """Tell whether a moment is 6 pm by the rig's clock."""
    clock = np.mod(at + utc_offset, DAY)
    return bool(abs(clock - EVENING * HOUR) < 1.0)


def lasted(
    minute_utc: FloatArray,
    soc: FloatArray,
    floor: float,
    at: float,
    until: float,
) -> bool | None:
    """
    Tell whether a battery stayed at or above the floor.

    Parameters
    ----------
    minute_utc : (m,) float64
        Minutes of the trip. [s]
    soc : (m,) float64
        As counted afterwards, NaN where unknown. [1]
    floor : float
        Share of the capacity. [1]
    at, until : float
        From when to when. [s]

    Returns
    -------
    lasted : bool or None
        None if it was below already, or the record does not cover it.
    """
    if until > minute_utc[-1] + 60.0:
        return None
    inside = (minute_utc >= at) & (minute_utc <= until)
    part = soc[inside]
    good = part[np.isfinite(part)]
    if good.size == 0 or good.size < COVERED_LEAST * inside.sum() or good[0] <= floor:
        return None
    return bool(good.min() >= floor)


def backtest(
    ask: Callable[[float], Enough],
    times: Iterable[float],
    minute_utc: FloatArray,
    soc: FloatArray,
    floor: float,
) -> Backtest:
    """
    Ask at past moments and compare.

    Parameters
    ----------
    ask : callable
        Gives the answer as it would have been at a moment, from earlier readings only.
    times : iterable of float
        From `moments`. [s]
    minute_utc, soc : (m,) float64
        What happened: time [s] and state of charge as counted afterwards [1].
    floor : float
        Share of the capacity. [1]

    Returns
    -------
    result : Backtest
        With its plain line.
    """
    out = []
    for at in times:
        said = ask(at)
        out.append(
            PastVerdict(
                at=at,
                until=said.until,
                verdict=said.verdict,
                chance=said.chance_lasts,
                lasted=lasted(minute_utc, soc, floor, at, said.until),
                evening=is_evening(at, said.utc_offset),
            )
        )
    judged = [a for a in out if a.lasted is not None and np.isfinite(a.chance)]
    brier = float("nan")
    if judged:
        brier = float(
            np.mean([(a.chance - float(bool(a.lasted))) ** 2 for a in judged])
        )
    return Backtest(answers=tuple(out), line=evening_line(out), brier=brier)


def evening_line(answers: Sequence[PastVerdict]) -> str:
    """
    Count evenings in one plain line.

    Parameters
    ----------
    answers : sequence of PastVerdict
        All answers; only those of 6 pm count.

    Returns
    -------
    line : str
        Evenings whose outcome is not in the record are named apart.
    """
    evenings = [a for a in answers if a.evening]
    if not evenings:
        return "Never asked at 6 pm: the record holds no evening."
    judged = [a for a in evenings if a.lasted is not None]
    parts = []
    for verdict in (YES, NO):
        said = [a for a in judged if a.verdict == verdict]
        if said:
            right = sum(bool(a.right) for a in said)
            parts.append(f"{verdict} on {_evenings(len(said))}, right on {right}")
    close = sum(a.verdict == "too_close" for a in judged)
    if close:
        parts.append(f"too close to call on {close}")
    blind = sum(a.verdict == CANNOT_TELL for a in evenings)
    if blind:
        parts.append(f"can't tell on {blind}")
    silent = len(evenings) - len(judged)
    tail = ""
    if silent:
        tail = f" {_evenings(silent).capitalize()} more can't be judged."
    said_all = "; ".join(parts) or "no evening can be judged"
    return (
        f"Asked every evening at 6 pm: {said_all} "
        f"(by our own count of the battery).{tail}"
    )


def _evenings(count: int) -> str:
    return f"{count} evening" if count == 1 else f"{count} evenings"
