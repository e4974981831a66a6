"""
Push a month of minutes and a day of seconds to a real server that keeps going away.

``python tests/bench/bench_push.py [--days 30] [--ends 50] [--seed 1] [--write]``. The
command runs as it is; meanwhile the server is ended (SIGTERM) and started again. Asked:
every point there once, none missing; at most 120 MB; at least half the rate of a bare
client loop that writes the same batches.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from dated import commit as commit_now

from campledger.app.push import Writer, push_all
from campledger.app.pushing import Cursor, Destination, batches
from campledger.formats.rigfile import read_rig
from campledger.store import Columns, open_store
from support.series_server import SeriesServer

T0 = 1_789_948_800.0
CHANNELS = (
    "voltage_house_v",
    "current_house_a",
    "temp_house_c",
    "current_solar_a",
    "voltage_solar_panel_v",
    "current_alternator_a",
    "voltage_start_v",
    "current_fridge_a",
    "voltage_fridge_v",
    "temp_fridge_c",
    "current_logger_a",
    "temp_air_c",
)
RIG = """
[rig]
name = "Bench van"
timezone = "UTC"
[house]
chemistry = "agm"
capacity_rated_ah = 100
[source.solar]
kind = "solar"
[source.alternator]
kind = "dcdc"
[load.fridge]
kind = "fridge"
[load.logger]
kind = "logger"
"""
ASKED = {"rss": 120.0, "share": 0.5}


def fill(path: Path, seconds: float, every: float, seed: int) -> None:
    """Make a store."""
    rng = np.random.default_rng(seed)
    time_utc = T0 + np.arange(every, seconds + 1e-6, every)
    values = {
        n: np.round(12.0 + np.cumsum(rng.normal(0, 0.01, len(time_utc))), 3)
        for n in CHANNELS
    }
    with open_store(path, "write", create=True) as store:
        for a in range(0, len(time_utc), 80_000):
            part = slice(a, a + 80_000)
            store.import_rows(
                "Bench van",
                Columns(
                    time_utc=time_utc[part],
                    values={n: v[part] for n, v in values.items()},
                ),
                sampling="mean",
            )
        store.seal()


def rig_file(folder: Path, url: str) -> Path:
    """Write a rig that pushes to a server."""
    path = folder / "rig.toml"
    push = f'[push]\nurl = "{url}"\norg = "o"\nbucket = "b"\n'
    path.write_text(RIG + push, encoding="utf-8")
    return path


def disturbed(
    folder: Path,
    server: SeriesServer,
    store: Path,
    words: list[str],
    ends: int,
    seed: int,
) -> tuple[int, float]:
    """Run the command while the server goes away; gives how often it did."""
    rng = random.Random(seed)
    rig = rig_file(folder, server.url)
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "campledger",
            "push",
            "--rig",
            str(rig),
            "--store",
            str(store),
            "--patience",
            "900",
            *words,
        ],
        env={**os.environ, "CAMPLEDGER_PUSH_TOKEN": "secret-of-the-bench"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    done = 0
    while process.poll() is None:
        time.sleep(rng.uniform(0.02, 0.25))
        if done < ends and process.poll() is None:
            server.end()
            server.start()
            done += 1
    said = process.stdout.read()
    process.stdout.close()
    if process.returncode or "secret-of-the-bench" in said:
        raise RuntimeError(said)
    return done, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0


def compare(server: SeriesServer, store: Path, stream: str) -> tuple[int, int]:
    """Count points in the store and points that are missing, double or different."""
    bad = total = 0
    with open_store(store) as opened:
        start, end = opened.span()
        record = opened.record(start - 1.0, end)
        for name in CHANNELS:
            if stream == "minutes":
                minutes = record.minutes[name]
                good = minutes.covered > 0
                time_utc, value = record.minute_utc[good], minutes.mean[good]
            else:
                series = record.channels[name]
                time_utc, value = series.time_utc, series.value
            held = server.held(f"campledger_{stream}_{name}", start - 61, end + 61)
            total += len(value)
            if len(held[0]) != len(value):
                bad += abs(len(held[0]) - len(value))
            elif not (
                np.allclose(held[0], time_utc, atol=1e-3)
                and np.allclose(held[1], value, rtol=1e-9)  # it keeps 12 figures
            ):
                bad += 1
    return total, bad


def rates(
    folder: Path, store: Path, stream: str, rig_path: Path
) -> tuple[float, float]:
    """Give points a second of a push and of a bare loop over the same batches."""
    rig = read_rig(rig_path)
    out = []
    for what in ("bare", "push"):
        server = SeriesServer(folder / f"{stream}-{what}")
        server.start()
        to = Destination(url=server.url, org="o", bucket="b", stream=stream)
        writer = Writer(to, "x", patience=60.0)
        if what == "push":
            done = push_all(store, rig, to, writer, live=False)
            out.append(done.points / done.seconds)
        else:
            with open_store(store) as opened:
                made = list(batches(opened, rig, to, Cursor(), live=False))
            begun = time.monotonic()
            for batch in made:
                if batch.lines:
                    writer.api.write(
                        bucket="b", record=batch.lines, write_precision="ms"
                    )
            points = sum(b.points for b in made)
            out.append(points / (time.monotonic() - begun))
        writer.close()
        server.end()
    return out[1], out[0]


def main(argv: list[str] | None = None) -> int:
    """Push and print, or also write, the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--seconds", type=float, default=86400.0)
    parser.add_argument("--ends", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args(argv)
    rows, fell = [], 0
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        fill(folder / "month.db", options.days * 86400.0, 60.0, options.seed)
        fill(folder / "day.db", options.seconds, 1.0, options.seed + 1)
        for stream, name, words in (
            ("minutes", "month.db", []),
            ("readings", "day.db", ["--all"]),
        ):
            server = SeriesServer(folder / f"data-{stream}")
            server.start()
            ends, rss = disturbed(
                folder, server, folder / name, words, options.ends // 2, options.seed
            )
            total, bad = compare(server, folder / name, stream)
            server.end()
            rate, bare = rates(folder, folder / name, stream, folder / "rig.toml")
            share = rate / bare
            fell += bad or rss > ASKED["rss"] or share < ASKED["share"]
            rows.append(
                f"| {stream} | {total} | {ends} | {bad} | {rss:.0f} | {rate:.0f} | "
                f"{bare:.0f} | {share:.2f} |"
            )
    text = (
        "| stream | points | server ended | missing, double or different (asked 0) | "
        "most memory [MB] (asked 120) | points a second | bare loop | share (0.5) |"
        "\n|---|---|---|---|---|---|---|---|\n" + "\n".join(rows)
    )
    print(text)
    if options.write:
        write(text, options)
    return int(bool(fell))


def write(text: str, options: argparse.Namespace) -> None:
    """Keep the table."""
    commit = commit_now()
    head = (
        f"# Push to a server that keeps going away\n\n{datetime.now(UTC):%Y-%m-%d}, "
        f"commit {commit}, seed {options.seed}, {os.uname().machine}. "
        f"{options.days:g} days of minutes and {options.seconds:g} s at 1 Hz, twelve "
        "channels each; the server is victoria-metrics, ended by SIGTERM.\n\n"
    )
    target = Path(__file__).parent / "results" / "bench_push.md"
    target.write_text(f"{head}{text}\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
