"""
Replays with changed hardware against the truth of the same trip re-run so.

python tests/bench/bench_options.py ROOT... [--seeds 103,104] [--cache DIR] [--write]:
each ROOT holds case folders ``<scenario>-<seed>`` and the same trip re-run with other
hardware, ``<scenario>-<seed>-<tag>``; all of a trip are held against each other, both
ways, so that a trip with the small panel is also asked for the big one. Trips without
a partner only prove the replay of the unchanged rig and the verdict "nothing".
"""

from __future__ import annotations

import argparse
import hashlib
import json
import pickle
import platform
import re
import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from dated import commit as commit_now
from tests.support.cases import load_case, read_table

from campledger.estimate.trip import estimate_trip
from campledger.judge.options import Change, evaluate
from campledger.judge.options.changes import baseline_setup
from campledger.judge.options.evaluate import grid_of
from campledger.judge.options.outcome import draw, replay
from campledger.judge.options.replay import prepare_days

NAME = re.compile(r"(?P<trip>[a-z_]+-(?P<seed>\d+))(-(?P<tag>[a-z0-9]+))?$")
RESULTS = Path(__file__).parent / "results" / "bench_options.md"
SEED = 1
NEAR = 0.005
"""Truth is printed to half a point. [1]"""


@dataclass
class Variant:
    """One run of a trip: what was fitted, and what came of it."""

    folder: Path
    trip: str
    battery: float
    solar: float
    low: float
    below: float
    off: float
    floor: float

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def met(self) -> bool:
        return self.below < 0.05 and self.off < 0.05


@dataclass
class Line:
    name: str
    trip: str
    low: tuple[float, float, float, float] = (np.nan,) * 4
    below: tuple[float, float] = (np.nan, np.nan)
    off: tuple[float, float] = (np.nan, np.nan)
    refused: str = ""


@dataclass
class Check:
    name: str
    trip: str
    bias: float
    rmse: float
    held: float
    accepted: bool
    code: tuple[str, str]
    best: tuple[str, str] | None
    seconds: float
    lines: list[Line] = field(default_factory=list)


def variant_of(folder: Path) -> Variant:
    found = NAME.match(folder.name)
    meta = json.loads((folder / "meta.json").read_text(encoding="utf-8"))
    hardware = meta["hardware"]
    truth = np.asarray(read_table(folder / "truth.parquet")["soc"], dtype=float)
    _, rig, _, _ = load_case(folder)
    return Variant(
        folder=folder,
        trip=found["trip"],
        battery=float(hardware["battery_ah"]),
        solar=float(hardware["solar_w"]),
        low=max(float(truth.min()), 0.0),
        below=float((truth < rig.house.floor).sum()) / 60.0,
        off=float(meta["hours_without_power"]),
        floor=rig.house.floor,
    )


def variants(roots: list[Path], seeds: set[str]) -> dict[str, list[Variant]]:
    out: dict[str, list[Variant]] = {}
    for root in roots:
        for folder in sorted(root.iterdir()):
            found = NAME.match(folder.name)
            if found is None or not (folder / "truth.parquet").exists():
                continue
            if seeds and found["seed"] not in seeds:
                continue
            made = variant_of(folder)
            out.setdefault(made.trip, []).append(made)
    return out


def estimated(folder: Path, cache: Path | None):
    """Load and estimate; a cache serves one state of the estimators."""
    source = Path(__file__).resolve().parents[2] / "src" / "campledger" / "estimate"
    mark = hashlib.sha256()
    for path in sorted(source.rglob("*.py")):
        mark.update(path.read_bytes())
    kept = None
    if cache is not None:
        kept = cache / f"{folder.name}-{mark.hexdigest()[:12]}.pkl"
        if kept.exists():
            return pickle.loads(kept.read_bytes())  # noqa: S301
    record, rig, plan, _ = load_case(folder)
    estimates = estimate_trip(record, rig, plan=plan, quick=True)
    wanted = ("voltage_house_v", "temp_house_c", "temp_air_c", "voltage_start_v")
    minutes = {
        n: record.minutes[n]
        for n in record.channels
        if n in wanted or n.startswith("current_")
    }
    record = replace(record, minutes=minutes, channels=dict.fromkeys(record.channels))
    if kept is not None:
        cache.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps((record, rig, estimates)))
    return record, rig, estimates


def change_between(one: Variant, other: Variant) -> Change:
    return Change(
        capacity=other.battery if other.battery != one.battery else None,
        power_panel=other.solar if other.solar != one.solar else None,
    )


def code_of(driven: Variant, targets: list[Variant]) -> str:
    if driven.met:
        return "nothing"
    return "buy met" if any(t.met for t in targets) else "buy not met"


def kilograms(driven: Variant, target: Variant) -> float:
    """A panel by its watts; batteries without a typed mass rank behind it."""
    if target.battery != driven.battery:
        return float("inf")
    return 0.075 * (target.solar - driven.solar)


def best_of(driven: Variant, targets: list[Variant]) -> str:
    """Fewest kilograms that meet the need, else fewest hours below the floor."""
    meets = [t for t in targets if t.met]
    if meets:
        return min(meets, key=lambda t: kilograms(driven, t)).name
    return min(targets, key=lambda t: (t.below, t.off)).name


def measure(one: Variant, targets: list[Variant], cache: Path | None) -> Check:
    record, rig, estimates = estimated(one.folder, cache)
    changes = tuple(change_between(one, t) for t in targets)
    start = time.process_time()
    result = evaluate(
        record,
        rig,
        estimates,
        changes=changes or (Change(capacity=2.0 * one.battery),),
        rng=np.random.default_rng(SEED),
    )
    seconds = time.process_time() - start
    code = result.verdict.code
    if code == "buy":
        code = "buy met" if result.verdict.met else "buy not met"
    truth = code_of(one, targets)
    best = None
    told = [t for t, o in zip(targets, result.options, strict=False) if not o.refused]
    if len(told) > 1 and code.startswith("buy") and truth.startswith("buy"):
        named = [
            t.name
            for t, c in zip(targets, changes, strict=True)
            if c == result.verdict.change
        ]
        best = (named[0] if named else "?", best_of(one, told))
    check = Check(
        name=one.name,
        trip=one.trip,
        bias=result.validation.bias_daily,
        rmse=result.validation.rmse_hourly,
        held=result.validation.rmse_held_out,
        accepted=result.validation.accepted,
        code=(code, truth),
        best=best,
        seconds=seconds,
    )
    for target, option in zip(targets, result.options, strict=False):
        line = Line(name=f"{one.name} > {target.name}", trip=one.trip)
        made = option.outcome
        if made is None:
            line.refused = option.refused
        else:
            low = made.soc_min
            line.low = (low.value, low.lo, low.hi, target.low)
            line.below = (made.hours_below_floor.value, target.below)
            line.off = (made.hours_without_power.value, target.off)
        check.lines.append(line)
    if not targets and truth != "nothing":
        check.code = ("--", "--")
    if code == "cannot_tell" and all(x.refused for x in check.lines):
        check.code = ("--", "--")
    return check


def grid_seconds(one: Variant, cache: Path | None) -> float:
    """Seconds of one core for 20 x 20 sizes over a trip."""
    record, rig, estimates = estimated(one.folder, cache)
    days = prepare_days(record, rig, estimates)
    setup = baseline_setup(rig, estimates, days)
    draws = draw(estimates, days, 0.01, np.random.default_rng(SEED))
    base = replay(setup, days, draws)
    start = time.process_time()
    grid_of(rig, days, setup, base, draws)
    return time.process_time() - start


def close(pair: tuple[float, float]) -> bool:
    """Within a tenth or two hours."""
    return abs(pair[0] - pair[1]) <= max(2.0, 0.1 * pair[1])


def share(hits: list[bool], trips: list[str]) -> str:
    """Share with the exact 90 % interval, counted in trips."""
    if not hits:
        return "none"
    n, each = len(set(trips)), sum(hits) / len(hits)
    k = each * n
    lo = beta.ppf(0.05, k, n - k + 1) if k > 0 else 0.0
    hi = beta.ppf(0.95, k + 1, n - k) if k < n else 1.0
    return f"{each:.0%} ({sum(hits)} of {len(hits)}; {lo:.0%}..{hi:.0%}, {n} trips)"


def right(checks: list[Check]) -> str:
    """Share of the right codes."""
    return share([c.code[0] == c.code[1] for c in checks], [c.trip for c in checks])


def checks_table(checks: list[Check]) -> list[str]:
    rows = [
        "| trip as recorded | bias | hourly | held out | verdict, truth | "
        "best, truth | s |",
        "|---|---|---|---|---|---|---|",
    ]
    for x in checks:
        best = "" if x.best is None else f"{x.best[0]}, {x.best[1]}"
        rows.append(
            f"| {x.name} | {x.bias:+.1%} | {x.rmse:.1%} | {x.held:.1%} "
            f"| {x.code[0]}, {x.code[1]} | {best} | {x.seconds:.1f} |"
        )
    return rows


def lines_table(lines: list[Line]) -> list[str]:
    rows = [
        "| recorded > asked | low point (interval), truth | below floor h, truth | "
        "no power h, truth |",
        "|---|---|---|---|",
    ]
    for x in lines:
        if x.refused:
            rows.append(f"| {x.name} | can't tell: {x.refused} | | |")
            continue
        rows.append(
            f"| {x.name} "
            f"| {x.low[0]:.3f} ({x.low[1]:.3f}..{x.low[2]:.3f}), {x.low[3]:.3f} "
            f"| {x.below[0]:.1f}, {x.below[1]:.1f} "
            f"| {x.off[0]:.1f}, {x.off[1]:.1f} |"
        )
    return rows


def summary(checks: list[Check]) -> list[str]:
    lines = [x for c in checks for x in c.lines if not x.refused]
    names = [x.trip for x in lines]
    judged = [c for c in checks if c.code[0] != "--"]
    nothing = [c for c in judged if "nothing" in c.code]
    best = [c for c in judged if c.best is not None]
    within = [abs(x.low[0] - x.low[3]) <= 0.04 + 1e-9 for x in lines]
    true = [x.low[1] - NEAR <= x.low[3] <= x.low[2] + NEAR for x in lines]
    trips = [c.trip for c in checks]
    return [
        "| what | asked | measured |",
        "|---|---|---|",
        "| unchanged rig: daily bias | 2 % | worst "
        f"{max(abs(c.bias) for c in checks):.1%}, within on "
        f"{share([abs(c.bias) <= 0.02 for c in checks], trips)} |",
        "| unchanged rig: hourly | 8 % | median "
        f"{np.median([c.rmse for c in checks]):.1%}, worst "
        f"{max(c.rmse for c in checks):.1%}, within on "
        f"{share([c.rmse <= 0.08 for c in checks], trips)} |",
        "| the same on held-out days | | median "
        f"{np.median([c.held for c in checks]):.1%}, worst "
        f"{max(c.held for c in checks):.1%} |",
        f"| refused for its validation | | {sum(not c.accepted for c in checks)} |",
        f"| low point within 4 points | 90 % | {share(within, names)} |",
        f"| interval of the low point true | 85-95 % | {share(true, names)} |",
        "| hours below the floor | 10 % or 2 h | "
        f"{share([close(x.below) for x in lines], names)} |",
        "| hours without power | 10 % or 2 h | "
        f"{share([close(x.off) for x in lines], names)} |",
        f"| verdict | 95 % | {right(judged)} |",
        f'| "nothing" | 95 % | {right(nothing)} |',
        "| right best change | 90 % | "
        f"{share([c.best[0] == c.best[1] for c in best], [c.trip for c in best])} |",
    ]


def section(title: str, roots: list[Path], seeds: str, cache: Path | None) -> str:
    found = variants(roots, set(seeds.split(",")) - {""})
    checks = []
    for group in found.values():
        for one in group:
            others = [v for v in group if v is not one]
            checks.append(measure(one, others, cache))
            print(checks[-1].name, flush=True, file=sys.stderr)
    every = [v for group in found.values() for v in group]
    sunny = next((v for v in every if v.solar > 0 and "lfp_coast" in v.name), None)
    rows = [f"## {title} (seeds {seeds or 'all'})", "", *summary(checks)]
    if sunny is not None:
        rows.append(
            f"| 20 x 20 grid over a 10-day trip | 4 s | "
            f"{grid_seconds(sunny, cache):.2f} s of one core |"
        )
    rows += [
        "",
        *checks_table(checks),
        "",
        *lines_table([x for c in checks for x in c.lines]),
    ]
    return "\n".join(rows)


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("roots", type=Path, nargs="+")
    parser.add_argument("--seeds", default="", help="of the proof")
    parser.add_argument("--tuning", default="", help="seeds that were looked at")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    parts = [section("Proof", args.roots, args.seeds, args.cache)]
    if args.tuning:
        parts.append(
            section("Looked at while tuning", args.roots, args.tuning, args.cache)
        )
    text = "\n\n".join(parts)
    print(text)
    if args.write:
        commit = commit_now()
        head = (
            f"# Options against re-run trips\n\nCommit {commit}, chance {SEED}, "
            f"{platform.machine()}, {time.strftime('%Y-%m-%d', time.gmtime())}. "
            "Every run of a trip is asked for every other run of it, both ways.\n"
            "Shares carry the exact 90 % interval counted in trips.\n\n"
        )
        RESULTS.write_text(head + text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
