"""
Take the power from the real daemon: kills, crash images, cuts of a machine.

``python tests/bench/bench_crash.py [--kills 200] [--images 1000] [--cuts 30] [--seed 1]
[--write]``. Kills: SIGKILL of the daemon at random instants, its store then read row by
row. Images: one guest logs on ext4, every block write and flush is recorded, and the
disk is rebuilt as it may be after a cut: all that was flushed and a random half of what
came later. Cuts: the disk of a guest that logs is copied while it stands still at
random instants. Asked: 0 unopenable, 0 lost beyond the window, 0 double.
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

sys.path.insert(0, str(Path(__file__).parents[1]))

from dated import commit as commit_now

from support import daemon_child

WINDOW, INTERVAL = 1.0, 0.05
START = 6.0
"""Longest that a child may need until its first row. [s]"""


def boot_time() -> float:
    """Give seconds since boot."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def kill_once(path: Path, rng: random.Random) -> tuple[float, float]:
    """Run the daemon and kill it; gives the time of the kill and of its start."""
    begun = boot_time()
    process = subprocess.Popen(
        [
            sys.executable,
            daemon_child.__file__,
            str(path),
            f"--interval={INTERVAL}",
            f"--window={WINDOW}",
            "--told",
        ],
        stdout=subprocess.PIPE,
    )
    process.stdout.readline()
    time.sleep(rng.uniform(0.0, 1.6))
    process.kill()
    at = boot_time()
    process.wait()
    process.stdout.close()
    return at, begun


def kills(count: int, seed: int) -> dict[str, object]:
    """Kill again and again on one store; what was there must stay."""
    rng = random.Random(seed)
    bad: list[str] = []
    longest, before = 0.0, np.zeros(0)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        for k in range(count):
            at, _ = kill_once(path, rng)
            try:
                uptimes, wrong = daemon_child.check(path)
            except Exception as error:  # noqa: BLE001  # any failure is a bad store
                bad.append(f"kill {k}: does not open: {error}")
                continue
            if wrong:
                bad.append(f"kill {k}: {wrong}")
            if not np.allclose(uptimes[: len(before)], before, atol=1e-3):
                bad.append(f"kill {k}: rows that were there are gone")
            lost = at - uptimes[-1]
            longest, before = max(longest, lost), uptimes
            if lost > WINDOW + INTERVAL:
                bad.append(f"kill {k}: lost {lost:.2f} s of a window of {WINDOW} s")
    return {"count": count, "rows": len(before), "longest": longest, "bad": bad}


def main(argv: list[str] | None = None) -> int:
    """Run what is asked and print, or also write, the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--images", type=int, default=1000)
    parser.add_argument("--cuts", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args(argv)
    rows, bad = [], []
    if options.kills:
        t0 = time.monotonic()
        found = kills(options.kills, options.seed)
        bad += found["bad"]
        rows.append(
            f"| SIGKILL | {found['count']} | {found['rows']} | {len(found['bad'])} | "
            f"{found['longest']:.2f} | {time.monotonic() - t0:.0f} |"
        )
    if options.images or options.cuts:
        from support import powercut

        for name, found in powercut.run(options.images, options.cuts, options.seed):
            bad += found["bad"]
            rows.append(
                f"| {name} | {found['count']} | {found['rows']} | "
                f"{len(found['bad'])} | | {found['seconds']:.0f} |"
            )
    text = (
        "| what | times | rows at the end | bad (asked 0) | longest loss [s] | s |"
        "\n|---|---|---|---|---|---|\n" + "\n".join(rows)
    )
    print(text, *bad, sep="\n")
    if options.write:
        write(text, options)
    return int(bool(bad))


def write(text: str, options: argparse.Namespace) -> None:
    """Keep the table."""
    commit = commit_now()
    head = (
        f"# Power taken from the daemon\n\n{datetime.now(UTC):%Y-%m-%d}, commit "
        f"{commit}, seed {options.seed}, {os.uname().machine}. The real daemon, four "
        f"channels every {INTERVAL} s, window {WINDOW:g} s, sealing every seventh "
        "window. A loss is counted from the kill to the end of the last row read back; "
        f"bad if above the window and one interval.\n\n"
    )
    target = Path(__file__).parent / "results" / "bench_crash.md"
    target.write_text(f"{head}{text}\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
