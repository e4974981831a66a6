"""
From intervals to the store: rows, windows, and what is kept when there is no room.

Rows of one pace share an axis. A window is saved before the oldest reading in it is
older than the owner allows. Without room for all, minutes are kept instead of seconds;
without any room, everything waits in memory and the trouble is told.
"""

from __future__ import annotations

import logging
import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import StoreBusyError, StoreError
from campledger.store import Rows, StoreFullError, Window

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from campledger.acquire.poll import Taken
    from campledger.model.series import BoolArray, FloatArray
    from campledger.store import Store

log = logging.getLogger(__name__)

HOLD = 0.5
"""A row may still grow for so long after its end. [s]"""
MINUTE = 60.0
IN_MEMORY = 7200
"""Rows that wait in full while nothing can be saved; older ones become minutes. [1]"""
MINUTES_IN_MEMORY = 7 * 1440
"""Minutes that wait; beyond, the oldest are given up and counted. [1]"""


def to_minutes(rows: Rows) -> Rows:
    """Condense rows to whole minutes of uptime: mean, lowest and highest."""
    ends = np.ceil(rows.uptime / MINUTE) * MINUTE
    uptime, first = np.unique(ends, return_index=True)
    last = np.append(first[1:], len(ends))
    spans = list(zip(first.tolist(), last.tolist(), strict=True))

    def each(value: FloatArray, what: Callable[[FloatArray], float]) -> FloatArray:
        return np.array([_over(value[a:b], what) for a, b in spans])

    values: dict[str, FloatArray] = {}
    for name, value in rows.values.items():
        if "_min_" in name:
            values[name] = each(value, np.min)
        elif "_max_" in name:
            values[name] = each(value, np.max)
        else:
            values[name] = each(value, np.mean)
    wall = rows.wall
    if wall is not None:
        wall = wall[last - 1] + (uptime - rows.uptime[last - 1])
    return Rows(uptime=uptime, wall=wall, values=values)


def _over(part: FloatArray, what: Callable[[FloatArray], float]) -> float:
    good = part[np.isfinite(part)]
    return float(what(good)) if good.size else math.nan


@dataclass(kw_only=True)
class Pace:
    """Rows of one pace that are not saved yet; ``names`` is what each of them holds."""

    names: tuple[str, ...]
    rows: dict[float, dict[str, float]]
    wall: dict[float, float]
    done: float = -math.inf


class Keeper:
    """
    Gather intervals of one boot into rows and save them by windows.

    Parameters
    ----------
    store : Store
        Open as the daemon.
    boot : int
        Id of the boot.
    paces : mapping of float to tuple of str
        The channels that share rows, by interval; of a replay the pace is 0.
    sampling : str
        ``mean`` or ``point``.
    """

    def __init__(
        self,
        store: Store,
        boot: int,
        paces: Mapping[float, tuple[str, ...]],
        *,
        sampling: str = "mean",
        after: float = -math.inf,
    ) -> None:
        self.store = store
        self.boot = boot
        self.sampling = sampling
        self.paces = {
            pace: Pace(names=names, rows={}, wall={}, done=after)
            for pace, names in paces.items()
        }
        self.waiting: deque[tuple[Rows, ...]] = deque()
        self.late = 0
        self.given_up = 0
        self.saved_rows = 0
        self.low = False
        self.not_saved_since = math.nan
        self.trouble = ""
        self._minute: dict[float, list[Rows]] = {}

    def add(self, taken: Taken) -> bool:
        """Put an interval into its row; False if it came too late or twice."""
        pace = self.paces[taken.pace]
        end = taken.interval.end
        row = pace.rows.get(end)
        if end <= pace.done or (row is not None and row.keys() & taken.interval.values):
            self.late += 1
            return False
        if row is None:
            pace.rows[end] = dict(taken.interval.values)
        else:
            row.update(taken.interval.values)
        pace.wall[end] = taken.wall
        return True

    @property
    def saved_to(self) -> float:
        """Give the end of the last row of the fastest pace that was handed on."""
        return self.paces[min(self.paces)].done

    @property
    def held(self) -> int:
        """Count rows that are not handed to the store."""
        return sum(len(p.rows) for p in self.paces.values())

    def flush(self, uptime: float, state: bytes | None, *, last: bool = False) -> bool:
        """Save every finished row; True if all that waited is on the disk."""
        limit = math.inf if last else uptime - HOLD
        parts = [self._rows(key, limit) for key in self.paces]
        found = [p for p in parts if p is not None]
        if self.low:
            found = self._minutes(found, last=last)
        if found:
            self.waiting.append(tuple(found))
        return self._save(uptime, state)

    def _rows(self, key: float, limit: float) -> Rows | None:
        pace = self.paces[key]
        ends = sorted(e for e in pace.rows if key <= 0.0 or e <= limit)
        if not ends:
            return None
        taken = [pace.rows.pop(e) for e in ends]
        wall = np.array([pace.wall.pop(e) for e in ends])
        pace.done = ends[-1]
        values = {
            name: np.array([row.get(name, math.nan) for row in taken])
            for name in pace.names
        }
        return Rows(uptime=np.array(ends), values=values, wall=wall)

    def _minutes(self, found: list[Rows], *, last: bool) -> list[Rows]:
        """Hold rows until their minute is whole; there is room for minutes only."""
        out = []
        for rows in found:
            key = hash(tuple(rows.values))
            held = self._minute.pop(key, [])
            joined = join_rows([*held, rows])
            whole = joined.uptime <= math.floor(joined.uptime[-1] / MINUTE) * MINUTE
            if last:
                whole[:] = True
            if whole.any():
                out.append(to_minutes(pick_rows(joined, whole)))
            if not whole.all():
                self._minute[key] = [pick_rows(joined, ~whole)]
        return out

    def _save(self, uptime: float, state: bytes | None) -> bool:
        while self.waiting:
            parts = self.waiting[0]
            kept = state if len(self.waiting) == 1 else None
            try:
                self.store.append_window(
                    Window(
                        boot=self.boot, rows=parts, sampling=self.sampling, state=kept
                    )
                )
            except (StoreFullError, StoreBusyError) as error:
                self._wait(uptime, error)
                return False
            self.waiting.popleft()
            self.saved_rows += sum(len(r.uptime) for r in parts)
        if not math.isnan(self.not_saved_since):
            log.warning("saving again; %d minutes were given up", self.given_up)
        self.not_saved_since, self.trouble = math.nan, ""
        return True

    def _wait(self, uptime: float, error: StoreError) -> None:
        if math.isnan(self.not_saved_since):
            self.not_saved_since = float(min(r.uptime[0] for r in self.waiting[0]))
            log.error("NOT SAVED: %s", error)
        self.trouble = str(error)
        rows = sum(len(r.uptime) for w in self.waiting for r in w)
        if rows > IN_MEMORY and len(self.waiting) > 1:
            self._shorten()

    def _shorten(self) -> None:
        """Turn all but the newest window into minutes; at most a week waits."""
        newest = self.waiting.pop()
        groups: dict[tuple[str, ...], list[Rows]] = {}
        for window in self.waiting:
            for rows in window:
                groups.setdefault(tuple(rows.values), []).append(rows)
        minutes = [to_minutes(join_rows(parts)) for parts in groups.values()]
        over = [max(len(m.uptime) - MINUTES_IN_MEMORY, 0) for m in minutes]
        self.given_up += sum(over)
        minutes = [
            pick_rows(m, np.arange(len(m.uptime)) >= n)
            for m, n in zip(minutes, over, strict=True)
        ]
        self.waiting = deque([tuple(minutes), newest])


def pick_rows(rows: Rows, pick: BoolArray) -> Rows:
    """Give some of the rows."""
    return Rows(
        uptime=rows.uptime[pick],
        wall=None if rows.wall is None else rows.wall[pick],
        values={name: v[pick] for name, v in rows.values.items()},
    )


def join_rows(parts: Sequence[Rows]) -> Rows:
    """Put rows of the same channels one after the other."""
    walls = []
    for part in parts:
        unsaid = np.full(len(part.uptime), np.nan)
        walls.append(unsaid if part.wall is None else part.wall)
    return Rows(
        uptime=np.concatenate([p.uptime for p in parts]),
        wall=np.concatenate(walls),
        values={
            n: np.concatenate([p.values[n] for p in parts]) for n in parts[0].values
        },
    )
