"""
Kill a process that logs and seals, at random instants; then count what is there.

``python tests/bench/bench_kill.py [--kills 200] [--seed 1] [--write]``. The child says
what was acknowledged after each window; a store is bad if it does not open, if a row
that was acknowledged is missing, if a row is there twice or differs.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from dated import commit as commit_now

from campledger.store import Rows, Window, open_store

T0 = 1_777_600_000.0
ROWS = 10


def value_at(uptime: np.ndarray) -> np.ndarray:
    """Give the reading that belongs to an uptime, so that any row can be checked."""
    return np.round(12.8 + 0.5 * np.sin(uptime / 37.0), 3)


def child(path: str) -> None:
    """Log and seal as fast as possible until killed; go on where the store ends."""
    with open_store(path, "daemon", create=True) as store:
        boot = store.begin_boot("van", identity="kernel boot 1")
        start = boot.uptime_last if boot.rows else 0.0
        k = 0
        while True:
            uptime = start + 1.0 + np.arange(ROWS)
            volts = value_at(uptime)
            rows = Rows(
                uptime=uptime,
                wall=T0 + uptime,
                values={"voltage_house_v": volts, "temp_air_c": volts},
            )
            store.append_window(Window(boot=boot.id, rows=(rows,), state=b"s" * 500))
            start = float(uptime[-1])
            print(f"ACK {start:.0f}", flush=True)
            k += 1
            if k % 7 == 0:
                store.seal(boot.id, up_to=start)


def check(path: Path, acknowledged: float) -> str:
    """Say what is wrong with a store, or nothing."""
    with open_store(path) as store:
        store.check()
        boots = store.boots()
        series = (
            store.record(T0, T0 + 1e8).channels["voltage_house_v"] if boots else None
        )
    uptime = series.time_utc - T0 if series is not None else np.zeros(0)
    wanted = np.arange(1.0, len(uptime) + 1)
    if len(uptime) and not np.array_equal(np.rint(uptime), wanted):
        return "a row is missing or there twice"
    if not np.array_equal(series.value, value_at(wanted)):
        return "a value differs"
    if boots and boots[0].rows != len(uptime):
        return f"{boots[0].rows} rows stored, {len(uptime)} read"
    if len(uptime) < acknowledged:
        return f"{len(uptime)} rows, {acknowledged:.0f} acknowledged"
    return ""


def run(kills: int, seed: int) -> tuple[int, int, list[str]]:
    """Kill a number of times; gives kills, rows and what was bad."""
    rng = random.Random(seed)
    bad: list[str] = []
    rows = 0.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        for _ in range(kills):
            process = subprocess.Popen(
                [sys.executable, __file__, "--child", str(path)],
                stdout=subprocess.PIPE,
                text=True,
            )
            lines = iter(process.stdout)
            first = next(lines, "")
            time.sleep(rng.uniform(0.0, 0.15))
            process.kill()
            rest = [first, *lines]
            process.wait()
            process.stdout.close()
            acks = [
                float(x.split()[1])
                for x in rest
                if x.startswith("ACK") and x[-1] == "\n"
            ]
            rows = max([rows, *acks])
            try:
                found = check(path, rows)
            except Exception as error:  # noqa: BLE001  # any failure is a bad store
                found = f"does not open: {error}"
            if found:
                bad.append(found)
    return kills, int(rows), bad


def main(argv: list[str] | None = None) -> int:
    """Run the kills and print, or also write, the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", default="")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args(argv)
    if options.child:
        child(options.child)
    t0 = time.monotonic()
    kills, rows, bad = run(options.kills, options.seed)
    text = (
        "| kills | rows | bad stores | asked | seconds |\n|---|---|---|---|---|\n"
        f"| {kills} | {rows} | {len(bad)} | 0 | {time.monotonic() - t0:.0f} |"
    )
    print(text, *bad, sep="\n")
    if options.write:
        commit = commit_now()
        head = (
            f"# SIGKILL at random instants\n\n{datetime.now(UTC):%Y-%m-%d}, commit "
            f"{commit}, seed {options.seed}, {os.uname().machine}. The child logs "
            "windows of ten rows and seals every seventh, as fast as it can.\n\n"
        )
        target = Path(__file__).parent / "results" / "bench_kill.md"
        target.write_text(f"{head}{text}\n", encoding="utf-8")
    return int(bool(bad))


if __name__ == "__main__":
    sys.exit(main())
