"""
What the running daemon costs: memory, processor, bytes written, a simulated week.

``python tests/bench/bench_daemon.py [--seconds 120] [--hours 3] [--days 7] [--write]``.
The live part runs the real daemon in a child process with twelve channels at 1 Hz of
six chips behind a made-up /dev/i2c-1 (umockdev; its share of the work in the child
counts), each polled twice a second; written bytes are the kernel's counter; the week
runs through the replay path, with memory read each simulated day.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from dated import commit as commit_now

from campledger.app.chores import Chores, chores_of
from campledger.app.daemon import Daemon, Surroundings
from campledger.app.wiring import live_source, replay_source
from campledger.formats.rigfile import read_rig
from campledger.store import open_store

CHANNELS = (
    "voltage_house_v",
    "current_house_a",
    "temp_house_c",
    "current_solar_a",
    "current_alternator_a",
    "voltage_alternator_in_v",
    "voltage_start_v",
    "current_fridge_a",
    "voltage_fridge_v",
    "temp_fridge_c",
    "current_logger_a",
    "temp_air_c",
)
RIG = """
[rig]
name = "Bench"
timezone = "UTC"
latitude_deg = -30.0
longitude_deg = 140.0
[house]
chemistry = "agm"
capacity_rated_ah = 100
[source.solar]
kind = "solar"
panel_w = 160
[source.alternator]
kind = "dcdc"
rated_a = 25
[load.fridge]
kind = "fridge"
[load.logger]
kind = "logger"
"""
VOLTS = (
    "voltage_house_v",
    "voltage_alternator_in_v",
    "voltage_start_v",
    "voltage_fridge_v",
    "voltage_solar_panel_v",
    "voltage_logger_v",
)
AMPS = (
    "current_house_a",
    "current_solar_a",
    "current_alternator_a",
    "current_fridge_a",
    "current_charge_a",
    "current_logger_a",
)
SENSORS = "".join(
    f"""
[[sensor]]
driver = "ina226"
bus = "i2c:1"
address = {0x40 + k}
shunt_mohm = 0.5
max_a = 100
channels = {{ voltage = "{VOLTS[k]}", current = "{AMPS[k]}" }}
interval_s = 1
"""
    for k in range(6)
)
CHIPS = Path(__file__).parents[1] / "support" / "umock_six.py"
ASKED = {"rss": 60.0, "slope": 1.0, "cpu": 15.0, "bytes": 80.0}
T0 = 1_790_000_000.0


def value(name: str, uptime: np.ndarray | float) -> np.ndarray | float:
    """Give a reading that moves and carries noise, in steps of a real chip."""
    k = CHANNELS.index(name)
    base = 13.0 if name.startswith("voltage") else 4.0
    noise = np.sin(np.asarray(uptime) * (12.9898 + k)) * 43758.5453
    noise = noise - np.floor(noise) - 0.5
    slow = np.sin(np.asarray(uptime) / (600.0 + 97.0 * k))
    lsb = 0.00125 if name.startswith("voltage") else 0.005
    return np.round((base + slow + 0.02 * noise) / lsb) * lsb


def memory() -> float:
    """Resident memory of this process. [MB]"""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return float(line.split()[1]) / 1024.0
    return float("nan")


def written() -> int:
    """Bytes that this process sent to the disk, by the kernel's counter."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes"):
            return int(line.split()[1])
    return 0


def _rig(folder: Path):
    path = folder / "rig.toml"
    path.write_text(RIG + SENSORS, encoding="utf-8")
    return read_rig(path)


def live(folder: Path, seconds: float) -> dict[str, float]:
    """Run live for some seconds; costs of the steady part."""
    rig = _rig(folder)
    source = live_source(rig, "bench boot")
    marks: list[tuple[float, float, float]] = []

    def watch() -> None:
        time.sleep(min(10.0, 0.2 * seconds))
        marks.append((time.monotonic(), time.process_time(), memory()))
        time.sleep(seconds)
        marks.append((time.monotonic(), time.process_time(), memory()))
        source.stop.set()

    threading.Thread(target=watch, daemon=True).start()
    with open_store(folder / "live.db", "daemon", create=True) as store:
        chores = Chores(
            chores_of(rig, folder / "rig.toml", folder / "live.db"),
            zone="UTC",
            store=folder / "live.db",
            run=lambda _: 0,
        )
        Daemon(rig, store, source, Surroundings(chores=chores)).run()
        boot = store.boots()[0]
        good = [store.boot_totals(boot.id)[n].covered for n in (*VOLTS, *AMPS)]
    (t0, c0, _), (t1, c1, rss) = marks
    covered = min(good) / (boot.uptime_last - boot.uptime_first)
    return {"cpu": 1000.0 * (c1 - c0) / (t1 - t0), "rss": rss, "covered": covered}


class _Rows:
    """A recording made as it is read, one hour at a time."""

    channels = CHANNELS

    def __init__(self, seconds: int, told=lambda _: None) -> None:
        self.seconds = seconds
        self.told = told

    def __iter__(self):
        for start in range(0, self.seconds, 3600):
            uptime = start + 1.0 + np.arange(min(3600, self.seconds - start))
            self.told(start)
            yield SimpleNamespace(
                values={n: value(n, uptime) for n in CHANNELS},
                time_utc=T0 + uptime,
                boot=np.ones(len(uptime), dtype=np.int64),
                uptime=uptime,
            )


def replayed(folder: Path, seconds: int, window: float) -> dict[str, object]:
    """Run simulated time through the daemon; memory by day and bytes written."""
    rig = _rig(folder)
    days: list[float] = []

    def told(start: int) -> None:
        if start % 86400 == 0:
            days.append(memory())

    source = replay_source(
        _Rows(seconds, told), name="bench", pace=0.0, sampling="mean"
    )
    with open_store(folder / "week.db", "daemon", create=True) as store:
        daemon = Daemon(rig, store, source)
        daemon._window = window
        before = written()
        done = daemon.run()
        after = written()
    days.append(memory())
    return {
        "days": days,
        "bytes": (after - before) / (done.rows * len(CHANNELS)),
        "rows": done.rows,
    }


def child(options: argparse.Namespace) -> None:
    """One measurement in a fresh process."""
    logging.disable(logging.CRITICAL)
    with tempfile.TemporaryDirectory(dir=options.folder or None) as folder:
        if options.child == "live":
            out = live(Path(folder), options.seconds)
        elif options.child == "bytes":
            out = replayed(Path(folder), int(options.hours * 3600), 9.0)
        else:
            out = replayed(Path(folder), int(options.days * 86400), 600.0)
    print(json.dumps(out))


def _ask(what: str, options: argparse.Namespace) -> dict:
    words = [sys.executable, __file__, "--child", what]
    if what == "live":
        words = ["umockdev-wrapper", "/usr/bin/python3", str(CHIPS), *words]
    for name in ("seconds", "hours", "days", "folder"):
        words += [f"--{name}", str(getattr(options, name))]
    settings = {"OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "1"}
    done = subprocess.run(
        words,
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, **settings},
    )
    return json.loads(done.stdout.splitlines()[-1])


def main(argv: list[str] | None = None) -> int:
    """Measure and print, or also write, the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--hours", type=float, default=3.0)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--folder", default="")
    parser.add_argument("--child", default="")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args(argv)
    if options.child:
        child(options)
        return 0
    one = _ask("live", options)
    two = _ask("bytes", options)
    week = _ask("week", options)
    days = week["days"][1:]
    slope = float(np.polyfit(np.arange(len(days)), days, 1)[0]) if len(days) > 2 else 0
    rows = [
        ("resident memory, live, 12 channels at 1 Hz [MB]", one["rss"], ASKED["rss"]),
        ("processor, live [ms a second]", one["cpu"], ASKED["cpu"]),
        (
            f"bytes written a stored value, {options.hours:g} h, 10 s windows, sealed",
            two["bytes"],
            ASKED["bytes"],
        ),
        (
            f"memory over {options.days:g} simulated days, highest [MB]",
            max(week["days"]),
            ASKED["rss"],
        ),
        ("its slope after the first day [MB a day]", slope, ASKED["slope"]),
    ]
    text = "| what | measured | asked at most |\n|---|---|---|\n"
    text += "\n".join(f"| {w} | {v:.2f} | {a:g} |" for w, v, a in rows)
    print(text)
    if options.write:
        commit = commit_now()
        head = (
            f"# Costs of the daemon\n\n{datetime.now(UTC):%Y-%m-%d}, commit {commit}, "
            f"{os.uname().machine}, other work on it. Six INA226 on a made-up "
            "/dev/i2c-1 by the kernel's calls, each polled twice a second; "
            f"{one['covered']:.1%} of the time covered. The week runs by the replay "
            "path, which reads ahead and so holds more.\n\n"
        )
        target = Path(__file__).parent / "results" / "bench_daemon.md"
        target.write_text(f"{head}{text}\n", encoding="utf-8")
    return int(any(v > a for _, v, a in rows))


if __name__ == "__main__":
    sys.exit(main())
