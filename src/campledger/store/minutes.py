"""Minute summaries of a span: from stored summaries, without touching the readings."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from campledger.model.integrate import cumulative
from campledger.model.series import MINUTE, FloatArray, Minutes
from campledger.store.reader import Piece, Snapshot
from campledger.store.summary import (
    Extremes,
    Summary,
    pack_summary,
    summarise,
    unpack_arrays,
)
from campledger.store.writer import carry_before, extremes_of, write_summary

if TYPE_CHECKING:
    from campledger.model.clock import BootClock
    from campledger.model.rig import Correction
    from campledger.store.file import StoreFile

LOOKAROUND = 900.0
"""Readings taken along on both sides of a minute that is made again. [s]"""


@dataclass(frozen=True, kw_only=True)
class StoredMinutes:
    """A row of the table ``minutes`` with the range of its block."""

    group: int
    first: float
    last: float
    origin: float
    rate: float
    carry: float | None
    tail: float | None
    charge: float
    covered: float
    first_minute: int
    blob: bytes

    @classmethod
    def of(cls, row: tuple[Any, ...]) -> StoredMinutes:
        """Name the columns of a row."""
        return cls(**dict(zip(_FIELDS, row, strict=True)))


_SQL = (
    "select g.id, g.first, g.last, m.origin, m.rate, m.carry, m.tail, m.charge, "
    "m.covered, m.first_minute, m.blob from grp g join minutes m on m.grp = g.id "
    "join channel n on n.id = m.channel where n.name = ? and g.boot = ? "
    "and g.last >= ? and g.first <= ? order by g.first, g.id"
)


class Builder:
    """Adds up summaries on a minute grid."""

    def __init__(self, grid: FloatArray) -> None:
        self.grid = grid
        self.offset = round(grid[0] / MINUTE)
        count = len(grid)
        self.charge, self.covered = np.zeros(count), np.zeros(count)
        self.low, self.high = np.full(count, np.nan), np.full(count, np.nan)

    def add(self, first_minute: int, arrays: tuple[FloatArray, ...]) -> None:
        """Add what a block knows."""
        at = first_minute - self.offset
        a, b = max(at, 0), min(at + len(arrays[0]), len(self.grid))
        if b <= a:
            return
        cut = slice(a - at, b - at)
        self.charge[a:b] += arrays[0][cut]
        self.covered[a:b] += arrays[1][cut]
        self.low[a:b] = np.fmin(self.low[a:b], arrays[2][cut])
        self.high[a:b] = np.fmax(self.high[a:b], arrays[3][cut])

    def put(self, index: int, values: tuple[float, float, float, float]) -> None:
        """Set one minute that was made again."""
        self.charge[index], self.covered[index] = values[0], values[1]
        self.low[index], self.high[index] = values[2], values[3]

    def correct(self, fix: Correction) -> None:
        """Apply a correction to the minutes that lie inside it."""
        start = -math.inf if fix.start_utc is None else fix.start_utc
        end = math.inf if fix.end_utc is None else fix.end_utc
        inside = (self.grid - MINUTE >= start) & (self.grid <= end)
        charge = fix.scale * self.charge + fix.offset * self.covered
        low = fix.scale * self.low + fix.offset
        high = fix.scale * self.high + fix.offset
        if fix.scale < 0:
            low, high = high, low
        self.charge = np.where(inside, charge, self.charge)
        self.low = np.where(inside, low, self.low)
        self.high = np.where(inside, high, self.high)

    def result(self) -> Minutes:
        """Give the finished arrays."""
        mean = 0.5 * (self.low + self.high)
        some = self.covered > 0
        mean[some] = self.charge[some] / self.covered[some]
        return Minutes(
            mean=mean,
            low=self.low,
            high=self.high,
            charge=self.charge,
            covered=np.minimum(self.covered, MINUTE),
        )


class MinuteMap(Mapping[str, Minutes]):
    """Channels of a span by minute; each is loaded when it is first asked for."""

    def __init__(self, snapshot: Snapshot, grid: FloatArray) -> None:
        self.snapshot = snapshot
        self.grid = grid
        self.known: dict[str, Minutes] = {}

    def __getitem__(self, name: str) -> Minutes:
        """Load a channel, or give what was loaded."""
        if name not in self.snapshot.channels:
            raise KeyError(name)
        if name not in self.known:
            self.known[name] = load_minutes(self.snapshot, name, self.grid)
        return self.known[name]

    def __contains__(self, name: object) -> bool:
        """Tell whether a channel has readings, without loading it."""
        return name in self.snapshot.channels

    def __iter__(self) -> Iterator[str]:
        """Name the channels."""
        return iter(self.snapshot.channels)

    def __len__(self) -> int:
        """Count the channels."""
        return len(self.snapshot.channels)


def load_minutes(snapshot: Snapshot, name: str, grid: FloatArray) -> Minutes:
    """Put the summaries of a channel on a grid; corrected."""
    builder = Builder(grid)
    for boot, clock in snapshot.clocks.items():
        for summary, arrays in boot_summaries(snapshot, name, boot, clock):
            builder.add(summary, arrays)
    for fix in snapshot.corrections:
        if fix.channel == name:
            builder.correct(fix)
    for index in _cut_minutes(snapshot, name, grid):
        builder.put(index, _again(snapshot, name, grid[index]))
    return builder.result()


def boot_summaries(
    snapshot: Snapshot, name: str, boot: int, clock: BootClock
) -> Iterator[tuple[int, tuple[FloatArray, ...]]]:
    """Give first minute and arrays of every block and the windows of a boot."""
    a, b = snapshot.bounds(clock, margin=MINUTE)
    with snapshot.file.reading() as db:
        rows = db.execute(_SQL, (name, boot, a, b)).fetchall()
    found = [StoredMinutes.of(row) for row in rows]
    for cluster, before in clusters(found):
        row = cluster[0]
        dated = row.origin == clock.origin and row.rate == clock.rate
        if dated and len(cluster) == 1 and follows(row, before):
            yield row.first_minute, unpack_arrays(row.blob)
        else:
            made = remake(snapshot, name, boot, cluster, clock)
            yield made.first_minute, arrays_of(made)
    for sampling, recent in snapshot.recent.get(boot, ()):
        if name in recent.values:
            with snapshot.file.reading() as db:
                carry = carry_before(db, boot, name, float(recent.uptime[0]))
            made = summarise(
                recent.uptime,
                recent.values[name],
                clock=clock,
                sampling=sampling,
                carry=carry,
                extremes=extremes_of(name, recent.values),
            )
            yield made.first_minute, arrays_of(made)


_FIELDS = tuple(StoredMinutes.__dataclass_fields__)


def arrays_of(summary: Summary) -> tuple[FloatArray, ...]:
    """Give the four arrays of a summary in the order in which they are packed."""
    return summary.charge, summary.covered, summary.low, summary.high


def clusters(
    rows: list[StoredMinutes],
) -> Iterator[tuple[list[StoredMinutes], StoredMinutes | None]]:
    """Group blocks whose ranges overlap; each with the block before it."""
    before: StoredMinutes | None = None
    current: list[StoredMinutes] = []
    reach = -math.inf
    for row in rows:
        if current and row.first > reach:
            yield current, before
            before = max(current, key=lambda r: r.last)
            current = []
        current.append(row)
        reach = max(reach, row.last)
    if current:
        yield current, before


def follows(row: StoredMinutes, before: StoredMinutes | None) -> bool:
    """Tell whether a summary was made with the block that lies before it now."""
    if before is None:
        return True
    if row.carry is not None:
        return row.carry == before.tail
    return before.group < row.group


def remake(
    snapshot: Snapshot,
    name: str,
    boot: int,
    cluster: list[StoredMinutes],
    clock: BootClock,
) -> Summary:
    """Condense blocks again after their dating or their neighbours changed."""
    first = min(r.first for r in cluster)
    last = max(r.last for r in cluster)
    wanted = {r.group for r in cluster}
    pieces = [p for p in snapshot.sealed(name, boot, first, last) if p.group in wanted]
    with snapshot.file.reading() as db:
        carry = carry_before(db, boot, name, first)
    uptime, value, low, high = _joined(snapshot, name, pieces)
    return summarise(
        uptime,
        value,
        clock=clock,
        sampling=pieces[0].sampling,
        carry=carry,
        extremes=Extremes(low=low, high=high),
    )


def refresh(file: StoreFile, *, most: int = 1000) -> int:
    """
    Make the summaries again that were made before their boot was dated as it is now.

    Each is written in its own short transaction; gives how many were made (at most
    ``most``). Reading does without, only slower.
    """
    made = 0
    whole = Snapshot(file, -math.inf, math.inf)
    for boot, clock in whole.clocks.items():
        with file.reading() as db:
            stale = db.execute(
                "select m.grp, m.channel, n.name from minutes m join grp g "
                "on g.id = m.grp join channel n on n.id = m.channel "
                "where g.boot = ? and (m.origin <> ? or m.rate <> ?) limit ?",
                (boot, clock.origin, clock.rate, most - made),
            ).fetchall()
        for group, channel, name in stale:
            _refresh_one(whole, name, (boot, group, channel), clock)
        made += len(stale)
        if made >= most:
            break
    return made


def _refresh_one(
    whole: Snapshot, name: str, where: tuple[int, int, int], clock: BootClock
) -> None:
    boot, group, channel = where
    with whole.file.reading() as db:
        row = db.execute(
            "select g.id, g.first, g.last, m.origin, m.rate, m.carry, m.tail, m.charge,"
            " m.covered, m.first_minute, x'' from grp g join minutes m on m.grp = g.id "
            "where g.id = ? and m.channel = ?",
            (group, channel),
        ).fetchone()
    summary = remake(whole, name, boot, [StoredMinutes.of(row)], clock)
    with whole.file.transaction() as db:
        write_summary(db, group, channel, summary, pack_summary(summary))


def _joined(
    snapshot: Snapshot, name: str, pieces: list[Piece]
) -> tuple[FloatArray, FloatArray, FloatArray | None, FloatArray | None]:
    if len(pieces) == 1:
        piece = pieces[0]
        low, high = snapshot.extremes(name, piece.group)
        return piece.uptime, piece.value, low, high
    uptime = np.concatenate([p.uptime for p in pieces])
    value = np.concatenate([p.value for p in pieces])
    order = np.lexsort((np.isnan(value), uptime))
    uptime, value = uptime[order], value[order]
    keep = np.concatenate(([True], np.diff(uptime) > 0))
    return uptime[keep], value[keep], None, None


def _cut_minutes(snapshot: Snapshot, name: str, grid: FloatArray) -> list[int]:
    """Find the minutes that the span or a correction cuts."""
    cuts = [snapshot.start, snapshot.end]
    for fix in snapshot.corrections:
        if fix.channel == name:
            cuts += [x for x in (fix.start_utc, fix.end_utc) if x is not None]
    index = {
        math.ceil((x - grid[0]) / MINUTE)
        for x in cuts
        if math.isfinite(x) and x % MINUTE
    }
    return sorted(k for k in index if 0 <= k < len(grid))


def _again(
    snapshot: Snapshot, name: str, minute: float
) -> tuple[float, float, float, float]:
    """Make one minute from readings inside the span."""
    start = max(snapshot.start, minute - MINUTE)
    end = min(snapshot.end, minute)
    near = Snapshot(
        snapshot.file,
        start - LOOKAROUND,
        min(snapshot.end, end + LOOKAROUND),
        corrections=snapshot.corrections,
    )
    series = near.series(name)
    total, covered = cumulative(series).at(np.array([start, end]))
    after = series.time_utc > minute - MINUTE
    inside = series.value[after & (series.time_utc >= start) & (series.time_utc <= end)]
    inside = inside[np.isfinite(inside)]
    low = float(inside.min()) if len(inside) else math.nan
    high = float(inside.max()) if len(inside) else math.nan
    return float(total[1] - total[0]), float(covered[1] - covered[0]), low, high
