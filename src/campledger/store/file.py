"""The file itself: opening, locks, short transactions, integrity."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.errors import (
    StoreBusyError,
    StoreDamagedError,
    StoreError,
    StoreNewerError,
)
from campledger.store.blocks import is_whole
from campledger.store.schema import (
    APPLICATION_ID,
    DDL,
    MIGRATIONS,
    PAGE_SIZE,
    VERSION,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

BUSY = 10.0
"""Longest wait for another writer. [s] (contract)"""
NEWEST = 16
"""Newest blobs of each kind that are checked at opening."""
CHECK_SIZE = 64_000_000
"""A daemon looks through the whole structure of a store up to this size when it opens
it; a larger one is looked through on request. [byte] Common practice, no source."""
CHECKPOINT = 8000
"""The log is brought into the file after so many pages: over two hours of windows, so
that what is sealed and reused within it is written once. [pages] Measured."""
CACHE = 2000
"""Page cache; negative would be kibibytes. [pages]"""


class StoreFullError(StoreError):
    """No room left on the disk; what was to be written was not."""


class Lock:
    """A lock on a sidecar file; the kernel lets go of it when the process dies."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.handle: int | None = None

    def take(self, *, wait: float = 0.0) -> bool:
        """Try to take the lock, waiting at most ``wait`` seconds."""
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o664)
        end = time.monotonic() + wait
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() >= end:
                    os.close(handle)
                    return False
                time.sleep(0.05)
            else:
                self.handle = handle
                return True

    def release(self) -> None:
        """Let go."""
        if self.handle is not None:
            os.close(self.handle)
            self.handle = None


def translate(error: sqlite3.Error, path: Path) -> StoreError:
    """Turn an error of the library into one of the house."""
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreBusyError(
            f"{path.name}: locked by another process for more than {BUSY:.0f} s, "
            "expected it to be free; try again"
        )
    if name.startswith("SQLITE_FULL") or "disk is full" in str(error):
        return StoreFullError(f"{path.name}: got no space on the disk, expected room")
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return StoreDamagedError(f"{path.name}: {error}, expected a whole store")
    if name.startswith("SQLITE_IOERR"):
        return StoreFullError(f"{path.name}: got {error}, expected to read and write")
    return StoreError(f"{path.name}: {error}")


class StoreFile:
    """One connection to the store; not shared between threads."""

    def __init__(self, path: Path, mode: str, *, create: bool) -> None:
        self.path = path
        self.mode = mode
        self.daemon_lock: Lock | None = None
        if mode == "daemon":
            self._take_daemon_lock()
        try:
            self.db = self._connect(create=create)
            self._prepare(create=create)
        except sqlite3.Error as error:
            self._let_go()
            raise translate(error, path) from error
        except StoreError:
            self._let_go()
            raise

    def _take_daemon_lock(self) -> None:
        lock = Lock(Path(f"{self.path}.lock"))
        if not lock.take():
            msg = f"{self.path.name}: another daemon logs to it, expected none"
            raise StoreBusyError(msg)
        self.daemon_lock = lock

    def _let_go(self) -> None:
        if hasattr(self, "db"):
            self.db.close()
        if self.daemon_lock:
            self.daemon_lock.release()

    def _connect(self, *, create: bool) -> sqlite3.Connection:
        exists = self.path.exists() and self.path.stat().st_size > 0
        if not exists and (not create or self.mode == "read"):
            msg = f"{self.path.name}: no such store, expected one; import or log first"
            raise StoreError(msg)
        db = sqlite3.connect(
            self.path, timeout=BUSY, isolation_level=None, check_same_thread=False
        )
        if not exists:
            db.execute(f"pragma page_size = {PAGE_SIZE}")
        return db

    def _prepare(self, *, create: bool) -> None:
        self.db.execute(f"pragma cache_size = {CACHE}")
        self._check_header(create=create)
        if self.mode == "read":
            self.db.execute("pragma query_only = on")
        else:
            self.db.execute("pragma journal_mode = wal")
            self.db.execute("pragma synchronous = full")
            self.db.execute("pragma secure_delete = off")
            self.db.execute(f"pragma wal_autocheckpoint = {CHECKPOINT}")
            self._migrate()
        self.opening_check()

    def _check_header(self, *, create: bool) -> None:
        version = int(self.db.execute("pragma user_version").fetchone()[0])
        mark = int(self.db.execute("pragma application_id").fetchone()[0])
        if version > VERSION:
            msg = (
                f"{self.path.name}: store has version {version}, expected at most "
                f"{VERSION}; it was written by a newer campledger"
            )
            raise StoreNewerError(msg)
        tables = self.db.execute("select count(*) from sqlite_master").fetchone()[0]
        if mark != APPLICATION_ID and tables:
            msg = f"{self.path.name}: another kind of database, expected a store"
            raise StoreError(msg)
        if version == 0 and not (create and self.mode != "read"):
            msg = f"{self.path.name}: no tables, expected a store"
            raise StoreError(msg)

    def _migrate(self) -> None:
        while (version := self._version()) < VERSION:
            with self.transaction():
                if self._version() != version:
                    continue
                if version == 0:
                    for statement in DDL.split(";\n"):
                        self.db.execute(statement)
                    self.db.execute(f"pragma application_id = {APPLICATION_ID}")
                    self.db.execute(f"pragma user_version = {VERSION}")
                else:
                    MIGRATIONS[version](self.db)
                    self.db.execute(f"pragma user_version = {version + 1}")

    def _version(self) -> int:
        return int(self.db.execute("pragma user_version").fetchone()[0])

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Run a short write: all of it or nothing."""
        try:
            self.db.execute("begin immediate")
            try:
                yield self.db
            except BaseException:
                if self.db.in_transaction:
                    self.db.execute("rollback")
                raise
            self.db.execute("commit")
        except sqlite3.Error as error:
            if self.db.in_transaction:
                self.db.execute("rollback")
            raise translate(error, self.path) from error

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Name the file in whatever goes wrong while reading."""
        try:
            yield self.db
        except sqlite3.Error as error:
            raise translate(error, self.path) from error

    def opening_check(self) -> None:
        """
        Look for damage where a cut or a bad card would show first, in milliseconds.

        The ends of every table are read and the newest blobs compared with their check
        sums; a daemon looks through the structure of a file of usual size too.
        """
        for (table,) in self.db.execute(
            "select name from sqlite_master where type = 'table'"
        ).fetchall():
            for order in ("asc", "desc"):
                self.db.execute(
                    f"select rowid from {table} order by rowid {order} limit 1"  # noqa: S608
                ).fetchall()
        for table, column in (("grp", "axis"), ("col", "blob"), ("window", "blob")):
            sql = f"select id, {column} from {table} order by id desc limit {NEWEST}"  # noqa: S608
            for number, blob in self.db.execute(sql).fetchall():
                self.expect_whole(blob, table, number)
        if self.mode == "daemon" and self.path.stat().st_size <= CHECK_SIZE:
            self.quick_check()

    def expect_whole(self, blob: bytes, table: str, number: int) -> None:
        """Compare a blob with its check sum; damage raises."""
        if not is_whole(blob):
            msg = (
                f"{self.path.name}: check sum of {table} {number} does not fit, "
                "expected a whole block"
            )
            raise StoreDamagedError(msg)

    def quick_check(self) -> None:
        """Look through the structure of the whole file; damage raises."""
        found = self.db.execute("pragma quick_check(1)").fetchone()[0]
        if found != "ok":
            msg = f"{self.path.name}: {found}, expected a whole store"
            raise StoreDamagedError(msg)

    def close(self) -> None:
        """Close the connection and let go of the lock."""
        self._let_go()
