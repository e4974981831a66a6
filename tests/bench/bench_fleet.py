"""
The fleet page from minute summaries: 50 rigs x 30 days, and growth to 500.

``python tests/bench/bench_fleet.py [--rigs 50,100,200,500] [--write]``. The exports are
of this file's own making (seeded); each size is measured in a fresh process.
"""

from __future__ import annotations

import argparse
import platform
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from dated import commit as commit_now

from campledger.formats.export import write_series

ASKED = 5.0
DAYS = 30
START = 1_780_000_020.0
RESULTS = Path(__file__).parent / "results" / "bench_fleet.md"


def make_rig(path: Path, seed: int, *, days: int = DAYS) -> dict[str, float]:
    """Write one invented rig; give the sums that the page must find."""
    rng = np.random.default_rng(seed)
    n = days * 1440
    time_utc = START + 60.0 * np.arange(1, n + 1, dtype=np.float64)
    hour = (time_utc % 86400) / 3600.0
    sun = np.maximum(np.sin((hour - 6) / 12 * np.pi), 0.0) * rng.uniform(2, 9)
    fridge = np.where(rng.random(n) < rng.uniform(0.2, 0.6), 4.2, 0.05)
    solar = np.round(sun * rng.uniform(0.3, 1.0, n), 3)
    house = np.round(solar - fridge - rng.uniform(0.2, 1.0), 3)
    capacity = rng.uniform(70, 110)
    soc = np.clip(0.9 + np.cumsum(house) / 60 / capacity, 0.05, 1.0)
    house[rng.random(n) < 0.01] = np.nan
    table = {
        "voltage_house_v": np.round(12.4 + 0.8 * soc + 0.02 * house, 3),
        "current_house_a": house,
        "current_solar_a": solar,
        "current_fridge_a": fridge,
        "temp_fridge_c": np.round(4 + rng.normal(0, 0.5, n), 2),
        "soc_house": soc,
        "soc_house_lo": np.clip(soc - 0.05, 0, 1),
        "soc_house_hi": np.clip(soc + 0.05, 0, 1),
        "capacity_house_ah": np.full(n, capacity),
        "resistance_house_mohm": np.full(n, rng.uniform(4, 9)),
    }
    about = {
        "rig": f"rig {seed:03d}",
        "capacity_rated_ah": "100",
        "floor": "0.3",
        "sources": "solar",
        "loads": "fridge",
    }
    write_series(path, time_utc, table, about=about)
    return {
        "into": float(np.nansum(np.maximum(house, 0))) / 60,
        "out": float(-np.nansum(np.minimum(house, 0))) / 60,
        "soc_end": float(soc[-1]),
        "volts_min": float(np.nanmin(table["voltage_house_v"])),
        "solar": float(solar.sum()) / 60,
        "below": float((soc < 0.3).sum()) / 60,
    }


CHILD = """
import sys, time, resource
from pathlib import Path
begun = time.perf_counter()
from campledger.app.fleet import read_fleet
from campledger.present.fleet_page import write_fleet
loaded = time.perf_counter()
fleet = read_fleet(sys.argv[1])
read = time.perf_counter()
size = write_fleet(Path(sys.argv[2]), fleet)
done = time.perf_counter()
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(len(fleet.rigs), loaded - begun, read - loaded, done - read, peak, size / 1e6)
"""


def measure(folder: Path, out: Path) -> list[float]:
    """Make the page in a fresh process; rigs, seconds, MB."""
    said = subprocess.run(
        [sys.executable, "-c", CHILD, str(folder), str(out)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return [float(x) for x in said.split()]


def main(argv: list[str] | None = None) -> int:
    """Measure; print and perhaps write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", default="50,100,200,500")
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder, made = Path(name) / "exports", 0
        folder.mkdir()
        for count in sorted(int(x) for x in args.rigs.split(",")):
            for seed in range(made, count):
                make_rig(folder / f"{seed:03d}.parquet", seed)
            made = count
            measure(folder, Path(name) / "warm.html")
            begun = time.perf_counter()
            found = measure(folder, Path(name) / "page.html")
            rows.append([*found, time.perf_counter() - begun])
    commit = commit_now()
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    lines = [
        "# Fleet page from Parquet minute summaries",
        "",
        f"{now}, commit {commit}, seeds 0.., {DAYS} days of minutes, 10 series a rig, "
        f"{platform.machine()}, Python {platform.python_version()}, files in the page "
        "cache; asked: 50 rigs in at most 5 s, growth linear to 500",
        "",
        "| rigs | whole run, s | imports, s | read and sum, s | page, s | ms a rig "
        "| peak, MB | page, MB |",
        "|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r[0]:.0f} | {r[6]:.2f} | {r[1]:.2f} | {r[2]:.2f} | {r[3]:.2f} "
        f"| {1000 * (r[2] + r[3]) / r[0]:.1f} | {r[4]:.0f} | {r[5]:.2f} |"
        for r in rows
    ]
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print("\n".join(lines))
    print(f"(maker of the exports: {own:.0f} MB)")
    if args.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0 if rows[0][6] <= ASKED else 1


if __name__ == "__main__":
    sys.exit(main())
