"""The whole command over a made-up /dev/i2c-1, as a process of its own."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

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
"""
CHILD = """
import time
from campledger.acquire.buses import open_bus
from campledger.acquire.drivers import make_driver
from campledger.errors import BusError
from campledger.formats.rigfile import read_rig
import os, pathlib
sensor = read_rig({rig!r}).sensors[0]
bus = open_bus(sensor.bus)
driver = make_driver(sensor, bus)
plug = pathlib.Path({plug!r})
def poll():
    try:
        return driver.read().values
    except BusError as error:
        return str(error)
driver.start()
time.sleep(0.6)
print(poll())
plug.touch()
print([poll() for _ in range(3)][-1])
plug.unlink()
driver.start()
time.sleep(0.6)
print(poll())
"""


@pytest.fixture
def wrapped(tmp_path, monkeypatch):
    if shutil.which("umockdev-wrapper") is None:
        pytest.fail("umockdev is missing: run deploy/system_packages.sh")
    (tmp_path / "rig.toml").write_text(RIG)
    plug = tmp_path / "pulled"
    monkeypatch.setenv("PLUG", str(plug))
    start = ["umockdev-wrapper", "/usr/bin/python3", str(WORLD)]

    def run(*command, typed=""):
        return subprocess.run(
            [*start, *command],
            input=typed,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    return run, tmp_path, plug


def test_a_process_reads_loses_and_finds_its_chip(wrapped):
    run, folder, plug = wrapped
    code = CHILD.format(rig=str(folder / "rig.toml"), plug=str(plug))
    done = run(sys.executable, "-c", code)
    assert done.returncode == 0, done.stderr
    first, pulled, back = done.stdout.splitlines()
    assert first == back == "{'current_house_a': -7.25, 'voltage_house_v': 12.8}"
    assert "bus i2c:1 address 0x40: no answer" in pulled


def test_check_live_lists_and_proves(wrapped):
    run, folder, _ = wrapped
    done = run(
        sys.executable,
        "-m",
        "campledger",
        "check",
        "--live",
        "--json",
        "--rig",
        str(folder / "rig.toml"),
        "--store",
        str(folder / "bench.db"),
        typed="q\n",
    )
    assert done.returncode == 0, done.stderr
    made = json.loads(done.stdout)
    assert made["buses"] == [{"bus": "i2c:1", "found": ["0x40"], "problem": None}]
    assert made["sensors"][0]["problem"] is None
    assert made["not_done"] == list(range(1, 12))
