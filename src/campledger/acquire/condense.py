"""
Polls to stored intervals, and the events worth telling: pure, no clock of its own.

An interval ends on a whole multiple of its length in uptime, so that sensors of one
pace share one axis; a poll belongs to the interval in which it was really made. An
interval without any poll is absent, never filled.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

STEP = 2.0
"""Smallest step of a current that is an event. [A] Job text D2."""
EVENT_DETAIL = 30
"""Readings kept on either side of an event, where there is no room for all. [1]"""
EXTREMES = frozenset({"current", "voltage"})
"""Quantities whose lowest and highest poll are kept beside the mean."""


@dataclass(frozen=True, kw_only=True)
class Interval:
    """One stored interval: where it ends in uptime, and what each channel read."""

    end: float
    values: Mapping[str, float]


def extreme_names(channel: str) -> tuple[str, str] | None:
    """
    Name the channels that hold the lowest and highest poll of a channel.

    Parameters
    ----------
    channel : str
        For instance ``current_house_a``.

    Returns
    -------
    names : (low, high) or None
        None where they are not kept.
    """
    parsed = parse_channel(channel)
    if parsed is None or parsed.qualifier or parsed.quantity not in EXTREMES:
        return None
    stem, _, unit = channel.rpartition("_")
    return f"{stem}_min_{unit}", f"{stem}_max_{unit}"


def stored_names(channels: Iterable[str], polls: int) -> tuple[str, ...]:
    """
    Name everything that intervals of some channels hold.

    Parameters
    ----------
    channels : iterable of str
        As polled.
    polls : int
        Polls an interval.

    Returns
    -------
    names : tuple of str
        The channels, and their extremes when there are several polls.
    """
    out: list[str] = []
    for name in channels:
        out.append(name)
        both = extreme_names(name) if polls > 1 else None
        out.extend(both or ())
    return tuple(out)


class Condenser:
    """
    Gather the polls of one sensor into intervals.

    Parameters
    ----------
    channels : sequence of str
        What the sensor reads.
    interval : float
        Length; 0 passes every poll on as it is. [s]
    polls : int
        Polls an interval; after that many it is complete.
    """

    def __init__(self, channels: Sequence[str], interval: float, polls: int) -> None:
        self.channels = tuple(channels)
        self.interval = interval
        self.polls = polls
        self._names = {c: extreme_names(c) if polls > 1 else None for c in channels}
        self._whole = {c for c in channels if c.startswith("state_")}
        self._index = -1
        self._done = -1
        self._held: list[Mapping[str, float]] = []

    def add(self, uptime: float, values: Mapping[str, float]) -> list[Interval]:
        """
        Take one poll.

        Parameters
        ----------
        uptime : float
            When it was made. [s]
        values : mapping of str to float
            By channel; NaN or absent = missing.

        Returns
        -------
        done : list of Interval
            None, one or two that are complete now.
        """
        if self.interval <= 0.0:
            return [Interval(end=uptime, values=dict(values))]
        index = max(math.ceil(uptime / self.interval), self._done + 1)
        out = []
        if self._held and index != self._index:
            out.append(self._close())
        self._index = index
        self._held.append(values)
        if len(self._held) >= self.polls:
            out.append(self._close())
        return out

    def finish(self) -> list[Interval]:
        """
        Close what is open.

        Returns
        -------
        done : list of Interval
            None or one.
        """
        return [self._close()] if self._held else []

    def _close(self) -> Interval:
        held, self._held = self._held, []
        self._done = self._index
        values: dict[str, float] = {}
        for name, both in self._names.items():
            polled = [v[name] for v in held if not math.isnan(v.get(name, math.nan))]
            if not polled:
                values[name] = math.nan
            elif name in self._whole:
                values[name] = polled[-1]
            else:
                values[name] = math.fsum(polled) / len(polled)
            if both:
                values[both[0]] = min(polled, default=math.nan)
                values[both[1]] = max(polled, default=math.nan)
        return Interval(end=self._index * self.interval, values=values)


@dataclass(frozen=True, kw_only=True)
class Happening:
    """
    An event seen in the readings.

    ``kind`` is step, state or cut-out; ``before`` and ``after`` in the channel's unit.
    """

    kind: str
    channel: str
    uptime: float
    before: float
    after: float


class Watcher:
    """
    Tell steps of currents, moves of switches and the house falling to its cut-out.

    Parameters
    ----------
    cutoff : float
        House volts at which loads disconnect. [V]
    """

    def __init__(self, cutoff: float) -> None:
        self._cutoff = cutoff
        self._last: dict[str, deque[float]] = {}

    def look(self, interval: Interval) -> list[Happening]:
        """
        Compare an interval with the two before it.

        Parameters
        ----------
        interval : Interval
            The next one.

        Returns
        -------
        seen : list of Happening
            Usually empty.
        """
        out = []
        for name, value in interval.values.items():
            if math.isnan(value):
                continue
            last = self._last.get(name)
            if last is None:
                self._last[name] = deque((value,), maxlen=2)
                continue
            kind = self._kind(name, last, value)
            if kind:
                before = last[0]
                out.append(
                    Happening(
                        kind=kind,
                        channel=name,
                        uptime=interval.end,
                        before=before,
                        after=value,
                    )
                )
                last.clear()
            last.append(value)
        return out

    def _kind(self, name: str, last: deque[float], value: float) -> str:
        if name.startswith("current_"):
            if name.endswith(("_min_a", "_max_a")):
                return ""
            step = max(abs(value - x) for x in last)
            return "step" if step >= STEP else ""
        if name.startswith("state_"):
            return "state" if value != last[-1] else ""
        if name == "voltage_house_v":
            return "cut-out" if value <= self._cutoff < last[-1] else ""
        return ""
