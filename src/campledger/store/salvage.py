"""
A damaged store set aside, its good part in a new one; and the way back from a backup.

Nothing is deleted: the damaged file is renamed, the new one is finished before that.
"""

from __future__ import annotations

import os
import sqlite3
import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import StoreBusyError
from campledger.store import boots as bt
from campledger.store.blocks import (
    AXIS,
    REGULAR_AXIS,
    VALUES,
    WALL,
    WINDOW,
    Header,
    peek,
    read_array,
    unpack,
    unpack_window,
)
from campledger.store.carve import Pages, Row, leaf_rows, marked_rows
from campledger.store.codec import regular_axis
from campledger.store.documents import TAG
from campledger.store.file import Lock, StoreFile, translate
from campledger.store.importer import Importer
from campledger.store.types import MEAN, Rows
from campledger.store.writer import carries_before, pack_group, write_group

if TYPE_CHECKING:
    from collections.abc import Iterable

    from campledger.model.series import FloatArray

ANCHOR_TAG = "campledger anchor"
PART = ".part"
READY = ".ready."

Key = tuple[str, int | None, int]


@dataclass(frozen=True, kw_only=True)
class Salvaged:
    """
    What came out of a damaged file.

    Times are NaN if nothing is dated. ``lost_blocks`` were seen but are not whole.
    """

    kept_as: str
    rows: int
    blocks: int
    lost_blocks: int
    documents: int
    start_utc: float
    end_utc: float

    def __str__(self) -> str:
        """Give the one line that a person reads."""
        span = "undated"
        if np.isfinite(self.start_utc):
            a, b = (
                datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%d %H:%M UTC")
                for t in (self.start_utc, self.end_utc)
            )
            span = f"from {a} to {b}"
        lost = ""
        if self.lost_blocks:
            lost = f"; {self.lost_blocks} blocks could not be read"
        return (
            f"store damaged: {self.rows} rows saved into a new store, {span}{lost}. "
            f"The damaged file is kept as {self.kept_as}."
        )


@dataclass(kw_only=True)
class _Found:
    """Rows of a damaged file, sorted by what they are."""

    boots: dict[int, tuple[object, ...]]
    keys: dict[int, Key]
    axes: dict[tuple[Key, int], tuple[Header, bytes]]
    columns: dict[tuple[Key, int], dict[str, bytes]]
    heads: dict[tuple[Key, int], Header]
    windows: dict[tuple[Key, int], tuple[bytes, bytes | None]]
    docs: dict[tuple[object, ...], None]
    anchors: dict[tuple[object, ...], None]
    counters: dict[tuple[str, str], int]
    states: dict[str, tuple[object, ...]]
    meta: dict[str, str]
    broken: dict[tuple[Key, int, str], Header]

    def lost(self) -> int:
        """Count blocks that were seen, are not whole and stand nowhere else."""
        return sum(not self._stands(k, h) for k, h in self.broken.items())

    def _stands(self, where: tuple[Key, int, str], header: Header) -> bool:
        place = (where[0], where[1])
        if header.kind == AXIS:
            return place in self.axes
        if header.kind == VALUES:
            return header.channel in self.columns.get(place, {})
        return place in self.windows or any(
            key == where[0] and a.first <= header.first and header.last <= a.last
            for (key, _), (a, _) in self.axes.items()
        )


def aside_name(path: Path, word: str) -> Path:
    """Find a free name beside a file."""
    n = 1
    while (name := path.with_name(f"{path.name}.{word}-{n}")).exists():
        n += 1
    return name


def swap(source: Path, part: Path, word: str) -> str:
    """
    Put a finished store in the place of another, which is kept aside.

    A cut at any moment leaves the old store in its place, or a finished one that
    `finish_swap` puts there. Returns the name of the store that was there, or "".
    """
    if not source.exists():
        part.replace(source)
        _sync_folder(source.parent)
        return ""
    aside = aside_name(source, word)
    ready = part.replace(aside.with_name(f"{source.name}{READY}{aside.suffix[1:]}"))
    source.rename(aside)
    _move_log(source, aside)
    ready.replace(source)
    _sync_folder(source.parent)
    return aside.name


def finish_swap(path: Path) -> None:
    """Finish what a cut left half done between the renames of `swap`."""
    if path.exists() or not path.parent.is_dir():
        return
    for ready in path.parent.glob(f"{path.name}{READY}*"):
        word = ready.name.removeprefix(f"{path.name}{READY}")
        _move_log(path, path.with_name(f"{path.name}.{word}"))
        ready.replace(path)
        return


def salvage(path: str | Path) -> Salvaged:
    """
    Set a damaged store aside and begin a new one with its good part.

    Every block, window and document whose bytes are whole is taken over.

    Raises
    ------
    StoreBusyError
        A daemon has it open.
    """
    source = Path(path)
    lock = Lock(Path(f"{source}.lock"))
    if not lock.take():
        msg = f"{source.name}: a daemon logs to it, expected none; stop it first"
        raise StoreBusyError(msg)
    try:
        return _salvage(source)
    finally:
        lock.release()


def _salvage(source: Path) -> Salvaged:
    part = source.with_name(f"{source.name}{PART}")
    for name in (part, *_sidecars(part)):
        name.unlink(missing_ok=True)
    found = _sort_rows(Pages(source))
    file = StoreFile(part, "write", create=True)
    try:
        blocks = _fill(file, found)
        infos = bt.boot_infos(file.db)
        file.db.execute("pragma wal_checkpoint(truncate)")
    finally:
        file.close()
    aside = swap(source, part, "damaged")
    dated = [b for b in infos if b.dated]
    return Salvaged(
        kept_as=aside,
        rows=sum(b.rows for b in infos),
        blocks=blocks,
        lost_blocks=found.lost(),
        documents=len(found.docs),
        start_utc=min((b.start_utc for b in dated), default=float("nan")),
        end_utc=max((b.end_utc for b in dated), default=float("nan")),
    )


def _sidecars(path: Path) -> tuple[Path, Path]:
    return path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")


def _move_log(source: Path, target: Path) -> None:
    """Let the log follow its store; a log beside another store would spoil it."""
    log, shared = _sidecars(source)
    if log.exists():
        log.rename(_sidecars(target)[0])
    shared.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sort_rows(pages: Pages) -> _Found:
    found = _Found(
        boots={},
        keys={},
        axes={},
        columns={},
        heads={},
        windows={},
        docs={},
        anchors={},
        counters={},
        states={},
        meta={},
        broken={},
    )
    for row, whole in marked_rows(pages):
        blob = next(v for v in row[1] if isinstance(v, bytes))
        if whole:
            _sort_blob(found, row, blob)
        else:
            _note_broken(found, blob)
    for row in leaf_rows(pages):
        _sort_other(found, row)
    return found


def _note_broken(found: _Found, blob: bytes) -> None:
    try:
        header, _ = peek(blob)
    except (ValueError, struct.error):
        return
    if header.kind in (AXIS, VALUES, WINDOW):
        key = (header.recorder, header.number, header.ordinal)
        found.broken[(key, header.group, header.channel)] = header


def _sort_blob(found: _Found, row: Row, blob: bytes) -> None:
    header, _ = unpack(blob)
    key = (header.recorder, header.number, header.ordinal)
    where = (key, header.group)
    if header.kind == AXIS:
        found.axes[where] = (header, blob)
    elif header.kind == VALUES:
        found.columns.setdefault(where, {})[header.channel] = blob
        found.heads[where] = header
    elif header.kind == WINDOW:
        state = row[1][-1]
        found.windows[where] = (blob, state if isinstance(state, bytes) else None)
    if header.kind != VALUES and isinstance(row[1][1], int):
        found.keys[row[1][1]] = key


def _sort_other(found: _Found, row: Row) -> None:
    number, values = row
    if len(values) == 12 and values[5] in ("live", "import", "replay"):
        found.boots[number] = values
        boot = values[2] if isinstance(values[2], int) else None
        found.keys[number] = (str(values[1]), boot, int(values[3] or 0))
    elif len(values) == 6 and values[1] == TAG:
        found.docs[values[1:]] = None
    elif len(values) == 8 and values[1] == ANCHOR_TAG:
        found.anchors[values[2:]] = None
    elif len(values) == 3 and isinstance(values[2], int):
        if isinstance(values[0], str) and isinstance(values[1], str):
            place = (values[0], values[1])
            found.counters[place] = max(values[2], found.counters.get(place, 0))
    elif len(values) == 3 and isinstance(values[2], bytes):
        found.states[str(values[0])] = values
    elif len(values) == 2 and all(isinstance(v, str) for v in values):
        found.meta[str(values[0])] = str(values[1])


def _fill(file: StoreFile, found: _Found) -> int:
    """Write what was found into a new store; gives the number of blocks."""
    boots = _fill_boots(file, found)
    _fill_small(file, found, boots)
    blocks = 0
    for where in sorted(found.heads, key=lambda w: (str(w[0]), found.heads[w].first)):
        header, columns = found.heads[where], found.columns[where]
        if where in found.axes:
            uptime = read_array(found.axes[where][1])
        elif header.sampling & REGULAR_AXIS:
            uptime = regular_axis(header.first, header.last, header.rows)
        else:
            continue
        _fill_group(file, boots[where[0]], header, uptime, columns)
        blocks += 1 + len(columns)
    taken: dict[Key, Importer] = {}
    for where, (blob, _) in sorted(
        found.windows.items(), key=lambda w: unpack(w[1][0])[0].first
    ):
        importer = taken.setdefault(
            where[0], Importer(file, where[0][0], source="live")
        )
        _fill_window(file, importer, boots[where[0]], blob)
    return blocks


def _fill_boots(file: StoreFile, found: _Found) -> dict[Key, int]:
    known = {found.keys[n]: values for n, values in found.boots.items()}
    named: Iterable[Key] = {
        *known,
        *(w[0] for w in found.heads),
        *(w[0] for w in found.windows),
    }
    out: dict[Key, int] = {}
    with file.transaction() as db:
        for key in sorted(named, key=lambda k: (k[0], k[1] or 0, k[2])):
            values = known.get(key)
            cursor = db.execute(
                "insert into boot (recorder, number, ordinal, identity, source) "
                "values (?, ?, ?, ?, ?)",
                (*key, values[4] if values else "", values[5] if values else "import"),
            )
            out[key] = int(cursor.lastrowid or 0)
    return out


def _fill_small(file: StoreFile, found: _Found, boots: dict[Key, int]) -> None:
    with file.transaction() as db:
        db.executemany(
            "insert into doc (tag, kind, time_utc, key, body) values (?, ?, ?, ?, ?)",
            list(found.docs),
        )
        for old, *rest in found.anchors:
            if isinstance(old, int) and found.keys.get(old) in boots:
                db.execute(
                    "insert into anchor (boot, uptime, time_utc, kind, bound, source) "
                    "values (?, ?, ?, ?, ?, ?)",
                    (boots[found.keys[old]], *rest),
                )
        for (key, name), count in found.counters.items():
            db.execute(
                "insert or replace into counter values (?, ?, ?)", (key, name, count)
            )
        db.executemany(
            "insert or replace into state values (?, ?, ?)",
            list(found.states.values()),
        )
        db.executemany(
            "insert or replace into meta values (?, ?)", list(found.meta.items())
        )
        state = _newest_state(found)
        if state is not None:
            db.execute(
                "insert or replace into state values ('window', null, ?)", (state,)
            )


def _newest_state(found: _Found) -> bytes | None:
    states = [
        (unpack(blob)[0].first, state)
        for blob, state in found.windows.values()
        if state is not None
    ]
    return max(states)[1] if states else None


def _fill_group(
    file: StoreFile,
    boot: int,
    header: Header,
    uptime: FloatArray,
    columns: dict[str, bytes],
) -> None:
    row = bt.one_boot(file.db, boot)
    values = {name: read_array(blob) for name, blob in columns.items()}
    lag = values.pop(WALL, None)
    rows = Rows(
        uptime=uptime, wall=None if lag is None else uptime + lag, values=values
    )
    clock = bt.clock_of(row, bt.anchors_of(file.db).get(boot, ()))
    group = pack_group(
        row,
        rows,
        sampling=header.sampling & MEAN,
        clock=clock or bt.UNDATED,
        carries=carries_before(file.db, boot, rows),
    )
    with file.transaction() as db:
        write_group(db, boot, group)


def _fill_window(file: StoreFile, importer: Importer, boot: int, blob: bytes) -> None:
    header, parts = unpack_window(blob)
    importer.sampling = header.sampling
    for rows in parts:
        importer.store(bt.one_boot(file.db, boot), rows)


def restore(backup: str | Path, path: str | Path) -> str:
    """
    Put a backup in the place of the store; what was there is kept aside.

    Returns
    -------
    aside : str
        Name of the store that was there, empty if there was none.
    """
    source, target = Path(backup), Path(path)
    check = StoreFile(source, "read", create=False)
    try:
        check.quick_check()
    finally:
        check.close()
    lock = Lock(Path(f"{target}.lock"))
    if not lock.take():
        msg = f"{target.name}: a daemon logs to it, expected none; stop it first"
        raise StoreBusyError(msg)
    part = target.with_name(f"{target.name}{PART}")
    try:
        _copy(source, part)
        return swap(target, part, "before-restore")
    finally:
        lock.release()


def _copy(source: Path, part: Path) -> None:
    part.unlink(missing_ok=True)
    try:
        old, new = sqlite3.connect(source), sqlite3.connect(part)
        try:
            old.backup(new)
        finally:
            new.close()
            old.close()
    except sqlite3.Error as error:
        part.unlink(missing_ok=True)
        raise translate(error, part) from error
