"""The daemon as a process over a made-up /dev/i2c-1: pulled, returned, two owners."""

import math
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from campledger.errors import StoreError
from campledger.store import open_store

pytestmark = pytest.mark.server

WORLD = Path(__file__).parents[1] / "support" / "umock_i2c.py"
RIG = """
[rig]
name = "Bench"
timezone = "UTC"
[house]
chemistry = "lfp"
capacity_rated_ah = 100
[[sensor]]
driver = "ina226"
bus = "i2c:1"
address = 0x40
shunt_mohm = 0.5
channels = { current = "current_house_a", voltage = "voltage_house_v" }
[logger]
window_s = 2
"""
RIGHT = {"current_house_a": -7.25, "voltage_house_v": 12.8}


def events(path):
    if not path.exists():
        return []
    try:
        with open_store(path, "read") as store:
            return [e.key for e in store.entries("event")]
    except StoreError:  # it is being made
        return []


def wait_for(path, key, seconds=25.0):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if key in events(path):
            return
        time.sleep(0.2)
    pytest.fail(f"no event {key!r}: {events(path)}")


@pytest.fixture
def daemon(tmp_path, monkeypatch):
    if shutil.which("umockdev-wrapper") is None:
        pytest.fail("umockdev is missing: run deploy/system_packages.sh")
    (tmp_path / "rig.toml").write_text(RIG)
    monkeypatch.setenv("PLUG", str(tmp_path / "pulled"))
    start = ["umockdev-wrapper", "/usr/bin/python3", str(WORLD)]
    rig = ["--rig", str(tmp_path / "rig.toml"), "--store", str(tmp_path / "s.db")]
    process = subprocess.Popen(
        [*start, sys.executable, "-m", "campledger", "log", *rig],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    yield process, tmp_path
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGTERM)
    process.communicate(timeout=20)


def test_a_pulled_chip_is_told_missing_and_found_again(daemon):
    process, folder = daemon
    store_path, plug = folder / "s.db", folder / "pulled"
    wait_for(store_path, "boot")
    time.sleep(5.0)
    plug.touch()
    wait_for(store_path, "sensor silent")
    plug.unlink()
    wait_for(store_path, "sensor back")
    time.sleep(6.0)
    os.killpg(process.pid, signal.SIGTERM)
    process.communicate(timeout=20)
    with open_store(store_path, "read") as store:
        span = store.span()
        assert span is not None
        record = store.record(span[0] - 1, span[1] + 1, (), 0.0)
        for channel, value in RIGHT.items():
            read = [x for x in record.channels[channel].value if math.isfinite(x)]
            assert len(read) >= 6
            assert read == pytest.approx([value] * len(read), abs=1e-3)
        (silent,) = [e for e in store.entries("event") if e.key == "sensor silent"]
        assert "no answer" in str(silent.body["text"])
