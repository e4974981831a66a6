import os
import random
import shutil
from dataclasses import replace

import numpy as np
import pytest
from store_cases import T0, chunk, log_windows, readings

from campledger.errors import StoreBusyError, StoreDamagedError, StoreError
from campledger.store import open_store, restore, salvage


@pytest.fixture
def filled(path):
    with open_store(path, "daemon", create=True) as store:
        for a in range(0, 7200, 1200):
            store.import_rows("van", chunk(a, a + 1200))
        boot = store.begin_boot("live", identity="a")
        log_windows(store, boot.id, 0, 1300, lag=T0 + 90000, state=b"state")
        store.seal(boot.id, up_to=1000.0)
        store.add_anchor(
            boot.id, uptime=1.0, time_utc=T0 + 2e5, kind="phone", bound=2.0
        )
        store.add_entry("note", T0, {"text": "hello"})
        store.count("house", {"clipped": 3})
        store.set_meta("pushed", "7")
    return path


def content(path):
    with open_store(path) as store:
        record = store.record(T0 - 1, T0 + 1e6)
        data = {n: (s.time_utc, s.value) for n, s in record.channels.items()}
        boots = [replace(b, id=0) for b in store.boots()]
        return data, boots, store.entries("note"), store.counters()


def test_a_whole_store_comes_out_whole(filled):
    before = content(filled)
    told = salvage(filled)
    after = content(filled)
    assert told.rows == 8500
    assert told.lost_blocks == 0
    assert "8500 rows" in str(told)
    assert "s.db.damaged-1" in str(told)
    assert before[1:] == after[1:]
    for name, (time, value) in before[0].items():
        assert np.array_equal(time, after[0][name][0])
        assert np.array_equal(value, after[0][name][1])
    with open_store(filled) as store:
        assert store.state("window") == b"state"
        assert store.meta("pushed") == "7"
        assert store.check() > 0


@pytest.mark.parametrize("seed", range(6))
def test_every_block_outside_the_damage_is_saved(filled, seed):
    """job.md X12: 2 kB anywhere in the file are overwritten."""
    rng = random.Random(seed)
    data = bytearray(filled.read_bytes())
    at = rng.randrange(len(data) - 2048)
    data[at : at + 2048] = rng.randbytes(2048)
    filled.write_bytes(data)
    told = salvage(filled)
    # 2 kB touch at most three pages of 1 kB; blocks here are 0.5-3 kB
    assert told.rows >= 8500 - 4 * 1200
    got = content(filled)[0]
    want = readings()
    for name in ("voltage_house_v", "current_house_a"):
        time, value = got[name]
        index = np.rint(time - T0).astype(int)
        good = np.isfinite(value)
        assert np.array_equal(value[good], want[name][index[good]])
    assert filled.with_name("s.db.damaged-1").read_bytes() == bytes(data)


def test_a_torn_first_page_hides_nothing_but_itself(filled):
    data = bytearray(filled.read_bytes())
    data[:1024] = os.urandom(1024)
    filled.write_bytes(data)
    with pytest.raises(StoreDamagedError):
        open_store(filled)
    assert salvage(filled).rows == 8500


def test_a_store_cut_short_gives_what_is_left(filled):
    data = filled.read_bytes()
    filled.write_bytes(data[: len(data) // 2])
    told = salvage(filled)
    assert 0 < told.rows < 8500


def test_the_log_is_read_too(path, tmp_path):
    with open_store(path, "daemon", create=True) as store:
        boot = store.begin_boot("live", identity="a")
        log_windows(store, boot.id, 0, 500)
        for end in ("", "-wal"):
            shutil.copy(f"{path}{end}", tmp_path / f"copy.db{end}")
    assert salvage(tmp_path / "copy.db").rows == 500
    assert (tmp_path / "copy.db.damaged-1-wal").exists()


def test_a_running_daemon_is_left_alone(path):
    with (
        open_store(path, "daemon", create=True),
        pytest.raises(StoreBusyError, match="stop it first"),
    ):
        salvage(path)


def test_a_cut_between_the_renames_is_finished_at_opening(filled):
    data = content(filled)[0]
    filled.rename(filled.with_name("s.db.ready.damaged-1"))
    filled.with_name("s.db-wal").write_bytes(b"an old log")
    assert content(filled)[0].keys() == data.keys()
    assert filled.with_name("s.db.damaged-1-wal").read_bytes() == b"an old log"


def test_a_backup_is_made_while_others_write_and_comes_back(filled, tmp_path):
    copy = tmp_path / "backup.db"
    with open_store(filled, "daemon") as daemon, open_store(filled) as store:
        boot = daemon.begin_boot("live", identity="a")
        store.backup(copy)
        log_windows(daemon, boot.id, 1300, 1400, lag=T0 + 90000)
    assert restore(copy, filled) == "s.db.before-restore-1"
    assert sum(b.rows for b in content(filled)[1]) == 8500
    assert sum(b.rows for b in content(tmp_path / "s.db.before-restore-1")[1]) == 8600


def test_something_else_is_not_restored(filled, tmp_path):
    other = tmp_path / "x.db"
    other.write_bytes(b"no store" * 500)
    with pytest.raises(StoreError):
        restore(other, filled)
    assert sum(b.rows for b in content(filled)[1]) == 8500
