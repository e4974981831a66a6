"""The store as everybody else sees it: one object, short calls."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING, Self

import numpy as np

from campledger.errors import StoreBusyError, StoreError
from campledger.model.series import Boot, TripRecord, minute_grid
from campledger.store import boots as bt
from campledger.store import documents as docs
from campledger.store.file import BUSY, Lock, StoreFile, translate
from campledger.store.importer import Importer, note_change
from campledger.store.minutes import MinuteMap, refresh
from campledger.store.reader import ChannelMap, Snapshot
from campledger.store.salvage import finish_swap
from campledger.store.totals import boot_totals
from campledger.store.trips import find_trips, plan_trips, runs
from campledger.store.types import MEAN, POINT, BootInfo, Total, Trip
from campledger.store.writer import append_window, seal

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from campledger.model.clock import ClockAnchor
    from campledger.model.rig import Correction
    from campledger.store.types import (
        Columns,
        Entry,
        FrozenPlan,
        ImportCount,
        Kept,
        Window,
    )


def open_store(path: str | Path, mode: str = "read", *, create: bool = False) -> Store:
    """
    Open the store.

    Parameters
    ----------
    path : str or Path
        The file.
    mode : str
        ``read``, ``write`` (short transactions beside a daemon) or ``daemon`` (one at
        a time; a second one is refused).
    create : bool
        Make it if it does not exist.

    Raises
    ------
    StoreError
        There is none. StoreBusyError, StoreNewerError, StoreDamagedError as named.
    """
    if mode not in ("read", "write", "daemon"):
        msg = f"opening the store: mode is {mode!r}, expected read, write or daemon"
        raise ValueError(msg)
    finish_swap(Path(path))
    return Store(StoreFile(Path(path), mode, create=create))


class Store:
    """The record of a rig; use as a context manager or close it."""

    def __init__(self, file: StoreFile) -> None:
        self.file = file
        self.import_lock: Lock | None = None
        self.importers: dict[tuple[str, str], Importer] = {}

    def __enter__(self) -> Self:
        """Give the store."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()

    @property
    def path(self) -> Path:
        """Where the file lies."""
        return self.file.path

    def close(self) -> None:
        """Let go of file and locks."""
        if self.import_lock:
            self.import_lock.release()
        self.file.close()

    # writing readings

    def begin_boot(
        self,
        recorder: str,
        *,
        identity: str,
        source: str = "live",
        number: int | None = None,
    ) -> BootInfo:
        """
        Start, or go on with, the boot that this recorder runs in.

        ``identity`` is the kernel's own name of the boot: the same name continues the
        same boot. A new boot gets the next number unless one is given.
        """
        with self.file.transaction() as db:
            known = [b for b in bt.all_boots(db) if b.recorder == recorder]
            same = [b for b in known if identity and b.identity == identity]
            if same:
                boot = same[-1]
            else:
                numbers = [b.number for b in known if b.number is not None]
                given = number if number is not None else max(numbers, default=0) + 1
                boot = bt.new_boot(
                    db, recorder, given, source=source, identity=identity
                )
        return next(b for b in self.boots() if b.id == boot.id)

    def append_window(self, window: Window) -> int:
        """Save the last seconds; durable when this returns."""
        return append_window(self.file, window)

    def seal(self, boot: int | None = None, *, up_to: float | None = None) -> int:
        """
        Turn windows into compressed blocks, in one transaction for each boot.

        ``up_to`` is an uptime of ``boot``; without boot, all windows of all boots.
        Gives the number of rows sealed.
        """
        if boot is not None:
            return seal(self.file, boot, up_to)
        with self.file.reading() as db:
            found = db.execute("select distinct boot from window").fetchall()
        return sum(seal(self.file, b, None) for (b,) in found)

    def import_rows(
        self,
        recorder: str,
        chunk: Columns,
        *,
        sampling: str = "point",
        source: str = "import",
    ) -> ImportCount:
        """
        Store a chunk of a recording; chunks come in file order, best of 86,400 rows.

        One import at a time; a second one waits, then is refused.
        """
        if self.import_lock is None:
            lock = Lock(Path(f"{self.path}.import"))
            if not lock.take(wait=BUSY):
                msg = f"{self.path.name}: another import runs, expected none; try again"
                raise StoreBusyError(msg)
            self.import_lock = lock
        key = (recorder, sampling)
        if key not in self.importers:
            kind = MEAN if sampling == "mean" else POINT
            self.importers[key] = Importer(
                self.file, recorder, sampling=kind, source=source
            )
        return self.importers[key].add(chunk)

    def compare_rows(self, recorder: str, chunk: Columns) -> ImportCount:
        """Say what `import_rows` would do with a chunk; nothing is written."""
        looker = Importer(self.file, recorder, source="import", dry=True)
        return looker.add(chunk)

    # clocks

    def add_anchor(
        self,
        boot: int,
        *,
        uptime: float,
        time_utc: float,
        kind: str,
        bound: float,
        source: str = "",
    ) -> None:
        """Date a boot by a moment whose true time is known; no reading is rewritten."""
        with self.file.transaction() as db:
            row = bt.one_boot(db, boot)
            before = bt.clock_of(row, bt.anchors_of(db).get(boot, ()))
            db.execute(
                "insert into anchor (boot, uptime, time_utc, kind, bound, source) "
                "values (?, ?, ?, ?, ?, ?)",
                (boot, uptime, time_utc, kind, bound, source),
            )
            after = bt.clock_of(row, bt.anchors_of(db)[boot])
            if before != after and row.first is not None and after is not None:
                starts = [c.origin + c.rate * row.first for c in (before, after) if c]
                note_change(db, min(starts))

    def refresh_minutes(self, *, most: int = 1000) -> int:
        """
        Bring minute summaries up to date after a boot was dated; call until it gives 0.

        Reading is right without it, only slower.
        """
        return refresh(self.file, most=most)

    def anchors(self) -> dict[int, list[ClockAnchor]]:
        """Give the anchors by boot."""
        with self.file.reading() as db:
            return bt.anchors_of(db)

    def boots(self) -> tuple[BootInfo, ...]:
        """Describe every boot, undated ones too."""
        with self.file.reading() as db:
            return bt.boot_infos(db)

    def boot_totals(self, boot: int) -> Mapping[str, Total]:
        """Integrate every channel over a boot's uptime; no clock changes this."""
        return boot_totals(self.file, boot)

    def has_live(self) -> bool:
        """Tell whether live readings are in it (then nothing may be replayed)."""
        with self.file.reading() as db:
            return (
                db.execute(
                    "select 1 from boot where source = 'live' limit 1"
                ).fetchone()
                is not None
            )

    # reading

    def span(self) -> tuple[float, float] | None:
        """Give first and last dated reading."""
        dated = [b for b in self.boots() if b.dated]
        if not dated:
            return None
        return min(b.start_utc for b in dated), max(b.end_utc for b in dated)

    def record(
        self,
        start: float,
        end: float,
        corrections: Sequence[Correction] = (),
        utc_offset: float = 0.0,
    ) -> TripRecord:
        """
        Give everything between two times; channels load when they are asked for.

        Corrections apply to readings and to minutes; nothing after ``end`` is used.
        """
        snapshot = Snapshot(self.file, start, end, corrections)
        grid = minute_grid(start, end)
        notes = tuple(
            (e.time_utc, str(e.body.get("text", "")))
            for e in self.entries("note", start=start, end=end)
            if np.isfinite(e.time_utc)
        )
        boots = tuple(
            Boot(
                number=-1 if b.number is None else b.number,
                recorder=b.recorder,
                start_utc=b.start_utc,
                end_utc=b.end_utc,
                dated_by=b.dated_by,
                bound=b.bound,
            )
            for b in self.boots()
            if b.dated and b.end_utc >= start and b.start_utc <= end
        )
        return TripRecord(
            start_utc=start,
            end_utc=end,
            utc_offset=utc_offset,
            minute_utc=grid,
            channels=ChannelMap(snapshot),
            minutes=MinuteMap(snapshot, grid),
            boots=boots,
            counters=self.counters(),
            notes=notes,
        )

    def trips(
        self,
        *,
        idle: Callable[[float, float], Sequence[tuple[float, float]]] | None = None,
    ) -> tuple[Trip, ...]:
        """
        Find the trips, oldest first.

        ``idle(start, end)`` may give spans in which nothing was driven, charged or used
        beyond the standing draw; those of 72 h or more end a trip.
        """
        stretches = runs(self.file)
        return find_trips(stretches, plan_trips(self.plans(), stretches), idle)

    # plans, notes and the rest

    def freeze_plan(
        self,
        *,
        text: str,
        fingerprint: str,
        name: str,
        start_utc: float,
        end_utc: float,
        frozen_utc: float,
    ) -> FrozenPlan:
        """Freeze a plan, or a revision of one; ``late`` is worked out here."""
        first = [t for t in runs(self.file) if t[1] >= start_utc and t[0] <= end_utc]
        late = frozen_utc > start_utc or bool(first)
        with self.file.transaction() as db:
            return docs.freeze(
                db,
                text=text,
                fingerprint=fingerprint,
                name=name,
                start_utc=start_utc,
                end_utc=end_utc,
                frozen_utc=frozen_utc,
                late=late,
            )

    def plans(self) -> tuple[FrozenPlan, ...]:
        """Give every frozen plan and revision."""
        with self.file.reading() as db:
            return docs.frozen_plans(db)

    def add_entry(
        self, kind: str, time_utc: float, body: Mapping[str, object], *, key: str = ""
    ) -> int:
        """Store a ``note`` (body ``{"text": ...}``), ``proof`` or ``event``."""
        with self.file.transaction() as db:
            return docs.put(db, kind, time_utc, body, key=key)

    def entries(
        self,
        kind: str,
        *,
        start: float = -math.inf,
        end: float = math.inf,
        key: str | None = None,
    ) -> tuple[Entry, ...]:
        """Give notes, proofs or events in time order."""
        with self.file.reading() as db:
            return docs.entries(db, kind, start=start, end=end, key=key)

    def count(self, key: str, names: Mapping[str, int]) -> None:
        """Add to the counters of a channel or sensor."""
        with self.file.transaction() as db:
            docs.count(db, key, names)

    def counters(self) -> dict[str, dict[str, int]]:
        """Give the counters."""
        with self.file.reading() as db:
            return docs.counters(db)

    def keep(self, key: str, *, fingerprint: str, last_utc: float, blob: bytes) -> None:
        """Keep a result made with readings up to ``last_utc``."""
        with self.file.transaction() as db:
            docs.keep(db, key, fingerprint=fingerprint, last_utc=last_utc, blob=blob)

    def kept(self, key: str, *, fingerprint: str, at: float = math.inf) -> Kept | None:
        """Give the newest kept result that used no reading after ``at``."""
        with self.file.reading() as db:
            return docs.kept(db, key, fingerprint=fingerprint, at=at)

    def save_state(
        self, key: str, blob: bytes, *, time_utc: float | None = None
    ) -> None:
        """Keep a small state (at most 4 kB) under a key; the newest replaces."""
        with self.file.transaction() as db:
            db.execute(
                "insert or replace into state (key, time_utc, blob) values (?, ?, ?)",
                (key, time_utc, blob),
            )

    def state(self, key: str) -> bytes | None:
        """Give a state; ``window`` is the one saved with the newest window."""
        with self.file.reading() as db:
            if key == "window":
                row = db.execute(
                    "select state from window where state is not null "
                    "order by id desc limit 1"
                ).fetchone()
                if row is not None:
                    return bytes(row[0])
            row = db.execute("select blob from state where key = ?", (key,)).fetchone()
        return None if row is None else bytes(row[0])

    def meta(self, key: str) -> str | None:
        """Give a fact about the store."""
        with self.file.reading() as db:
            row = db.execute("select value from meta where key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def set_meta(self, key: str, value: str) -> None:
        """Set a fact about the store."""
        with self.file.transaction() as db:
            db.execute("insert or replace into meta values (?, ?)", (key, value))

    def backup(self, path: str | Path) -> None:
        """Write a safe copy while others go on writing."""
        target = Path(path)
        part = target.with_name(f"{target.name}.part")
        part.unlink(missing_ok=True)
        try:
            copy = sqlite3.connect(part)
            try:
                self.file.db.backup(copy, pages=2000, sleep=0.01)
                copy.execute("pragma journal_mode = delete")
            finally:
                copy.close()
            part.replace(target)
        except sqlite3.Error as error:
            part.unlink(missing_ok=True)
            raise translate(error, target) from error
        except OSError as error:
            part.unlink(missing_ok=True)
            msg = f"{target.name}: {error.strerror}, expected room for a copy"
            raise StoreError(msg) from error

    def check(self) -> int:
        """Look through the whole file and every check sum; count the blocks."""
        with self.file.reading():
            self.file.quick_check()
            return sum(
                _check_blobs(self.file, table, column)
                for table, column in (
                    ("grp", "axis"),
                    ("col", "blob"),
                    ("window", "blob"),
                )
            )


def _check_blobs(file: StoreFile, table: str, column: str) -> int:
    last = count = 0
    sql = f"select id, {column} from {table} where id > ? order by id limit 500"  # noqa: S608
    while found := file.db.execute(sql, (last,)).fetchall():
        for number, blob in found:
            file.expect_whole(blob, table, number)
        last, count = found[-1][0], count + len(found)
    return count
