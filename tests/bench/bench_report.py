"""
Measure the report as a cold command: time, memory, size.

``python tests/bench/bench_report.py [--days 10 30] [--write]``. An invented trip at
1 Hz with ten channels is imported into a fresh store; the first report computes the
estimates, the following ones use what was kept. Each run is a process of its own,
imports included; time is the median of three.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from dated import commit as commit_now
from tests.support.report_trip import CAPACITY, OFFSET, START, _columns

ASKED = {10: (6.0, 250.0, 2.5), 30: (12.0, None, None)}
SEED = 7
RIG = f"""
[rig]
name = "Bench van"
timezone = "Australia/Darwin"
latitude_deg = -23.7
longitude_deg = 133.9
[house]
chemistry = "agm"
capacity_rated_ah = {CAPACITY}
[source.solar]
kind = "solar"
panel_w = 160
[source.alternator]
kind = "dcdc"
rated_a = 25
[load.fridge]
kind = "fridge"
on_a = 4.2
set_c = 3
[load.inverter]
kind = "inverter"
idle_a = 0.6
[load.lights]
kind = "lights"
on_a = 1.4
[load.logger]
kind = "logger"
on_a = 0.3
"""
PLAN = """
[trip]
name = "Bench trip"
start = 2026-05-01T08:00:00+09:30
end = {end}
opening_soc = 1.0
[every_day]
drive_h = 0.5
temp_min_c = 14
temp_max_c = 29
sun_hours = 5.5
[load.fridge]
on_a = 4.5
hours_per_day = 8
figure = "label"
[load.logger]
on_a = 0.3
hours_per_day = 24
figure = "measured"
"""


def write_trip(folder: Path, days: int) -> None:
    """Write recording, rig and plan."""
    time_utc, columns, _ = _columns(days, 1.0, np.random.default_rng(SEED))
    stamps = pa.array((time_utc * 1e6).astype("int64"), pa.timestamp("us", tz="UTC"))
    table = pa.table(
        {"time_utc": stamps.cast(pa.timestamp("s", tz="UTC"))}
        | {n: pa.array(np.round(v, 3)) for n, v in columns.items()}
    )
    text = table.set_column(
        0,
        "time_utc",
        pc.strftime(table["time_utc"], format="%Y-%m-%dT%H:%M:%SZ"),
    )
    pacsv.write_csv(text, folder / "trip.csv")
    (folder / "rig.toml").write_text(RIG)
    end = datetime.fromtimestamp(START + days * 86400 + OFFSET, tz=UTC)
    stamp = end.strftime("%Y-%m-%dT%H:%M:%S+09:30")
    (folder / "plan.toml").write_text(PLAN.format(end=stamp))


LAUNCH = """
import resource, subprocess, sys, time
begin = time.perf_counter()
status = subprocess.run([sys.executable, "-m", "campledger", *sys.argv[1:]],
    stdout=subprocess.DEVNULL).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(time.perf_counter() - begin, used.ru_maxrss / 1024,
    used.ru_utime + used.ru_stime, status)
"""
"""A small process in between: a child's peak counts its parent's size at the fork."""


def run(folder: Path, *words: str) -> tuple[float, float, float]:
    """Run a command; give wall seconds, peak MB and processor seconds."""
    out = subprocess.run(
        [sys.executable, "-c", LAUNCH, *words],
        cwd=folder,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    seconds, peak, busy, status = out.split()
    if status != "0":
        msg = f"campledger {' '.join(words)}: exit status {status}"
        raise RuntimeError(msg)
    return float(seconds), float(peak), float(busy)


def measure(days: int) -> list[str]:
    """Give the rows of the table for one length of trip."""
    seconds, megabytes, size_asked = ASKED.get(days, (None, None, None))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_trip(folder, days)
        run(folder, "import", "trip.csv")
        words = ("report", "--plan", "plan.toml", "--out", "trip.html")
        first, first_mb, first_busy = run(folder, *words)
        runs = [run(folder, *words) for _ in range(3)]
        size = (folder / "trip.html").stat().st_size / 1e6
    cold = float(np.median([r[0] for r in runs]))
    peak = max(r[1] for r in runs)
    busy = float(np.median([r[2] for r in runs]))

    def row(what: str, value: float, asked: float | None, unit: str) -> str:
        wanted = "-" if asked is None else f"{asked:g} {unit}"
        return f"| {what}, {days} days | {value:.2f} {unit} | {wanted} |"

    return [
        row("first report after the import", first, 45.0 if days == 10 else None, "s"),
        row("its processor time", first_busy, None, "s"),
        row("its peak memory", first_mb, None, "MB"),
        row("cold report", cold, seconds, "s"),
        row("its processor time", busy, None, "s"),
        row("its peak memory", peak, megabytes, "MB"),
        row("file", size, size_asked, "MB"),
    ]


def main(argv: list[str] | None = None) -> None:
    """Print the table; write it dated with ``--write``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, nargs="+", default=[10, 30])
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    lines = ["| what | measured | asked |", "|---|---|---|"]
    for days in args.days:
        lines += measure(days)
    print("\n".join(lines))
    if args.write:
        commit = commit_now()
        stamp = datetime.now(tz=UTC).strftime("%Y-%m-%d %H:%M")
        head = (
            f"# Report as a cold command\n\n{stamp} UTC, commit {commit}, seed {SEED}, "
            f"{platform.machine()}, {os.cpu_count()} cores shared, "
            f"Python {platform.python_version()}.\n\n"
        )
        out = Path(__file__).parent / "results" / "bench_report.md"
        out.write_text(head + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
