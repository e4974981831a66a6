"""
Import of 30 days at 1 Hz, 8 channels (2.6 million rows), beside bare parses.

``python tests/bench/bench_import.py [--days 30] [--write]``. Every figure is taken in a
process of its own; the bare parse reads the whole file into columns and nothing else.
"""

from __future__ import annotations

import argparse
import json
import platform
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from dated import commit as commit_now

ROOT = Path(__file__).resolve().parents[2]
DAY = 86400
RIG = """[rig]
name = "Bench"
timezone = "Europe/Berlin"
[house]
chemistry = "lfp"
capacity_rated_ah = 100
[source.solar]
kind = "solar"
[source.alternator]
kind = "dcdc"
[load.fridge]
kind = "fridge"
"""
NAMES = (
    "voltage_house_v,current_house_a,current_solar_a,current_alternator_a,"
    "current_fridge_a,voltage_start_v,temp_air_c,temp_house_c"
)
FOREIGN = (
    "U [mV];I [A];Solar current [A];Alternator current [A];Fridge current [A];"
    "Starter voltage [V];Air temp [C];House temp [C]"
)
RUNS = {
    "pyarrow": "from pyarrow import csv; "
    "csv.read_csv(F, parse_options=csv.ParseOptions(delimiter=SEP), "
    "read_options=csv.ReadOptions(use_threads=False))",
    "polars": "import polars as pl; "
    "pl.read_csv(F, separator=SEP, try_parse_dates=True)",
    "duckdb": "import duckdb; duckdb.sql('set threads=1'); "
    "duckdb.read_csv(F, sep=SEP).fetchnumpy()",
    "reader alone": "from campledger.formats.recording import read_recording\n"
    "m = None\n"
    "if SEP == ';':\n"
    "    from pathlib import Path\n"
    "    from campledger.formats.foreign import propose_map\n"
    "    m = propose_map(Path(F), zone='Europe/Berlin',"
    " places=('solar', 'alternator', 'fridge')).layout\n"
    "with read_recording(F, m) as r:\n"
    "    n = sum(len(c.lines) for c in r)\n"
    "assert n == ROWS, (n, r.summary.sentence())",
    "import, all-in": "import contextlib, io\n"
    "from campledger.app.cli import main\n"
    "argv = ['import', F, '--rig', RIGFILE, '--store', STORE]\n"
    "code = main(argv)\n"
    "assert not code, code",
}
TIMER = """
import json, resource, time
t = time.perf_counter()
{code}
print(json.dumps([time.perf_counter() - t,
    resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3]))
"""


def write_file(path: Path, days: int, *, foreign: bool, seed: int = 1) -> None:
    """Write a recording with the noise and steps of real sensors."""
    rng = np.random.default_rng(seed)
    start = datetime(2026, 5, 10, tzinfo=UTC)
    clock = [f"{k // 3600:02d}:{k // 60 % 60:02d}:{k % 60:02d}" for k in range(DAY)]
    form = (
        "%s;%d;%.4f;%.4f;%.4f;%.4f;%.4f;%.2f;%.2f"
        if foreign
        else ("%s,%.4f,%.4f,%.4f,%.4f,%.4f,%.4f,%.2f,%.2f")
    )
    with path.open("w") as file:
        head = f"Zeit;{FOREIGN}" if foreign else f"time_utc,{NAMES}"
        file.write(head + "\n")
        for day in range(days):
            fridge = np.where(np.arange(DAY) // 900 % 2, 4.2, 0.03)
            amps = 5 * np.sin(np.arange(DAY) / 14000) - fridge
            columns = (
                (13 + amps / 50) * (1000 if foreign else 1)
                + rng.normal(0, 0.001, DAY) * (1000 if foreign else 1),
                amps + rng.normal(0, 0.01, DAY),
                np.abs(rng.normal(4, 0.5, DAY)),
                rng.normal(0, 0.01, DAY),
                fridge + rng.normal(0, 0.02, DAY),
                rng.normal(12.7, 0.004, DAY),
                rng.normal(25, 0.3, DAY),
                rng.normal(24, 0.1, DAY),
            )
            date = start + timedelta(days=day)
            stamp = date.strftime("%d.%m.%Y " if foreign else "%Y-%m-%dT")
            tail = "" if foreign else "Z"
            lists = [c.tolist() for c in columns]
            file.writelines(
                form % (stamp + t + tail, *row) + "\n"
                for t, *row in zip(clock, *lists, strict=True)
            )


def measure(code: str, **names: object) -> tuple[float, float]:
    """Time a piece of code in its own process. [s], [MB]"""
    head = "\n".join(f"{k} = {v!r}" for k, v in names.items())
    done = subprocess.run(
        [sys.executable, "-c", head + TIMER.format(code=code)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    seconds, peak = json.loads(done.stdout.strip().splitlines()[-1])
    return seconds, peak


def main(argv: list[str] | None = None) -> int:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    rows = [
        "| file | what | s (best of n) | peak MB | of the fastest bare parse |",
        "|---|---|---|---|---|",
    ]
    met = True
    with tempfile.TemporaryDirectory() as folder:
        rig = Path(folder) / "rig.toml"
        rig.write_text(RIG)
        for kind, limit in (("native", 3.0), ("foreign", 4.0)):
            path = Path(folder) / f"{kind}.csv"
            write_file(path, args.days, foreign=kind == "foreign")
            bare = 0.0
            for name, code in RUNS.items():
                runs = []
                for n in range(args.repeat):
                    store = Path(folder) / f"{kind}{n}.db"
                    runs.append(
                        measure(
                            code,
                            F=str(path),
                            SEP=";" if kind == "foreign" else ",",
                            ROWS=args.days * DAY,
                            RIGFILE=str(rig),
                            STORE=str(store),
                        )
                    )
                    store.unlink(missing_ok=True)
                seconds, peak = min(r[0] for r in runs), max(r[1] for r in runs)
                is_bare = name in {"pyarrow", "polars", "duckdb"}
                if is_bare:
                    bare = min(bare or seconds, seconds)
                ratio = seconds / bare
                if name == "import, all-in":
                    met = met and ratio <= limit and peak <= 200
                rows.append(
                    f"| {kind} | {name} | {seconds:.2f} | {peak:.0f} | {ratio:.2f} |"
                )
                print(rows[-1], flush=True)
            path.unlink()
    commit = commit_now()
    text = (
        f"# Import of {args.days} days at 1 Hz, 8 channels\n\n"
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, commit {commit}, seed 1, "
        f"{platform.machine()}, best of {args.repeat}. Asked: native at most 3 x, "
        "foreign at most 4 x the fastest bare parse; at most 200 MB.\n\n"
        + "\n".join(rows)
        + "\n"
    )
    if args.write:
        (ROOT / "tests/bench/results/bench_import.md").write_text(text)
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
