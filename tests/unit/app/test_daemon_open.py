"""A store that is damaged, or cannot be opened for want of room, and the logger."""

import queue
import threading

import numpy as np
import pytest

from campledger.app.commands import log_
from campledger.app.wiring import Source
from campledger.errors import StoreBusyError
from campledger.store import Rows, StoreFullError, Window, open_store


@pytest.fixture
def source():
    return Source(
        pollers=[],
        out=queue.Queue(),
        clock=None,
        kind="live",
        sampling="mean",
        stop=threading.Event(),
    )


def test_a_damaged_store_is_mended_and_logged_to(tmp_path, source):
    path = tmp_path / "s.db"
    up = np.arange(1.0, 7201.0)
    with open_store(path, "daemon", create=True) as store:
        boot = store.begin_boot("van", identity="a")
        values = {"voltage_house_v": 12.0 + 0.001 * (up % 100)}
        for a in range(0, 7200, 3600):
            part = slice(a, a + 3600)
            rows = Rows(uptime=up[part], values={n: v[part] for n, v in values.items()})
            store.append_window(Window(boot=boot.id, rows=(rows,)))
            store.seal(boot.id)
    raw = bytearray(path.read_bytes())
    raw[5000:6000] = bytes(1000)
    path.write_bytes(raw)
    with log_._open(path, source) as store:
        assert sum(b.rows for b in store.boots()) >= 3600
    assert [p.name for p in tmp_path.iterdir() if "damaged" in p.name]


def test_no_room_at_the_start_waits_and_says_so(tmp_path, source, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(log_, "AGAIN", 0.0)
    answers = [StoreFullError("s.db: got no space on the disk, expected room"), None]

    def opened(path, mode, *, create):
        problem = answers.pop(0)
        if problem is not None:
            raise problem
        return "the store"

    monkeypatch.setattr(log_, "open_store", opened)
    assert log_._open(tmp_path / "s.db", source) == "the store"
    assert "NOT SAVED" in (tmp_path / "status.json").read_text()


def test_another_daemon_is_not_waited_for(tmp_path, source):
    path = tmp_path / "s.db"
    with (
        open_store(path, "daemon", create=True),
        pytest.raises(StoreBusyError, match="another daemon"),
    ):
        log_._open(path, source)
