"""Events into the store: few enough to keep for ever, with detail if rows are not."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from campledger.acquire.condense import EVENT_DETAIL, Watcher

if TYPE_CHECKING:
    from collections.abc import Callable

    from campledger.acquire.condense import Happening, Interval

AN_HOUR = 60
"""Events of one channel that are listed in an hour; more are counted. Common practice,
no source."""
HOUR = 3600.0


@dataclass(kw_only=True)
class _Open:
    """An event that waits for the readings after it."""

    happening: Happening
    wall: float
    before: list[tuple[float, float]]
    after: list[tuple[float, float]] = field(default_factory=list)


class EventLog:
    """
    Watch intervals and put down what happened.

    Parameters
    ----------
    cutoff : float
        House volts at which loads disconnect. [V]
    put : callable
        Takes kind, wall time (NaN if the clock said nothing) and a body.
    """

    def __init__(
        self, cutoff: float, put: Callable[[str, float, dict[str, object]], None]
    ) -> None:
        self.watcher = Watcher(cutoff)
        self.put = put
        self.detailed = False
        self.unlisted = 0
        self._recent: dict[str, deque[tuple[float, float]]] = {}
        self._open: list[_Open] = []
        self._hour: dict[str, tuple[int, int]] = {}

    def look(self, interval: Interval, wall: float) -> list[Happening]:
        """Look at an interval; gives what was seen in it."""
        if self.detailed:
            self._follow(interval)
        seen = self.watcher.look(interval)
        for one in seen:
            if not self._listed(one):
                self.unlisted += 1
            elif self.detailed:
                before = list(self._recent.get(one.channel, ()))
                self._open.append(_Open(happening=one, wall=wall, before=before))
            else:
                self.put(one.kind, wall, _body(one))
        return seen

    def finish(self) -> None:
        """Put down what still waits."""
        for one in self._open:
            self._close(one)
        self._open = []

    def _listed(self, one: Happening) -> bool:
        hour = int(one.uptime // HOUR)
        known, count = self._hour.get(one.channel, (hour, 0))
        count = count + 1 if known == hour else 1
        self._hour[one.channel] = (hour, count)
        return count <= AN_HOUR

    def _follow(self, interval: Interval) -> None:
        for name, value in interval.values.items():
            recent = self._recent.setdefault(name, deque(maxlen=EVENT_DETAIL))
            recent.append((interval.end, value))
        still = []
        for one in self._open:
            later = interval.values.get(one.happening.channel)
            if later is not None:
                one.after.append((interval.end, later))
            if len(one.after) >= EVENT_DETAIL:
                self._close(one)
            else:
                still.append(one)
        self._open = still

    def _close(self, one: _Open) -> None:
        rows = [*one.before, *one.after]
        body = _body(one.happening)
        body["uptimes_s"] = [up for up, _ in rows]
        body["readings"] = [None if math.isnan(v) else v for _, v in rows]
        self.put(one.happening.kind, one.wall, body)


def _body(one: Happening) -> dict[str, object]:
    return {
        "channel": one.channel,
        "uptime_s": one.uptime,
        "before": one.before,
        "after": one.after,
    }
