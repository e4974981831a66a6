"""
Replays with changed hardware against the truth of the same trip re-run so.

python tests/bench/bench_options.py TRUTH [--write]: TRUTH holds trips and the folder
``changed`` with ``<trip>-<change>`` (solarW, battAh), each with meta.json and
truth.parquet. Prints the asked figures; few cases are no proof, and the table says so.
"""

from __future__ import annotations

import argparse
import json
import platform
import re
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.support.cases import load_case, read_table

from campledger.estimate.trip import estimate_trip
from campledger.judge.options import Change, evaluate

NAME = re.compile(r"(?P<trip>.+-\d+)-(?P<kind>solar|batt)(?P<size>\d+)$")
RESULTS = Path(__file__).parent / "results" / "bench_options.md"
SEED = 1


@dataclass
class Line:
    name: str
    bias: float
    rmse: float
    low: tuple[float, float, float, float]
    below: tuple[float, float]
    off: tuple[float, float]
    code: tuple[str, str]
    seconds: float
    refused: str = ""


def change_of(kind: str, size: str) -> Change:
    if kind == "solar":
        return Change(power_panel=float(size))
    return Change(capacity=float(size))


def truth_of(folder: Path, floor: float) -> tuple[float, float, float]:
    """Low point, hours below the floor, hours without power."""
    soc = np.asarray(read_table(folder / "truth.parquet")["soc"], dtype=float)
    meta = json.loads((folder / "meta.json").read_text(encoding="utf-8"))
    below = float((soc < floor).sum()) / 60.0
    return max(float(soc.min()), 0.0), below, float(meta["hours_without_power"])


def code_of(driven: tuple[float, ...], changed: tuple[float, ...]) -> str:
    if driven[1] < 0.05 and driven[2] < 0.05:
        return "nothing"
    met = changed[1] < 0.05 and changed[2] < 0.05
    return "buy met" if met else "buy not met"


def measure(root: Path) -> list[Line]:
    made: dict[str, tuple] = {}
    lines = []
    for folder in sorted((root / "changed").iterdir()):
        found = NAME.match(folder.name)
        if found is None:
            continue
        trip = found["trip"]
        if trip not in made:
            record, rig, _, _ = load_case(root / trip)
            made[trip] = record, rig, estimate_trip(record, rig, quick=True)
        record, rig, estimates = made[trip]
        start = time.perf_counter()
        result = evaluate(
            record,
            rig,
            estimates,
            changes=(change_of(found["kind"], found["size"]),),
            rng=np.random.default_rng(SEED),
        )
        seconds = time.perf_counter() - start
        driven, truth = (truth_of(f, rig.house.floor) for f in (root / trip, folder))
        option, check = result.options[0], result.validation
        got = option.outcome
        nan = float("nan")
        low = (
            (nan,) * 3
            if got is None
            else tuple(getattr(got.soc_min, k) for k in ("value", "lo", "hi"))
        )
        code = result.verdict.code
        if code == "buy":
            code = "buy met" if result.verdict.met else "buy not met"
        lines.append(
            Line(
                name=folder.name,
                bias=check.bias_daily,
                rmse=check.rmse_hourly,
                low=(*low, truth[0]),
                below=(nan if got is None else got.hours_below_floor.value, truth[1]),
                off=(nan if got is None else got.hours_without_power.value, truth[2]),
                code=(code, code_of(driven, truth)),
                seconds=seconds,
                refused=option.refused,
            )
        )
    return lines


def close(pair: tuple[float, float]) -> bool:
    """Within a tenth or two hours."""
    return abs(pair[0] - pair[1]) <= max(2.0, 0.1 * pair[1])


def share(hits: list[bool]) -> str:
    return f"{sum(hits)} of {len(hits)}"


def table(lines: list[Line]) -> str:
    rows = [
        "| case | bias | hourly | low (interval), truth | below h, truth | "
        "no power h, truth | verdict, truth | s |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for x in lines:
        if x.refused:
            rows.append(f"| {x.name} | | | can't tell: {x.refused} | | | | |")
            continue
        rows.append(
            f"| {x.name} | {x.bias:+.1%} | {x.rmse:.0%} "
            f"| {x.low[0]:.3f} ({x.low[1]:.3f}..{x.low[2]:.3f}), {x.low[3]:.3f} "
            f"| {x.below[0]:.1f}, {x.below[1]:.1f} | {x.off[0]:.1f}, {x.off[1]:.1f} "
            f"| {x.code[0]}, {x.code[1]} | {x.seconds:.1f} |"
        )
    told = [x for x in lines if not x.refused]
    trips = {x.name.rpartition("-")[0]: x for x in told}.values()
    rows += [
        "",
        "| what | asked | measured |",
        "|---|---|---|",
        "| unchanged rig: daily bias, worst trip | 2 % | "
        f"{max(abs(x.bias) for x in trips):.1%} |",
        "| unchanged rig: hourly, worst trip | 8 % | "
        f"{max(x.rmse for x in trips):.0%} |",
        "| low point within 4 points | 90 % | "
        f"{share([abs(x.low[0] - x.low[3]) <= 0.04 for x in told])} |",
        "| interval of the low point true | 85-95 % | "
        f"{share([x.low[1] - 0.005 <= x.low[3] <= x.low[2] + 0.005 for x in told])} |",
        "| hours below the floor | 10 % or 2 h | "
        f"{share([close(x.below) for x in told])} |",
        "| hours without power | 10 % or 2 h | "
        f"{share([close(x.off) for x in told])} |",
        f"| verdict | 95 % | {share([x.code[0] == x.code[1] for x in told])} |",
    ]
    return "\n".join(rows)


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    text = table(measure(args.truth))
    print(text)
    if args.write:
        commit = subprocess.run(
            ["git", "rev-parse", "--short", "HEAD"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        head = (
            f"# Options against re-run trips\n\nCommit {commit}, seed {SEED}, "
            f"{platform.machine()}, {time.strftime('%Y-%m-%d', time.gmtime())}.\n"
            "These trips were looked at while tuning: no proof.\n\n"
        )
        RESULTS.write_text(head + text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
