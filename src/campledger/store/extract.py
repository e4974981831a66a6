"""
Part of a store into a new one, row by row, and the gate for stores from elsewhere.

Nothing of the source file itself is taken over: readings are unpacked, checked and
packed anew, documents are written again. So a foreign store brings neither triggers nor
views nor anything that hides in unused pages.
"""

from __future__ import annotations

import itertools
import json
import math
import sqlite3
import struct
import sys
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import StoreDamagedError, StoreError
from campledger.model.series import parse_channel
from campledger.store import boots as bt
from campledger.store import documents as docs
from campledger.store.blocks import WALL, read_array, unpack
from campledger.store.file import StoreFile, translate
from campledger.store.schema import APPLICATION_ID, DDL, VERSION
from campledger.store.types import MEAN, Entry, Rows
from campledger.store.writer import (
    GROUP_ROWS,
    carries_before,
    join_windows,
    pack_group,
    split_rows,
    take_rows,
    write_group,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from campledger.model.clock import BootClock, ClockAnchor
    from campledger.store.boots import BootRow

CHANNELS_MOST = 400
"""More channels than any rig has; a foreign store with more is refused.
Common practice, no source."""
TEXT_MOST = 1_000_000
"""Longest document of a foreign store. [characters] Common practice, no source."""
BLOB_MOST = 8_000_000
"""Longest block of a foreign store: a day at 1 Hz, never compressed, ten times.
[byte] Common practice, no source."""


NAME_MOST = 200
PAST, FUTURE = 0.0, 7_258_118_400.0
"""1970 to 2200: no reading is older or younger. [s] Common practice, no source."""
WINDOW_MOST = 1_000_000
"""Most that a window holds when it is opened: ten seconds of readings are some
kilobytes. [byte] Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Extracted:
    """What went into the new store."""

    rows: int
    boots: int
    documents: int


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """
    What is to go into the new store.

    ``start`` and ``end`` bound the readings, s UTC; infinite bounds take everything,
    boots that nothing dates too. ``recorders`` gives other names for recorders.
    ``documents`` are (kind, time, key, body) as they are to stand.
    """

    start: float = -math.inf
    end: float = math.inf
    recorders: Mapping[str, str] = field(default_factory=dict)
    documents: tuple[tuple[str, float, str, Mapping[str, object]], ...] = ()


def open_foreign(path: Path) -> StoreFile:
    """
    Open a store that somebody else wrote, for reading and with nothing trusted.

    Its tables must be exactly ours: no view, no trigger, no other index.

    Raises
    ------
    StoreError
        It is no store, is damaged, or holds more than a store may.
    """
    file = StoreFile.__new__(StoreFile)
    file.path, file.mode, file.daemon_lock = path, "read", None
    try:
        db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    except sqlite3.Error as error:
        raise translate(error, path) from error
    file.db = db
    try:
        db.isolation_level = None
        if sys.version_info >= (3, 12):
            db.setconfig(sqlite3.SQLITE_DBCONFIG_DEFENSIVE, True)  # noqa: FBT003
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, BLOB_MOST)
        for pragma in (
            "trusted_schema = off",
            "cell_size_check = on",
            "mmap_size = 0",
            "query_only = on",
        ):
            db.execute(f"pragma {pragma}")
        _same_tables(db, path)
        file.quick_check()
    except sqlite3.Error as error:
        db.close()
        raise translate(error, path) from error
    except StoreError:
        db.close()
        raise
    return file


def _same_tables(db: sqlite3.Connection, path: Path) -> None:
    mark = int(db.execute("pragma application_id").fetchone()[0])
    version = int(db.execute("pragma user_version").fetchone()[0])
    if mark != APPLICATION_ID or version != VERSION:
        msg = (
            f"{path.name}: got kind {mark:#x} version {version}, expected a store of "
            f"version {VERSION}"
        )
        raise StoreError(msg)
    count = db.execute("select count(*) from sqlite_master").fetchone()[0]
    ours = {_plain(s) for s in DDL.split(";\n") if s.strip()}
    if count <= 4 * len(ours):
        found = db.execute("select sql from sqlite_master where sql is not null")
        if {_plain(s) for (s,) in found} == ours:
            return
    msg = f"{path.name}: got other tables than a store has, expected exactly those"
    raise StoreError(msg)


def _plain(sql: str) -> str:
    return " ".join(sql.replace(";", " ").split()).lower()


def extract(source: StoreFile, target: Path, wanted: Wanted) -> Extracted:
    """
    Write a new store with the wanted part of another.

    Raises
    ------
    StoreDamagedError
        A block does not hold what it says.
    """
    new = StoreFile(target, "write", create=True)
    try:
        with source.reading(), new.transaction() as db:
            for kind, when, key, body in wanted.documents:
                docs.put(db, kind, when, body, key=key)
        rows = boots = 0
        for boot, clock, a, b in _boots(source, wanted):
            count = _copy_boot(source, new, boot, clock, (a, b), wanted.recorders)
            rows += count
            boots += count > 0
        _copy_counters(source, new)
        with new.transaction() as db:
            db.execute("delete from change")
        new.db.execute("pragma wal_checkpoint(truncate)")
        new.db.execute("pragma journal_mode = delete")
    except (ValueError, TypeError, OverflowError, struct.error, zlib.error) as error:
        msg = f"{source.path.name}: {error}, expected a whole store"
        raise StoreDamagedError(msg) from error
    finally:
        new.close()
    return Extracted(rows=rows, boots=boots, documents=len(wanted.documents))


def _boots(
    source: StoreFile, wanted: Wanted
) -> Iterator[tuple[BootRow, BootClock | None, float, float]]:
    with source.reading() as db:
        anchors = bt.anchors_of(db)
        infos = {i.id: i for i in bt.boot_infos(db)}
        rows = bt.all_boots(db)
    everything = math.isinf(wanted.start) and math.isinf(wanted.end)
    for boot in rows:
        _sound_boot(boot, anchors.get(boot.id, ()))
        clock = bt.clock_of(boot, anchors.get(boot.id, ()))
        info = infos[boot.id]
        if everything:
            yield boot, clock, -math.inf, math.inf
        elif clock is not None:
            if info.end_utc >= wanted.start and info.start_utc <= wanted.end:
                yield (
                    boot,
                    clock,
                    (wanted.start - clock.origin) / clock.rate,
                    (wanted.end - clock.origin) / clock.rate,
                )
        elif info.after_utc <= wanted.end and info.before_utc >= wanted.start:
            yield boot, None, -math.inf, math.inf


def _sound_boot(boot: BootRow, anchors: Sequence[ClockAnchor]) -> None:
    texts: tuple[object, ...] = (boot.recorder, boot.identity, boot.source)
    kinds: tuple[object, ...] = tuple(a.kind for a in anchors)
    number: object = boot.number
    plain = all(isinstance(t, str) and len(t) <= NAME_MOST for t in texts)
    numbered = number is None or isinstance(number, int)
    dated = all(isinstance(k, str) for k in kinds) and all(
        math.isfinite(a.uptime) and PAST <= a.time_utc <= FUTURE for a in anchors
    )
    if not (plain and numbered and dated):
        msg = "a boot of another form, expected one of ours"
        raise ValueError(msg)


def _copy_boot(
    source: StoreFile,
    new: StoreFile,
    boot: BootRow,
    clock: BootClock | None,
    span: tuple[float, float],
    recorders: Mapping[str, str],
) -> int:
    parts = _parts(source, boot, span)
    first = next(parts, None)
    if first is None:
        return 0
    name = recorders.get(boot.recorder, boot.recorder)
    with new.transaction() as db:
        made = bt.new_boot(
            db, name, boot.number, source=boot.source, identity=boot.identity
        )
        for row in source.db.execute(
            "select uptime, time_utc, kind, bound, source from anchor where boot = ?",
            (boot.id,),
        ).fetchall():
            db.execute(
                "insert into anchor (boot, uptime, time_utc, kind, bound, source) "
                "values (?, ?, ?, ?, ?, ?)",
                (made.id, *row),
            )
    count = 0
    for sampling, rows in itertools.chain([first], parts):
        for piece in split_rows(rows):
            group = pack_group(
                made,
                piece,
                sampling=sampling,
                clock=clock or bt.UNDATED,
                carries=carries_before(new.db, made.id, piece),
            )
            with new.transaction() as db:
                write_group(db, made.id, group)
            count += len(piece.uptime)
    with new.transaction() as db:
        # The clock of a boot is what its whole stretch said, not what a part of it did.
        db.execute(
            "update boot set wall_first_uptime = ?, wall_first = ?, "
            "wall_last_uptime = ?, wall_last = ? where id = ?",
            (*bt.marks_of(boot.stretch), made.id),
        )
    return count


def _parts(
    source: StoreFile, boot: BootRow, span: tuple[float, float]
) -> Iterator[tuple[int, Rows]]:
    """Give the rows of a boot in a range of uptime: blocks, then what is recent."""
    a, b = span
    known = "boot = ? and last >= ? and first <= ?"
    groups = source.db.execute(
        f"select id, sampling, rows, axis from grp where {known} order by first, id",  # noqa: S608
        (boot.id, a, b),
    ).fetchall()
    for number, sampling, count, axis in groups:
        rows = _cut(_group(source, number, count, axis), a, b)
        if len(rows.uptime):
            yield int(sampling) & MEAN, rows
    blobs = source.db.execute(
        f"select blob from window where {known} order by id",  # noqa: S608
        (boot.id, a, b),
    ).fetchall()
    for (blob,) in blobs:
        _window_fits(blob)
    for sampling, found in join_windows(x for (x,) in blobs) if blobs else ():
        _sound("a window", len(found.uptime), found.uptime, found.values)
        rows = _cut(found, a, b)
        if len(rows.uptime):
            yield int(sampling) & MEAN, rows


def _window_fits(blob: bytes) -> None:
    """Refuse a window that opens to more than any window holds."""
    opener = zlib.decompressobj()
    opener.decompress(unpack(blob, where="a window")[1], WINDOW_MOST)
    if opener.unconsumed_tail or not opener.eof:
        msg = f"a window opens to over {WINDOW_MOST} bytes, expected fewer"
        raise ValueError(msg)


def _group(source: StoreFile, number: int, count: int, axis: bytes) -> Rows:
    where = f"block {number}"
    if not 0 < count <= GROUP_ROWS:
        msg = f"{where} says {count} rows, expected 1 to {GROUP_ROWS}"
        raise ValueError(msg)
    blobs = source.db.execute(
        "select n.name, c.blob from col c join channel n on n.id = c.channel "
        "where c.grp = ? order by c.id",
        (number,),
    ).fetchmany(CHANNELS_MOST + 1)
    if len(blobs) > CHANNELS_MOST:
        msg = f"{where} has over {CHANNELS_MOST} channels, expected fewer"
        raise ValueError(msg)
    uptime = read_array(axis, where=where)
    values = {name: read_array(blob, where=where) for name, blob in blobs}
    _sound(where, count, uptime, values)
    lag = values.pop(WALL, None)
    wall = None if lag is None else uptime + lag
    return Rows(uptime=uptime, wall=wall, values=values)


def _sound(
    where: str, count: int, uptime: np.ndarray, values: Mapping[str, np.ndarray]
) -> None:
    good = len(uptime) == count and np.isfinite(uptime).all()
    if not (good and (np.diff(uptime) > 0).all()):
        msg = f"{where} has another time axis than it says, expected {count} rising"
        raise ValueError(msg)
    for name, value in values.items():
        if name != WALL and parse_channel(name) is None:
            msg = f'{where} has a channel "{name[:40]}", expected a known quantity'
            raise ValueError(msg)
        if len(value) != count:
            msg = f"{where} has {len(value)} values, expected {count}"
            raise ValueError(msg)


def _cut(rows: Rows, a: float, b: float) -> Rows:
    inside = np.flatnonzero((rows.uptime >= a) & (rows.uptime <= b))
    return take_rows(rows, inside)


def _copy_counters(source: StoreFile, new: StoreFile) -> None:
    known = source.db.execute("select key, name, count from counter").fetchmany(5000)
    with new.transaction() as db:
        for key, name, count in known:
            docs.count(db, str(key), {str(name): int(count)})


def documents_of(source: StoreFile, kinds: Iterable[str]) -> list[Entry]:
    """
    Give the documents of some kinds; bodies are checked for being JSON objects.

    Raises
    ------
    StoreDamagedError
        One is too long or no object.
    """
    out: list[Entry] = []
    for kind in kinds:
        longest = source.db.execute(
            "select coalesce(max(length(body)), 0) from doc where kind = ?", (kind,)
        ).fetchone()[0]
        if longest > TEXT_MOST:
            msg = f"{source.path.name}: a {kind} of {longest} characters, expected less"
            raise StoreDamagedError(msg)
        try:
            found = docs.entries(source.db, kind)
        except (json.JSONDecodeError, TypeError, RecursionError) as error:
            msg = f"{source.path.name}: a {kind} is not readable, expected JSON"
            raise StoreDamagedError(msg) from error
        out.extend(found)
    return out
