"""
The page under load: how fast, how much memory, hostile requests, and the logger beside.

    python tests/bench/full.py page --phones 50 --seconds 600 --fuzz 100000 --write

The page runs as it is installed (``campledger page``: server, scribe, short processes)
on the store of a running logger with made-up chips that are polled once a second.
``--held`` puts the unit into control groups of 20 % of one core and 64 MB (as root).
"""

import argparse
import contextlib
import os
import platform
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from dated import commit as commit_now
from tests.support.page_fuzz import Fuzz, memory, phones, scribe_of
from tests.support.page_world import RIG_TEXT, free_port, page_process, write_parts

from campledger.app.page.pairing import Pairing
from campledger.app.page.places import PAIRING, make_folder, page_folder, take_json
from campledger.store import open_store

TOP = Path(__file__).resolve().parents[2]
CHILD = TOP / "tests" / "support" / "daemon_child.py"
CPU, MEMORY = Path("/sys/fs/cgroup/cpu"), Path("/sys/fs/cgroup/memory")


@contextlib.contextmanager
def logger(store):
    """Run the real daemon on made-up chips, one reading a second."""
    running = subprocess.Popen(
        [sys.executable, str(CHILD), str(store), "--interval", "1", "--window", "5"],
        cwd=TOP,
        env={**os.environ, "PYTHONPATH": str(TOP)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield running
    finally:
        running.send_signal(signal.SIGTERM)
        running.wait(30)


def missed(store):
    """Count seconds without a reading between the first and the last, by channel."""
    with open_store(store) as opened:
        first, last = opened.span()
        record = opened.record(first - 5.0, last + 5.0)
        gaps, rows = 0, 0
        for name in ("voltage_house_v", "current_house_a"):
            times = record.channels[name].time_utc
            rows += len(times)
            gaps += int(np.round(np.diff(times) - 1.0).clip(min=0.0).sum())
    return gaps, rows


def written(store):
    """Count everything that a request could have written."""
    with open_store(store) as opened:
        kinds = {k: len(opened.entries(k)) for k in ("note", "proof")}
        phone = [a for x in opened.anchors().values() for a in x if a.kind in {"phone"}]
    return sum(kinds.values()) + len(phone)


@contextlib.contextmanager
def held(pids, *, share=0.2, most=64_000_000):
    """Hold processes to a share of one core and a memory, by control groups."""
    folders = [CPU / f"page-bench-{os.getpid()}", MEMORY / f"page-bench-{os.getpid()}"]
    for folder in folders:
        folder.mkdir()
    (folders[0] / "cpu.cfs_period_us").write_text("100000")
    (folders[0] / "cpu.cfs_quota_us").write_text(str(int(100000 * share)))
    (folders[1] / "memory.limit_in_bytes").write_text(str(most))
    try:
        for folder in folders:
            for pid in pids:
                (folder / "cgroup.procs").write_text(str(pid))
        yield
    finally:
        for folder, parent in zip(folders, (CPU, MEMORY), strict=True):
            for pid in (folder / "cgroup.procs").read_text().split():
                with contextlib.suppress(OSError):
                    (parent / "cgroup.procs").write_text(pid)
            folder.rmdir()


def measure(root, options):
    """Run what the options ask; give rows of the table."""
    store, port = root / "van.db", free_port()
    rig = root / "rig.toml"
    rig.write_text(RIG_TEXT, encoding="utf-8")
    rows = []
    with logger(store):
        time.sleep(8.0)
        folder = make_folder(page_folder(store))
        pairing = Pairing(path=folder / PAIRING)
        code = pairing.new_code()
        token = pairing.pair(code)
        write_parts(folder)
        with page_process(rig, store, port) as page:
            wait_for(port)
            rows += served(port, page.pid, options)
            if options.phones:
                rows += many_phones(port, page.pid, options)
            if options.fuzz:
                secrets = (
                    code,
                    token,
                    str(root),
                    "Traceback",
                    "pbkdf2",
                    *hashes(folder),
                )
                rows += fuzzed(port, page, store, folder, secrets, options)
    gaps, count = missed(store)
    asked = "0 missed samples"
    rows.append(("logger beside it", asked, f"{gaps} missed of {count}"))
    return rows


def hashes(folder):
    """Give what must never leave: the hashes of the pairing file."""
    found = take_json(folder / PAIRING)
    return [found["code"]["hash"], found["code"]["salt"], *found["phones"]]


def wait_for(port):
    """Wait until the page answers."""
    for _ in range(300):
        if phones(port, 1, 0.05, every=0.05)[0]:
            return
        time.sleep(0.2)
    sys.exit("the page did not come up")


def served(port, pid, options):
    """Time whole pages, one at a time, free and held back."""
    time.sleep(6.0)
    spent, _ = phones(port, 1, 8.0, every=0.15)
    rows = [("served, ms (median, 95 %)", "50", _ms(spent))]
    if options.held:
        with held([pid, *scribe_of(pid)]):
            slow, failed = phones(port, 1, 20.0, every=0.2)
        words = f"{_ms(slow)}, longest {1000 * slow[-1]:.0f}, failed {failed}"
        rows.append(("served at 20 % of a core, 64 MB, ms", "500", words))
    return rows


def many_phones(port, pid, options):
    """Let many phones read at once."""
    spent, failed = phones(port, options.phones, options.seconds)
    now, most = memory(pid)
    scribe = [memory(p)[1] for p in scribe_of(pid)]
    name = f"{options.phones} phones, {options.seconds:.0f} s"
    words = f"{_ms(spent)}, {len(spent)} answers, {failed} failed"
    return [
        (f"{name}: served, ms", "", words),
        (f"{name}: server MB", "60", f"{now:.0f}, most {most:.0f}"),
        (f"{name}: scribe MB, most", "", ", ".join(f"{x:.0f}" for x in scribe)),
    ]


def fuzzed(port, page, store, folder, secrets, options):
    """Send hostile requests; see what they did."""
    fuzz = Fuzz(port, secrets, seed=options.seed)
    paired = take_json(folder / PAIRING)["phones"]
    before = written(store)
    begin = time.monotonic()
    fuzz.run(options.fuzz)
    took = time.monotonic() - begin
    alive = page.poll() is None and bool(phones(port, 1, 1.0, every=0.1)[0])
    most = memory(page.pid)[1]
    told = ", ".join(f"{k}: {v}" for k, v in sorted(fuzz.statuses.items()))
    same = take_json(folder / PAIRING)["phones"] == paired
    return [
        (f"{options.fuzz} hostile requests", "no crash", "none" if alive else "DIED"),
        ("  writes without pairing", "0", str(written(store) - before)),
        ("  phones paired by them", "0", "0" if same else "SOME"),
        ("  replies that leaked", "0", str(len(fuzz.leaks))),
        ("  server MB, most", "60", f"{most:.0f}"),
        ("  replies", "", f"{told}; not let in {fuzz.refused}; {took:.0f} s"),
    ]


def _ms(spent):
    if not spent:
        return "no answer"
    high = spent[min(len(spent) - 1, int(0.95 * len(spent)))]
    return f"{1000 * statistics.median(spent):.1f}, {1000 * high:.1f}"


def main(argv):
    """Measure, print, and write the dated table if asked."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--phones", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--fuzz", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--held", action="store_true")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as root:
        rows = measure(Path(root), options)
    table = ["| what | asked | measured |", "|---|---|---|"]
    table += [f"| {a} | {b} | {c} |" for a, b, c in rows]
    print("\n".join(table))
    if options.write:
        commit = commit_now()
        head = (
            f"# The page under load\n\n{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, commit "
            f"{commit}, Python {platform.python_version()}, {os.cpu_count()} cores "
            f"({platform.machine()}), other work running beside. Options: "
            f"{' '.join(argv)}\n\n"
        )
        out = TOP / "tests" / "bench" / "results" / "page.md"
        out.write_text(head + "\n".join(table) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(TOP))
    sys.exit(main(sys.argv[1:]))
