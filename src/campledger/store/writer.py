"""Into the store: windows, sealing, and the groups of blocks that both ways make."""

from __future__ import annotations

import itertools
import os
import zlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.store import boots as bt
from campledger.store.blocks import (
    AXIS,
    REGULAR_AXIS,
    VALUES,
    WALL,
    WINDOW,
    Header,
    crc_of,
    pack_axis,
    pack_values,
    pack_window,
    read_array,
    unpack_window,
)
from campledger.store.codec import is_regular, plain
from campledger.store.summary import (
    Carry,
    Extremes,
    Summary,
    pack_summary,
    summarise,
)
from campledger.store.types import MEAN, POINT, Rows, Window

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from campledger.model.clock import BootClock
    from campledger.model.series import FloatArray
    from campledger.store.boots import BootRow
    from campledger.store.file import StoreFile

GROUP_ROWS = 86400
"""Most rows of a block."""
SEAL_SPAN = 4000.0
"""Most that is sealed in one transaction: an hour and what came late. [s]"""
WINDOW_STATE = "window"
"""Key of the state that came with the newest sealed window."""
GROUP_HOLE = 3600.0
"""A longer hole ends a block, so that runs of readings show in the index. [s]"""


@dataclass(frozen=True, kw_only=True)
class PackedColumn:
    """One channel of a group, ready to be written."""

    name: str
    codec: int
    good: int
    blob: bytes
    summary: Summary | None
    minutes: bytes


@dataclass(frozen=True, kw_only=True)
class PackedGroup:
    """Blocks that share one axis, ready to be written."""

    rows: Rows
    sampling: int
    axis: bytes
    columns: tuple[PackedColumn, ...]


def extremes_of(name: str, values: Mapping[str, FloatArray]) -> Extremes:
    """Find the channels that hold the lowest and highest polls of a channel."""
    stem, _, unit = name.rpartition("_")
    return Extremes(
        low=values.get(f"{stem}_min_{unit}"), high=values.get(f"{stem}_max_{unit}")
    )


def pack_group(
    boot: BootRow,
    rows: Rows,
    *,
    sampling: int,
    clock: BootClock,
    carries: Mapping[str, Carry],
) -> PackedGroup:
    """Compress the rows of a group and condense them; touches no database."""
    header = Header(
        kind=AXIS,
        sampling=sampling | (REGULAR_AXIS if is_regular(rows.uptime) else 0),
        rows=len(rows.uptime),
        group=int.from_bytes(os.urandom(4), "little"),
        recorder=boot.recorder,
        number=boot.number,
        ordinal=boot.ordinal,
        channel="",
        first=float(rows.uptime[0]),
        last=float(rows.uptime[-1]),
    )
    columns = []
    for name, raw in rows.values.items():
        values = plain(raw)
        codec, blob = pack_values(replace(header, kind=VALUES, channel=name), values)
        summary = summarise(
            rows.uptime,
            values,
            clock=clock,
            sampling=sampling,
            carry=carries.get(name),
            extremes=extremes_of(name, rows.values),
        )
        columns.append(
            PackedColumn(
                name=name,
                codec=codec,
                good=int(np.isfinite(values).sum()),
                blob=blob,
                summary=summary,
                minutes=pack_summary(summary),
            )
        )
    if rows.wall is not None and np.isfinite(rows.wall).any():
        lag = np.round(rows.wall - rows.uptime, 6)
        codec, blob = pack_values(replace(header, kind=VALUES, channel=WALL), lag)
        columns.append(
            PackedColumn(
                name=WALL, codec=codec, good=0, blob=blob, summary=None, minutes=b""
            )
        )
    return PackedGroup(
        rows=rows,
        sampling=sampling,
        axis=pack_axis(header, rows.uptime),
        columns=tuple(columns),
    )


def channel_ids(db: sqlite3.Connection, names: Iterable[str]) -> dict[str, int]:
    """Give the ids of channels, adding new names."""
    for name in names:
        db.execute("insert or ignore into channel (name) values (?)", (name,))
    return dict(db.execute("select name, id from channel").fetchall())


def write_group(db: sqlite3.Connection, boot: int, group: PackedGroup) -> None:
    """Write a packed group; call inside a transaction."""
    ids = channel_ids(db, (c.name for c in group.columns))
    uptime = group.rows.uptime
    cursor = db.execute(
        "insert into grp (boot, first, last, rows, sampling, axis) "
        "values (?, ?, ?, ?, ?, ?)",
        (
            boot,
            float(uptime[0]),
            float(uptime[-1]),
            len(uptime),
            group.sampling,
            group.axis,
        ),
    )
    number = cursor.lastrowid
    for column in group.columns:
        channel = ids[column.name]
        db.execute(
            "insert into col (grp, channel, codec, crc, good, blob) "
            "values (?, ?, ?, ?, ?, ?)",
            (
                number,
                channel,
                column.codec,
                crc_of(column.blob),
                column.good,
                column.blob,
            ),
        )
        if column.summary is not None:
            write_summary(db, int(number or 0), channel, column.summary, column.minutes)
    bt.widen_boot(db, bt.one_boot(db, boot), uptime, group.rows.wall)


def write_summary(
    db: sqlite3.Connection, group: int, channel: int, summary: Summary, blob: bytes
) -> None:
    """Write or replace the minute summary of a block."""
    db.execute(
        "insert or replace into minutes (grp, channel, origin, rate, carry, tail, "
        "charge, covered, first_minute, count, blob) values (?,?,?,?,?,?,?,?,?,?,?)",
        (
            group,
            channel,
            summary.origin,
            summary.rate,
            summary.carry,
            summary.tail,
            summary.total,
            summary.total_covered,
            summary.first_minute,
            len(summary.charge),
            blob,
        ),
    )


def split_rows(rows: Rows) -> list[Rows]:
    """Cut rows at long holes and at the most that a block holds."""
    cuts = [0]
    for k in (
        *(np.flatnonzero(np.diff(rows.uptime) > GROUP_HOLE) + 1),
        len(rows.uptime),
    ):
        while int(k) - cuts[-1] > GROUP_ROWS:
            cuts.append(cuts[-1] + GROUP_ROWS)
        cuts.append(int(k))
    return [take_rows(rows, slice(a, b)) for a, b in itertools.pairwise(cuts)]


def take_rows(rows: Rows, pick: slice | NDArray[np.integer]) -> Rows:
    """Give some of the rows."""
    return Rows(
        uptime=rows.uptime[pick],
        wall=None if rows.wall is None else rows.wall[pick],
        values={name: v[pick] for name, v in rows.values.items()},
    )


def carry_before(
    db: sqlite3.Connection, boot: int, name: str, uptime: float
) -> Carry | None:
    """Find the last reading of a channel before an uptime, among sealed blocks."""
    row = db.execute(
        "select g.axis, c.blob, g.sampling from grp g join col c on c.grp = g.id "
        "join channel n on n.id = c.channel where n.name = ? and g.boot = ? "
        "and g.last < ? and c.good > 0 order by g.last desc limit 1",
        (name, boot, uptime),
    ).fetchone()
    if row is None:
        return None
    return last_reading(read_array(row[0]), read_array(row[1]), row[2])


def last_reading(uptime: FloatArray, value: FloatArray, sampling: int) -> Carry | None:
    """Give what the next block joins on to: the last good reading, or the last mean."""
    good = np.flatnonzero(np.isfinite(value))
    if not good.size:
        return None
    k = int(good[-1])
    if sampling == MEAN and good.size >= 0.5 * len(value):
        k = len(value) - 1
    return Carry(uptime=float(uptime[k]), value=float(value[k]))


def append_window(file: StoreFile, window: Window) -> int:
    """Save a window in one transaction; gives its id."""
    boot = bt.one_boot(file.db, window.boot)
    parts = tuple(r for r in window.rows if len(r.uptime))
    if not parts:
        msg = "saving a window: no rows, expected at least one"
        raise ValueError(msg)
    ends = [x for r in parts for x in (r.uptime[0], r.uptime[-1])]
    header = Header(
        kind=WINDOW,
        sampling=MEAN if window.sampling == "mean" else POINT,
        rows=sum(len(r.uptime) for r in parts),
        group=zlib.crc32(os.urandom(4)),
        recorder=boot.recorder,
        number=boot.number,
        ordinal=boot.ordinal,
        channel="",
        first=float(min(ends)),
        last=float(max(ends)),
    )
    blob = pack_window(header, parts)
    stretch = bt.recent_stretches(file.db).get(boot.id, boot.stretch)
    for rows in parts:
        if rows.wall is not None:
            stretch = bt.extend_stretch(stretch, rows.uptime, rows.wall)
    with file.transaction() as db:
        cursor = db.execute(
            "insert into window (boot, first, last, rows, wall_first_uptime, "
            "wall_first, wall_last_uptime, wall_last, blob, state) "
            "values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                window.boot,
                header.first,
                header.last,
                header.rows,
                *bt.marks_of(stretch),
                blob,
                window.state,
            ),
        )
    return int(cursor.lastrowid or 0)


def join_windows(blobs: Iterable[bytes]) -> list[tuple[int, Rows]]:
    """Put windows together: one set of rows for each set of channels and sampling."""
    parts: dict[tuple[int, tuple[str, ...]], list[Rows]] = {}
    for blob in blobs:
        header, rows = unpack_window(blob)
        for part in rows:
            key = (header.sampling, tuple(sorted(part.values)))
            parts.setdefault(key, []).append(part)
    return [(key[0], _stack(some)) for key, some in parts.items()]


def _stack(parts: Sequence[Rows]) -> Rows:
    uptime = np.concatenate([p.uptime for p in parts])
    wall = np.concatenate(
        [np.full(len(p.uptime), np.nan) if p.wall is None else p.wall for p in parts]
    )
    names = parts[0].values
    values = {n: np.concatenate([p.values[n] for p in parts]) for n in names}
    rows = Rows(uptime=uptime, wall=wall, values=values)
    if (np.diff(uptime) > 0).all():
        return rows
    order = np.argsort(uptime, kind="stable")
    return take_rows(rows, order[np.diff(uptime[order], prepend=-np.inf) > 0])


def seal(file: StoreFile, boot: int, up_to: float | None) -> int:
    """
    Turn windows of a boot that end at or before ``up_to`` into blocks.

    Each hour is one transaction. Returns the number of rows sealed.
    """
    limit = float("inf") if up_to is None else up_to
    total = 0
    while sealed := _seal_hour(file, boot, limit):
        total += sealed
    return total


def _seal_hour(file: StoreFile, boot: int, limit: float) -> int:
    with file.reading() as db:
        found = db.execute(
            "select id, blob, state from window where boot = ?1 and last <= ?2 and "
            "last <= (select min(first) from window where boot = ?1) + ?3 order by id",
            (boot, limit, SEAL_SPAN),
        ).fetchall()
        if not found:
            return 0
        row = next(b for b in bt.all_boots(db) if b.id == boot)
        clock = bt.clock_of(row, bt.anchors_of(db).get(boot, ())) or bt.UNDATED
        groups = _pack_windows(db, row, clock, [blob for _, blob, _ in found])
    state = next((s for _, _, s in reversed(found) if s is not None), None)
    with file.transaction() as db:
        for group in groups:
            write_group(db, boot, group)
        if state is not None:
            db.execute(
                "insert or replace into state (key, time_utc, blob) "
                "values (?, null, ?)",
                (WINDOW_STATE, state),
            )
        db.executemany("delete from window where id = ?", [(x[0],) for x in found])
    return sum(len(g.rows.uptime) for g in groups)


def _pack_windows(
    db: sqlite3.Connection, boot: BootRow, clock: BootClock, blobs: Sequence[bytes]
) -> list[PackedGroup]:
    groups = []
    for sampling, rows in join_windows(blobs):
        carries = carries_before(db, boot.id, rows)
        for part in split_rows(rows):
            group = pack_group(
                boot, part, sampling=sampling, clock=clock, carries=carries
            )
            groups.append(group)
            carries = next_carries(part, sampling, carries)
    return groups


def carries_before(db: sqlite3.Connection, boot: int, rows: Rows) -> dict[str, Carry]:
    """Find what the channels of rows join on to."""
    first = float(rows.uptime[0])
    found = {name: carry_before(db, boot, name, first) for name in rows.values}
    return {name: carry for name, carry in found.items() if carry is not None}


def next_carries(
    rows: Rows, sampling: int, known: Mapping[str, Carry]
) -> dict[str, Carry]:
    """Give what the next group joins on to."""
    out = dict(known)
    for name, value in rows.values.items():
        carry = last_reading(rows.uptime, value, sampling)
        if carry is not None:
            out[name] = carry
    return out
