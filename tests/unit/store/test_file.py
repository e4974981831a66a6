import sqlite3
import subprocess
import sys

import pytest
from store_cases import chunk

from campledger.errors import (
    StoreBusyError,
    StoreDamagedError,
    StoreError,
    StoreNewerError,
)
from campledger.store import StoreFullError, open_store
from campledger.store.schema import VERSION


def test_a_second_daemon_is_refused_until_the_first_is_gone(path):
    with open_store(path, "daemon", create=True):
        with pytest.raises(StoreBusyError, match="another daemon"):
            open_store(path, "daemon")
        open_store(path, "write").close()
        open_store(path).close()
    open_store(path, "daemon").close()


def test_the_kernel_frees_the_lock_of_a_dead_daemon(path):
    code = (
        "import os, sys; from campledger.store import open_store; "
        "s = open_store(sys.argv[1], 'daemon', create=True); os._exit(9)"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=False)
    open_store(path, "daemon").close()


def test_no_store_is_said_so(path):
    with pytest.raises(StoreError, match="no such store"):
        open_store(path)
    with pytest.raises(StoreError, match="no such store"):
        open_store(path, "write")
    assert not path.exists()


def test_a_newer_store_is_refused(path):
    open_store(path, "write", create=True).close()
    db = sqlite3.connect(path)
    db.execute(f"pragma user_version = {VERSION + 1}")
    db.close()
    with pytest.raises(StoreNewerError, match=f"version {VERSION + 1}"):
        open_store(path)


def test_another_database_is_refused(path):
    db = sqlite3.connect(path)
    db.execute("create table t (x)")
    db.commit()
    db.close()
    with pytest.raises(StoreError, match="another kind"):
        open_store(path, "write", create=True)


def test_a_text_file_is_refused(path):
    path.write_text("time_utc,voltage_house_v\n" * 100, encoding="utf-8")
    with pytest.raises(StoreDamagedError):
        open_store(path)


def test_a_locked_store_is_busy(path, monkeypatch):
    monkeypatch.setattr("campledger.store.file.BUSY", 0.05)
    with open_store(path, "write", create=True) as store:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("begin immediate")
        with pytest.raises(StoreBusyError, match="locked"):
            store.set_meta("a", "b")
        other.execute("rollback")
        other.close()
        store.set_meta("a", "b")


def test_a_reader_changes_nothing(path):
    open_store(path, "write", create=True).close()
    with open_store(path) as store, pytest.raises(StoreError, match="readonly"):
        store.set_meta("a", "b")


def test_a_full_disk_is_its_own_error_and_loses_nothing(path):
    with open_store(path, "write", create=True) as store:
        store.import_rows("van", chunk(0, 100))
        pages = store.file.db.execute("pragma page_count").fetchone()[0]
        store.file.db.execute(f"pragma max_page_count = {pages}")
        with pytest.raises(StoreFullError, match="no space"):
            store.import_rows("van", chunk(100, 7000))
        store.file.db.execute("pragma max_page_count = 1000000")
        assert store.import_rows("van", chunk(0, 7000)).added == 6900


def test_writes_are_durable_by_default(path):
    with open_store(path, "daemon", create=True) as store:
        pragma = store.file.db.execute
        assert pragma("pragma journal_mode").fetchone()[0] == "wal"
        assert pragma("pragma synchronous").fetchone()[0] == 2
