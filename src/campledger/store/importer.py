"""
Rows of recordings on their way in: which are new, present, or contradict what stands.

Same row = same recorder, boot, uptime and values; without boot, same time and channel.
The first value stands, another one for the same place is set aside and counted.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.clock import date_boot
from campledger.store import boots as bt
from campledger.store.blocks import WALL, read_array, unpack_window
from campledger.store.types import POINT, Columns, ImportCount, Rows
from campledger.store.writer import (
    carries_before,
    next_carries,
    pack_group,
    split_rows,
    take_rows,
    write_group,
)

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from campledger.model.series import BoolArray, FloatArray
    from campledger.store.boots import BootRow
    from campledger.store.file import StoreFile
    from campledger.store.summary import Carry

SAMPLE = 20
"""Rows compared to tell one boot from another of the same number."""
CLOCK_AGREES = 5.0
"""Clocks of one boot agree to this, and to its drift. [s]
Common practice, no source."""


class Importer:
    """Takes chunks of one recording; remembers what lies just before the next one."""

    def __init__(
        self,
        file: StoreFile,
        recorder: str,
        *,
        sampling: int = POINT,
        source: str,
        dry: bool = False,
    ) -> None:
        self.file = file
        self.recorder = recorder
        self.sampling = sampling
        self.source = source
        self.dry = dry
        self.carries: dict[int, tuple[float, dict[str, Carry]]] = {}

    def add(self, chunk: Columns) -> ImportCount:
        """Store the new rows of a chunk; best given in chunks of about 86,400 rows."""
        total = ImportCount()
        for number, start, rows in _stretches(chunk):
            count = self._stretch(number, rows)
            total += ImportCount(
                added=count.added,
                present=count.present,
                set_aside=count.set_aside,
                aside=count.aside + start,
            )
        return total

    def _stretch(self, number: int | None, rows: Rows) -> ImportCount:
        return self.store(self._find_boot(number, rows), rows)

    def store(self, boot: BootRow, rows: Rows) -> ImportCount:
        """Store the new ones of some rows of a boot, in any order."""
        index = np.arange(len(rows.uptime))
        total = ImportCount()
        while len(index):
            part = take_rows(rows, index)
            order = np.argsort(part.uptime, kind="stable")
            lead = np.diff(part.uptime[order], prepend=-np.inf) > 0
            count = self._batch(boot, take_rows(part, order[lead]))
            total += ImportCount(
                added=count.added,
                present=count.present,
                set_aside=count.set_aside,
                aside=index[order[lead]][count.aside],
            )
            index = np.sort(index[order[~lead]])
        return total

    def _batch(self, boot: BootRow, rows: Rows) -> ImportCount:
        """Store rows whose uptimes increase strictly."""
        stored = stored_rows(self.file.db, boot.id, rows)
        fresh, count = rows, ImportCount(added=len(rows.uptime))
        if stored is not None:
            fresh, count = compare(rows, stored)
        if len(fresh.uptime) and not self.dry:
            self._write(boot, fresh)
        return count

    def _write(self, boot: BootRow, rows: Rows) -> None:
        db = self.file.db
        clock = bt.clock_of(boot, bt.anchors_of(db).get(boot.id, ()))
        if clock is None and rows.wall is not None:
            stretch = bt.extend_stretch(boot.stretch, rows.uptime, rows.wall)
            own = stretch.anchor(boot.id) if stretch else None
            clock = date_boot([own]) if own else None
        first = float(rows.uptime[0])
        last, carries = self.carries.get(boot.id, (math.inf, {}))
        (before,) = db.execute(
            "select max(last) from grp where boot = ? and last < ?", (boot.id, first)
        ).fetchone()
        if before != last:
            carries = carries_before(db, boot.id, rows)
        for part in split_rows(rows):
            group = pack_group(
                boot,
                part,
                sampling=self.sampling,
                clock=clock or bt.UNDATED,
                carries=carries,
            )
            carries = next_carries(part, self.sampling, carries)
            with self.file.transaction():
                write_group(db, boot.id, group)
                start = clock.at(part.uptime[:1])[0] if clock else -math.inf
                note_change(db, float(start))
        self.carries[boot.id] = (float(rows.uptime[-1]), carries)

    def _find_boot(self, number: int | None, rows: Rows) -> BootRow:
        db = self.file.db
        known = bt.boots_of(db, self.recorder, number)
        if number is None and known:
            return known[0]
        best = None
        if known:
            best = _same_boot(db, known, rows)
        if best is not None:
            return best
        if self.dry:
            return bt.unwritten(self.recorder, number, self.source)
        with self.file.transaction():
            return bt.new_boot(db, self.recorder, number, source=self.source)


def note_change(db: sqlite3.Connection, from_utc: float) -> None:
    """Tell kept results that readings from this time on are not what they were."""
    last = db.execute(
        "select id, from_utc from change order by id desc limit 1"
    ).fetchone()
    used = db.execute("select max(change) from kept").fetchone()[0]
    if last is not None and (used is None or used < last[0]):
        if from_utc < last[1]:
            db.execute(
                "update change set from_utc = ? where id = ?", (from_utc, last[0])
            )
        return
    db.execute("insert into change (from_utc) values (?)", (from_utc,))


def _stretches(chunk: Columns) -> Iterator[tuple[int | None, int, Rows]]:
    """Cut a chunk where the boot changes or its uptime falls back."""
    if chunk.boot is None or chunk.uptime is None:
        if chunk.time_utc is None:
            msg = "importing: neither boot and uptime nor time_utc, expected one"
            raise ValueError(msg)
        yield None, 0, Rows(uptime=chunk.time_utc, values=chunk.values)
        return
    cuts = np.flatnonzero((np.diff(chunk.boot) != 0) | (np.diff(chunk.uptime) < 0)) + 1
    edges = [0, *(int(k) for k in cuts), len(chunk.boot)]
    whole = Rows(uptime=chunk.uptime, wall=chunk.time_utc, values=chunk.values)
    for a, b in itertools.pairwise(edges):
        if b > a:
            yield int(chunk.boot[a]), a, take_rows(whole, slice(a, b))


def _same_boot(
    db: sqlite3.Connection, known: tuple[BootRow, ...], rows: Rows
) -> BootRow | None:
    """Find the boot of the same number that these rows continue or repeat."""
    head = take_rows(rows, slice(0, SAMPLE))
    u = float(head.uptime[0])
    lag = math.nan
    if rows.wall is not None and np.isfinite(rows.wall).any():
        k = int(np.flatnonzero(np.isfinite(rows.wall))[0])
        lag = float(rows.wall[k] - rows.uptime[k])
    follows = None
    for boot in known:
        if boot.first is None or boot.last is None:
            return boot
        if boot.first <= float(rows.uptime[-1]) and u <= boot.last:
            if _matches(db, boot, rows):
                return boot
            continue
        away = max(u - boot.last, boot.first - u)
        allowed = CLOCK_AGREES + bt.DRIFT * away
        agrees = abs(boot.offset - lag) <= allowed
        if agrees or (u > boot.last and follows is None):
            follows = boot if follows is None or agrees else follows
    return follows


def _matches(db: sqlite3.Connection, boot: BootRow, rows: Rows) -> bool:
    """Tell whether the first rows that both have are the same."""
    first = boot.first if boot.first is not None else 0.0
    at = int(np.searchsorted(rows.uptime, first))
    head = take_rows(rows, slice(at, at + SAMPLE))
    if not len(head.uptime):
        return False
    stored = stored_rows(db, boot.id, head)
    if stored is None:
        return True
    where, hit = _find(head.uptime, stored.uptime)
    if not hit.any():
        return False
    return not any(
        (_differ(values[hit], stored.values[name][where[hit]])).any()
        for name, values in head.values.items()
        if name in stored.values
    )


def _find(wanted: FloatArray, times: FloatArray) -> tuple[NDArray[np.int64], BoolArray]:
    where = np.minimum(np.searchsorted(times, wanted), len(times) - 1)
    return where, times[where] == wanted


def _differ(a: FloatArray, b: FloatArray) -> BoolArray:
    """Tell where both values are there and not the same."""
    out: BoolArray = np.isfinite(a) & np.isfinite(b) & (a != b)
    return out


def compare(rows: Rows, stored: Rows) -> tuple[Rows, ImportCount]:
    """
    Sort rows into new, present and contradicting.

    Returns
    -------
    fresh : Rows
        Rows with something new; values that stand already are NaN in them.
    count : ImportCount
        ``aside`` are indices into ``rows``.
    """
    where, hit = _find(rows.uptime, stored.uptime)
    conflict = np.zeros(len(hit), dtype=bool)
    new = ~hit
    values = {}
    for name, value in rows.values.items():
        there = np.full(len(hit), np.nan)
        if name in stored.values:
            there[hit] = stored.values[name][where[hit]]
        conflict |= _differ(value, there)
        missing = np.isfinite(value) & ~np.isfinite(there)
        new |= hit & missing
        values[name] = np.where(~hit | missing, value, np.nan)
    conflict &= hit
    pick = np.flatnonzero(new)
    fresh = take_rows(Rows(uptime=rows.uptime, wall=rows.wall, values=values), pick)
    kept = {
        n: v
        for n, v in fresh.values.items()
        if np.isfinite(v).any() or not hit[pick].all()
    }
    fresh = Rows(uptime=fresh.uptime, wall=fresh.wall, values=kept)
    aside = np.flatnonzero(conflict)
    count = ImportCount(
        added=int((new & ~conflict).sum()),
        present=int((hit & ~new & ~conflict).sum()),
        set_aside=len(aside),
        aside=aside,
    )
    return fresh, count


def stored_rows(db: sqlite3.Connection, boot: int, rows: Rows) -> Rows | None:
    """Give what the store holds of a boot in the range of rows, or None."""
    first, last = float(rows.uptime[0]), float(rows.uptime[-1])
    parts: list[Rows] = []
    for group, axis in db.execute(
        "select id, axis from grp where boot = ? and last >= ? and first <= ?",
        (boot, first, last),
    ).fetchall():
        blobs = db.execute(
            "select n.name, c.blob from col c join channel n on n.id = c.channel "
            "where c.grp = ?",
            (group,),
        )
        values = {n: read_array(b) for n, b in blobs if n in rows.values and n != WALL}
        parts.append(Rows(uptime=read_array(axis), values=values))
    for (blob,) in db.execute(
        "select blob from window where boot = ? and last >= ? and first <= ?",
        (boot, first, last),
    ):
        parts.extend(unpack_window(blob)[1])
    return merge(parts, tuple(rows.values)) if parts else None


def merge(parts: list[Rows], names: tuple[str, ...]) -> Rows:
    """Lay rows of any order and overlap on one axis; the first good value stands."""
    uptime = np.unique(np.concatenate([p.uptime for p in parts]))
    values = {}
    for name in names:
        out = np.full(len(uptime), np.nan)
        for part in parts:
            if name in part.values:
                at = np.searchsorted(uptime, part.uptime)
                out[at] = np.where(np.isnan(out[at]), part.values[name], out[at])
        values[name] = out
    return Rows(uptime=uptime, values=values)
