"""
Measure the store: size, speed, bytes written, a year of trips.

``python tests/bench/bench_store.py [--days 30] [--write]``; readings are quantised as
the 16-bit monitors' are (1.25 mV, 150 A / 32768, 1/16 Cel) with noise of 1-2 steps,
printed to three or four decimals as a recording file holds them. Times are processor
time of one thread, because the machine is shared.
"""

from __future__ import annotations

import argparse
import platform
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from dated import commit as commit_now

from campledger.store import Columns, Rows, Window, open_store

DAY = 86400
START = 1_777_593_600.0
NAMES = (
    "voltage_house_v",
    "current_house_a",
    "current_solar_a",
    "current_fridge_a",
    "voltage_start_v",
    "temp_house_c",
    "temp_fridge_c",
    "temp_air_c",
)


def day(rng: np.random.Generator, k: int) -> dict[str, np.ndarray]:
    """Make one day at 1 Hz."""
    t = np.arange(DAY)
    hour = (t / 3600.0) % 24
    sun = np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None) * 9
    cloud = 1 - 0.6 * (np.sin(t / 700 + k) > 0.4)
    solar = sun * cloud + 0.01 * rng.standard_normal(DAY)
    fridge = np.where((t // 600 + k) % 3 == 0, 4.2, 0.05)
    house = solar - fridge - 0.4
    step = 150 / 32768
    amp = [
        np.round(np.rint((x + 0.008 * rng.standard_normal(DAY)) / step) * step, 4)
        for x in (house, solar, fridge)
    ]
    volt = [
        np.round(np.rint(x / 0.00125) * 0.00125, 5)
        for x in (
            12.9 + 0.02 * house + 0.002 * rng.standard_normal(DAY),
            12.7 + 0.05 * np.sin(t / 9000) + 0.002 * rng.standard_normal(DAY),
        )
    ]
    temp = [
        np.rint((x + 0.03 * rng.standard_normal(DAY)) * 16) / 16
        for x in (
            24 + 3 * np.sin((hour - 9) / 12 * np.pi),
            4 + 1.5 * np.sin(t / 900),
            22 + 9 * np.sin((hour - 9) / 12 * np.pi),
        )
    ]
    columns = (volt[0], amp[0], amp[1], amp[2], volt[1], *temp)
    return dict(zip(NAMES, columns, strict=True))


def clock(call) -> tuple[float, object]:
    """Give the best of three times and the last result."""
    times, out = [], None
    for _ in range(3):
        t0 = time.process_time()
        out = call()
        times.append(time.process_time() - t0)
    return min(times), out


def bulk(folder: Path, days: int) -> list[tuple[str, str, str]]:
    """Import, size, one channel out, the same again."""
    path = folder / "bulk.db"
    rng = np.random.default_rng(1)
    spent = again = 0.0
    rows = 0
    chunks = []
    with open_store(path, "write", create=True) as store:
        for k in range(days):
            values = day(rng, k)
            times = START + k * DAY + 1.0 + np.arange(DAY)
            chunk = Columns(time_utc=times, values=values)
            t0 = time.process_time()
            count = store.import_rows("van", chunk)
            spent += time.process_time() - t0
            rows += count.added
            if k < 3:
                chunks.append(chunk)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    with open_store(path, "write") as store:
        for chunk in chunks:
            t0 = time.process_time()
            count = store.import_rows("van", chunk)
            again += time.process_time() - t0
            assert count.added == 0, count
    size = path.stat().st_size
    end = START + days * DAY

    def one() -> int:
        with open_store(path) as store:
            return len(store.record(START, end).channels["current_house_a"].value)

    def minutes() -> int:
        with open_store(path) as store:
            record = store.record(START, end)
            return sum(len(record.minutes[n].charge) for n in NAMES)

    read, got = clock(one)
    assert got == rows
    summary, _ = clock(minutes)
    values = rows * len(NAMES)
    return [
        (f"bulk import, {values / 1e6:.1f} M values", f"{spent:.2f} s", "3.5 s"),
        ("the same again (3 days, scaled)", f"{again / 3 * days:.2f} s", ""),
        ("store size a reading, all-in", f"{size / values:.3f} byte", "1.0 byte"),
        ("peak memory of the import", f"{peak:.0f} MB", "200 MB"),
        (f"one channel of {days} days out", f"{read:.3f} s", "0.25 s"),
        (f"minutes of 8 channels, {days} days", f"{summary:.3f} s", ""),
    ]


def written() -> int:
    """Give the bytes that this process caused to be written."""
    text = Path("/proc/self/io").read_text(encoding="ascii")
    return int(text.split("write_bytes:")[1].split()[0])


def live(folder: Path, hours: int) -> list[tuple[str, str, str]]:
    """Windows of 10 s of 12 channels, sealed hourly; bytes by the kernel's counter."""
    path = folder / "live.db"
    rng = np.random.default_rng(2)
    columns = day(rng, 0)
    columns |= {f"temp_x{k}_c": columns["temp_air_c"] + k for k in range(4)}
    before, t0 = written(), time.process_time()
    with open_store(path, "daemon", create=True) as store:
        boot = store.begin_boot("van", identity="bench")
        state = bytes(rng.integers(0, 255, 600, dtype=np.uint8))
        for a in range(0, hours * 3600, 10):
            uptime = np.round(a + np.arange(10) + 5 + 0.002 * rng.random(10), 6)
            part = {n: v[a % DAY : a % DAY + 10] for n, v in columns.items()}
            rows = Rows(uptime=uptime, wall=START + uptime, values=part)
            store.append_window(Window(boot=boot.id, rows=(rows,), state=state))
            if a and a % 3600 == 0:
                store.seal(boot.id, up_to=float(a))
        store.seal(boot.id)
    cpu = time.process_time() - t0
    values = hours * 3600 * 12
    return [
        (
            "bytes written a stored value, 12 channels, 600 byte state a window",
            f"{(written() - before) / values:.1f}",
            "80",
        ),
        ("CPU a second of record", f"{cpu / hours / 3.6:.2f} ms", ""),
        ("size after sealing", f"{path.stat().st_size / values:.2f} byte/value", ""),
    ]


def year(folder: Path) -> list[tuple[str, str, str]]:
    """Read a 10-day trip alone, and out of a store with a year of trips."""
    best = {}
    rng = np.random.default_rng(3)
    made = [day(rng, k) for k in range(3)]
    for label, first in (("alone", 355), ("year", 0)):
        path = folder / f"{label}.db"
        with open_store(path, "write", create=True) as store:
            for k in range(first, 365):
                times = START + k * DAY + 1.0 + 5 * np.arange(DAY // 5)
                values = {n: v[::5] for n, v in made[k % 3].items()}
                store.import_rows("van", Columns(time_utc=times, values=values))

        def trip(path: Path = path) -> None:
            with open_store(path) as store:
                store.trips()
                record = store.record(START + 355 * DAY, START + 365 * DAY)
                for name in record.minutes:
                    assert record.minutes[name] is not None
                assert len(record.channels["current_house_a"].value)

        best[label], _ = clock(trip)
    ratio = best["year"] / best["alone"]
    shown = f"{best['year']:.3f} / {best['alone']:.3f} s = {ratio:.2f}"
    return [("10-day trip: with a year in the store / alone", shown, "1.5")]


def main(argv: list[str] | None = None) -> int:
    """Run all of it and print, or also write, the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--hours", type=int, default=24)
    parser.add_argument("--write", action="store_true", help="write the dated table")
    options = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rows = bulk(folder, options.days)
        rows += live(folder, options.hours)
        rows += year(folder)
    lines = ["| what | measured | asked |", "|---|---|---|"]
    lines += [f"| {a} | {b} | {c} |" for a, b, c in rows]
    text = "\n".join(lines)
    print(text)
    if options.write:
        commit = commit_now()
        head = (
            f"# Store\n\n{datetime.now(UTC):%Y-%m-%d}, commit {commit}, seeds 1-3, "
            f"{platform.machine()}, Python {platform.python_version()}.\n\n"
        )
        target = Path(__file__).parent / "results" / "bench_store.md"
        target.parent.mkdir(exist_ok=True)
        target.write_text(f"{head}{text}\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
