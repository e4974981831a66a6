"""
The main commands cold: time, memory, size of the report, a year in the store.

    python tests/bench/full.py commands [--write]

Trips are the shipped one, shifted in time. Processor seconds of the whole process are
quoted beside wall seconds, because machines are shared.
"""

import argparse
import csv
import datetime
import gzip
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
RIG = TOP / "config" / "demo_rig.toml"
TRIP = TOP / "replay_data" / "demo_trip.csv.gz"


def call(*words):
    """Run a command; give wall s, processor s and peak MB."""
    before = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "campledger", *map(str, words)],
        stdout=subprocess.DEVNULL,
    )
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(process.returncode)
    wall = time.perf_counter() - before
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def best(*words, runs=3):
    """Give the median of several runs."""
    rows = sorted(call(*words) for _ in range(runs))
    return rows[len(rows) // 2]


def shifted(days, out, *, copies=1):
    """Write the trip moved by whole days, one copy after another."""
    with gzip.open(TRIP, "rt", newline="") as file:
        rows = list(csv.reader(file))
    span = 11
    with out.open("w", newline="") as file:
        write = csv.writer(file)
        write.writerow(rows[0])
        for k in range(copies):
            move = datetime.timedelta(days=days + k * span)
            for row in rows[1:]:
                when = datetime.datetime.fromisoformat(row[0]) + move
                stamp = when.strftime("%Y-%m-%dT%H:%M:%SZ")
                write.writerow([stamp, *row[1:]])


def measure(folder, *, year):
    """Give the rows of the table."""
    rows = []
    one, many, month = (folder / f"{n}.db" for n in ("one", "many", "month"))
    options = ("--rig", RIG)
    call("import", TRIP, *options, "--store", one)
    first = call("statement", *options, "--store", one)
    rows.append(("first statement after the import of 10 days", first, "45 s"))
    alone = best("statement", *options, "--store", one)
    rows.append(("statement of 10 days, cold command", alone, "2 s"))
    rows.append(
        ("enough, 10-day history", best("enough", *options, "--store", one), "2 s")
    )
    report = folder / "r.html"
    words = ("report", "--out", report, *options, "--store", one)
    rows.append(("report of 10 days", best(*words), "6 s, 250 MB"))
    rows.append(("its file", (report.stat().st_size / 1e6,) * 3, "2.5 MB"))
    rows.append(("fitout of 10 days", best("fitout", *options, "--store", one), "6 s"))
    shifted(0, folder / "m.csv", copies=3)
    call("import", folder / "m.csv", *options, "--store", month)
    words = ("report", "--out", report, *options, "--store", month)
    rows.append(("first report of 33 days", call(*words), ""))
    rows.append(("report of 33 days", best(*words, runs=2), "12 s"))
    if year:
        for k in range(33):
            shifted(-14 * (33 - k), folder / "y.csv")
            call("import", folder / "y.csv", *options, "--store", many)
        call("import", TRIP, *options, "--store", many)
        call("statement", *options, "--store", many)
        full = best("statement", *options, "--store", many)
        ratio = full[1] / alone[1]
        rows.append(("statement with a year in the store", full, "1.5 x"))
        rows.append(("... ratio of processor time", (ratio,) * 3, "1.5"))
    return rows


def main(argv=None):
    """Measure, print, write."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--no-year", action="store_true")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        rows = measure(Path(folder), year=not args.no_year)
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True
    ).stdout.strip()
    today = datetime.datetime.now(tz=datetime.UTC).date()
    lines = [
        "# The main commands",
        "",
        f"{today}, commit {commit}, {platform.machine()}, Python "
        f"{platform.python_version()}, load {os.getloadavg()[0]:.1f}.",
        "",
        "| what | wall s | processor s | peak MB | asked |",
        "|---|---|---|---|---|",
    ]
    for name, (wall, cpu, peak), asked in rows:
        lines.append(f"| {name} | {wall:.2f} | {cpu:.2f} | {peak:.0f} | {asked} |")
    text = "\n".join(lines) + "\n"
    print(text)
    if args.write:
        (TOP / "tests/bench/results/bench_commands.md").write_text(text)


if __name__ == "__main__":
    main()
