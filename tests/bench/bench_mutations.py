"""
Damaged recordings by the thousand: no traceback, no hang, no good row lost.

``python tests/bench/bench_mutations.py [--native 500] [--foreign 100000] [--write]``.
Native files are checked row by row (a good row = a line that nothing touched); foreign
ones for refusal in one line, time and memory.
"""

from __future__ import annotations

import argparse
import platform
import random
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))
sys.path.insert(0, str(ROOT / "tests" / "property"))

from dated import commit as commit_now  # noqa: E402
from test_formats_mutations import try_one  # noqa: E402

from campledger.errors import InputError  # noqa: E402
from campledger.formats.foreign import propose_map  # noqa: E402
from campledger.formats.recording import read_recording  # noqa: E402
from support.foreign_files import forty  # noqa: E402
from support.mutations import mutate  # noqa: E402

SLOW = 5.0


def damage(data: bytes, rng: random.Random) -> bytes:
    """Damage a foreign file: lines as a native one, or raw bytes anywhere."""
    if rng.random() < 0.5:
        lines = data.split(b"\n")
        return mutate(lines, rng)[0]
    raw = bytearray(data)
    for _ in range(rng.randint(1, 20)):
        at = rng.randrange(len(raw))
        action = rng.randrange(3)
        if action == 0:
            raw[at] = rng.randrange(256)
        elif action == 1:
            del raw[at : at + rng.randint(1, 40)]
        else:
            raw[at:at] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 20)))
    return bytes(raw[: rng.randrange(len(raw))] if rng.random() < 0.1 else raw)


def foreign_one(data: bytes, path: Path) -> str:
    """Import one damaged file; says how it ended."""
    path.write_bytes(data)
    try:
        proposal = propose_map(
            path,
            zone="Europe/Berlin",
            answers={"current_sign": "+in", "date_order": "dmy"},
        )
        recording = read_recording(path, proposal.layout, keep_rejected=False)
        assert recording is not None
        with recording:
            for _ in recording:
                pass
        summary = recording.summary
        for fault in summary.faults():
            assert len(str(fault).splitlines()) == 1, fault
        end = "loaded"
    except InputError as error:
        for fault in error.faults:
            assert len(str(fault).splitlines()) == 1, fault
        end = "refused or asked"
    return end


def main(argv: list[str] | None = None) -> int:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--native", type=int, default=500)
    parser.add_argument("--foreign", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=20_000)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    failures: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(args.seed, args.seed + args.native):
            try:
                try_one(seed, Path(folder))
            except Exception as error:  # noqa: BLE001  a bench counts what escapes
                failures.append(f"native {seed}: {type(error).__name__}: {error}")
        small = [f.data for f in forty(rows=60)]
        counts: dict[str, int] = {}
        worst, before = 0.0, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        path = Path(folder) / "m.csv"
        started = time.perf_counter()
        for k in range(args.foreign):
            rng = random.Random(args.seed + k)
            data = damage(rng.choice(small), rng)
            t = time.perf_counter()
            try:
                end = foreign_one(data, path)
            except Exception as error:  # noqa: BLE001  a bench counts what escapes
                end = "traceback"
                failures.append(
                    f"foreign {args.seed + k}: {type(error).__name__}: {error}"
                )
            counts[end] = counts.get(end, 0) + 1
            worst = max(worst, time.perf_counter() - t)
        spent = time.perf_counter() - started
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    commit = commit_now()
    lines = [
        "# Damaged recordings",
        "",
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, commit {commit}, seeds from "
        f"{args.seed}, {platform.machine()}, Python {platform.python_version()}",
        "",
        "| what | asked | got |",
        "|---|---|---|",
        f"| native files damaged | 500 | {args.native} |",
        f"| foreign files damaged | 100,000 | {args.foreign:,} |",
        f"| tracebacks or lost good rows | 0 | {len(failures)} |",
        f"| loaded / refused or asked | - | {counts.get('loaded', 0):,} / "
        f"{counts.get('refused or asked', 0):,} |",
        f"| longest one | no hang | {worst:.2f} s |",
        f"| memory, peak at start and end | bounded | {before / 1e3:.0f} MB, "
        f"{after / 1e3:.0f} MB |",
        f"| all foreign ones | - | {spent:.0f} s |",
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    for failure in failures[:20]:
        print(failure)
    if args.write:
        (ROOT / "tests/bench/results/bench_mutations.md").write_text(text)
    return 1 if failures or worst > SLOW else 0


if __name__ == "__main__":
    sys.exit(main())
