"""``campledger log`` as a process over a made-up /dev/i2c-1: start, pull, stop."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from campledger.store import open_store

pytestmark = [pytest.mark.server, pytest.mark.slow]

CHIPS = Path(__file__).parents[1] / "support" / "umock_i2c.py"
RIG = """
[rig]
name = "Live"
timezone = "UTC"
[house]
chemistry = "agm"
capacity_rated_ah = 100
[[sensor]]
driver = "ina226"
bus = "i2c:1"
address = 0x40
shunt_mohm = 0.5
max_a = 100
channels = { current = "current_house_a", voltage = "voltage_house_v" }
interval_s = 0.5
[logger]
window_s = 2
"""
FIRST = 10.0
"""Longest from start to the first sample. [s] Issue's figure."""


def wait_for(what, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if what():
            return True
        time.sleep(0.1)
    return False


def rows(path):
    if not path.exists():
        return 0
    with open_store(path) as store:
        return sum(b.rows for b in store.boots())


def heard(notify, word):
    """Listen until the service manager would have heard a word."""
    while word not in notify.recv(4096):
        pass


def test_the_logger_starts_misses_a_pulled_chip_and_stops_whole(tmp_path):
    if shutil.which("umockdev-wrapper") is None:
        pytest.fail("umockdev is missing: run deploy/system_packages.sh")
    (tmp_path / "rig.toml").write_text(RIG)
    (tmp_path / "trip.csv").write_text(
        "time_utc,voltage_house_v\n2026-05-01T00:00:00Z,12.6\n"
    )
    path, plug = tmp_path / "s.db", tmp_path / "pulled"
    notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    notify.bind(str(tmp_path / "notify"))
    notify.settimeout(30.0)
    begun = time.clock_gettime(time.CLOCK_BOOTTIME)
    pid = tmp_path / "pid"
    process = subprocess.Popen(
        [
            "umockdev-wrapper", "/usr/bin/python3", str(CHIPS), "sh", "-c",
            f'echo $$ > {pid}; exec "$@"', "sh",
            sys.executable, "-m", "campledger", "log",
            "--rig", str(tmp_path / "rig.toml"), "--store", str(path),
        ],
        env={
            **os.environ,
            "PLUG": str(plug),
            "NOTIFY_SOCKET": str(tmp_path / "notify"),
            "RUNTIME_DIRECTORY": str(tmp_path),
        },
        stderr=subprocess.PIPE,
        text=True,
    )  # fmt: skip
    try:
        heard(notify, b"READY=1")
        assert wait_for(lambda: rows(path) >= 6, 20.0)
        plug.touch()
        assert wait_for(
            lambda: "sensor silent" in _events(path),
            10.0,
        )
        plug.unlink()
        assert wait_for(lambda: "sensor back" in _events(path), 20.0)
        second = subprocess.run(
            [
                sys.executable, "-m", "campledger", "log",
                "--replay", str(tmp_path / "trip.csv"),
                "--rig", str(tmp_path / "rig.toml"), "--store", str(path),
            ],
            capture_output=True,
            text=True,
            check=False,
        )  # fmt: skip
        assert second.returncode == 2
        assert "another daemon" in second.stderr
        heard(notify, b"WATCHDOG=1")
        assert json.loads((tmp_path / "status.json").read_text())["soc"]
    finally:
        os.kill(int(pid.read_text()), signal.SIGTERM)
        said = process.communicate(timeout=20)[1]
        notify.close()
    assert "silent" in said
    with open_store(path) as store:
        (boot,) = store.boots()
        assert boot.uptime_first - begun < FIRST
        series = store.record(*store.span()).channels["voltage_house_v"]
    good = np.isfinite(series.value)
    assert set(np.round(series.value[good], 5)) == {12.8}
    # Pulled, it has no value: NaN, or no reading where it was seldom there at all.
    assert boot.rows - good.sum() >= 2


def _events(path):
    with open_store(path) as store:
        return {e.key for e in store.entries("event")}
