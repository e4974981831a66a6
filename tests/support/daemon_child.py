"""
The real daemon in a process of its own, on chips whose every value can be checked.

``python tests/support/daemon_child.py STORE [--interval 0.05] [--window 1] [--told N]``
runs until it is killed. A reading is a function of the end of its interval, so that any
row that comes back can be compared, and a row that is missing, double or wrong is seen.
With ``--told`` it prints ``ACK n`` after each window: n rows are on the disk.
"""

from __future__ import annotations

import argparse
import logging
import math
import sys
import time
from pathlib import Path

import numpy as np

from campledger.acquire.buses.fake import FakeDriver
from campledger.app.clockwork import kernel_boot
from campledger.app.daemon import Daemon, Surroundings
from campledger.app.wiring import live_source
from campledger.model.rig import House, LoggerSettings, Rig, Sensor
from campledger.store import open_store

CHANNELS = ("voltage_house_v", "current_house_a", "temp_house_c", "current_fridge_a")

LATE = 0.1
"""A poll of a slow machine may end up to a second after the chip was asked. [V, A]"""


def value_at(name: str, end: np.ndarray | float) -> np.ndarray:
    """Give the reading of an interval that ends at an uptime."""
    k = CHANNELS.index(name)
    return np.round(13.0 + 3.0 * np.sin(np.asarray(end) / (37.0 + k)), 3)


def rig_of(interval: float, window: float) -> Rig:
    """Give a rig of two fake chips."""
    return Rig(
        name="Crash",
        timezone="UTC",
        house=House(chemistry="agm", capacity_rated=100.0),
        sensors=tuple(
            Sensor(
                driver="fake",
                bus="i2c:1",
                address=0x40 + k,
                channels=(("a", CHANNELS[2 * k]), ("b", CHANNELS[2 * k + 1])),
                interval=interval,
            )
            for k in range(2)
        ),
        logger=LoggerSettings(window=window),
    )


def make_daemon(path: Path, interval: float, window: float, *, told: bool) -> Daemon:
    """Make the daemon; it seals every few windows instead of every hour."""
    rig = rig_of(interval, window)

    def now() -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def connect(sensor: Sensor) -> FakeDriver:
        def read(name: str, t: float) -> float:
            return float(value_at(name, math.ceil(t / interval) * interval))

        return FakeDriver(
            uptime=now,
            values={
                n: (lambda t, n=n: read(n, t)) for n in (c for _, c in sensor.channels)
            },
        )

    source = live_source(rig, kernel_boot() or "boot", connect)
    store = open_store(path, "daemon", create=True)
    append, sealed = store.append_window, 0

    def append_and_tell(window):
        nonlocal sealed
        number = append(window)
        sealed += 1
        if sealed % 7 == 0:
            # An hour's sealing, brought forward so that kills fall into it too.
            store.seal(window.boot, up_to=float(window.rows[0].uptime[-1]))
        if told:
            rows = sum(b.rows for b in store.boots())
            print(f"ACK {rows}", flush=True)
        return number

    store.append_window = append_and_tell  # type: ignore[method-assign]
    around = Surroundings(synchronised=lambda: False)
    return Daemon(rig, store, source, around)


def check(path: Path) -> tuple[np.ndarray, str]:
    """Give the uptimes of all rows, and what is wrong with the store, or nothing."""
    with open_store(path) as store:
        store.check()
        boots = [b for b in store.boots() if b.rows]
        if not boots:
            return np.zeros(0), ""
        start, end = store.span() or (0.0, 0.0)
        record = store.record(start - 1.0, end + 1.0)
        uptimes = np.zeros(0)
        for name in CHANNELS:
            series = record.channels[name]
            uptime = []
            for boot in boots:
                inside = series.between(boot.start_utc - 1e-3, boot.end_utc + 1e-3)
                uptime.append(
                    boot.uptime_first + (inside.time_utc - boot.start_utc) / boot.rate
                )
            uptimes = np.concatenate(uptime)
            if len(uptimes) != sum(b.rows for b in boots):
                return uptimes, f"{name}: {len(uptimes)} rows read, others stored"
            wrong = np.abs(series.value - value_at(name, np.round(uptimes, 4))) > LATE
            if (wrong & np.isfinite(series.value)).any():
                return uptimes, f"{name}: {int(wrong.sum())} values differ"
        if (np.diff(np.round(uptimes, 4)) == 0).any():
            return uptimes, "a row is there twice"
    return uptimes, ""


def main(argv: list[str] | None = None) -> int:
    """Run until killed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("store")
    parser.add_argument("--interval", type=float, default=0.05)
    parser.add_argument("--window", type=float, default=1.0)
    parser.add_argument("--told", action="store_true")
    options = parser.parse_args(argv)
    logging.disable(logging.CRITICAL)
    daemon = make_daemon(
        Path(options.store), options.interval, options.window, told=options.told
    )
    daemon.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
