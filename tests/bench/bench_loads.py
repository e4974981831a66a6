"""
Telling loads apart from one shunt: error of energy, of minutes, of events, coverage.

    python tests/bench/bench_loads.py [--seeds 101-110] [--kinds plain,rich] \\
        [--means] [--case FOLDER ...] [--write]

SAE = |sum estimated - sum true| / sum true; NEP = sum |error of each minute| / sum true
(NILMTK, 2014; standing draw and groups as the tool reports them); F1 of switching on,
within 5 s. Case folders are trips with known truth; their metered circuits are hidden.
"""

from __future__ import annotations

import argparse
import platform
import sys
import time as clock
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

from loads_maker import make_trip  # noqa: E402
from tests.support.cases import LazyMinutes, load_case, make_record  # noqa: E402

from campledger.estimate.loads.unmetered import unmetered_loads  # noqa: E402
from campledger.model.integrate import to_minutes  # noqa: E402
from campledger.model.series import Series  # noqa: E402
from campledger.model.words import Word  # noqa: E402


@dataclass
class Line:
    trip: str
    load: str
    kind: str
    share: float
    true: float
    found: float
    sae: float
    error: float
    inside: bool


class _Battery:
    """The little that telling loads apart wants of a battery estimate."""

    def __init__(self, record, shift, half):
        from campledger.model.estimates import Estimate

        raw = record.minutes["current_house_a"].mean
        self.current_corrected = raw + shift
        self.offset = Estimate(value=shift, lo=shift - half, hi=shift + half)


def _to_means(record, seconds=60.0):
    """Average every channel as a slow recorder would."""
    first = record.channels["voltage_house_v"].time_utc
    ends = np.arange(np.ceil(first[0] / seconds) + 1, first[-1] // seconds) * seconds
    columns = {}
    for name, series in record.channels.items():
        made = to_minutes(series, ends)
        columns[name] = np.where(made.covered > 0.75 * seconds, made.mean, np.nan)
    return make_record(ends, columns, utc_offset=record.utc_offset, sampling="mean")


def _case(folder: Path):
    from campledger.estimate.battery import estimate_battery

    record, rig, _, table = load_case(folder)
    metered = {f"current_{x.name}_a" for x in rig.loads}
    channels = {k: v for k, v in record.channels.items() if k not in metered}
    record = replace(
        record, channels=channels, minutes=LazyMinutes(channels, record.minute_utc)
    )
    at = np.round((table["time"] + 60 - record.minute_utc[0]) / 60).astype(int)
    ok = (at >= 0) & (at < len(record.minute_utc))
    truth = {}
    for load in rig.loads:
        row = np.full(len(record.minute_utc), np.nan)
        row[at[ok]] = table[f"p_{load.name}_w"][ok]
        truth[load.name] = row
    return record, rig, truth, estimate_battery(record, rig)


def _made(seed: int, kinds: str):
    made = make_trip(seed, kinds=kinds)
    record = make_record(made.time, made.columns)
    truth = {
        name: to_minutes(
            Series(time_utc=made.time, value=value), record.minute_utc
        ).mean
        for name, value in made.truth.items()
    }
    # the balance between fulls is not made here: its offset is taken as unknown
    return record, made.rig, truth, _Battery(record, 0.0, 1.0)


def judge(trip, record, rig, truth, battery):
    names = tuple(x.name for x in rig.loads)
    start = clock.perf_counter()
    uses = unmetered_loads(record, rig, battery, names)
    took = clock.perf_counter() - start
    known = record.minutes["current_house_a"].covered > 30
    total = sum(np.nansum(t[known]) for t in truth.values())
    lines = []
    for name, use in uses.items():
        if use.word is Word.MISSING:
            continue
        members = use.group or (name,)
        true = sum(truth[n] for n in members)
        ok = np.isfinite(use.power) & np.isfinite(true)
        a, b = use.power[ok].sum() / 60, true[ok].sum() / 60
        scale = use.energy.value / a if a > 0 else 1.0
        lines.append(
            Line(
                trip=trip,
                load="+".join(members),
                kind=rig.load(name).kind,
                share=b * 60 / total,
                true=b,
                found=a,
                sae=abs(a - b) / max(b, 1e-9),
                error=float(np.abs(use.power[ok] - true[ok]).sum()) / 60,
                inside=bool(use.energy.lo <= b * scale <= use.energy.hi),
            )
        )
    return lines, took


def _percent(value: float) -> str:
    return f"{100 * value:.1f}"


def table(lines: list[Line], times: dict[str, float]) -> list[str]:
    out = [
        "| trip | load | share % | true Wh | found Wh | SAE % | inside 90 % |",
        "|---|---|---|---|---|---|---|",
    ]
    out += [
        f"| {x.trip} | {x.load} | {_percent(x.share)} | {x.true:.0f} | {x.found:.0f} "
        f"| {_percent(x.sae)} | {'yes' if x.inside else 'no'} |"
        for x in lines
    ]
    out += ["", "| trip | NEP % | cooling SAE % | seconds |", "|---|---|---|---|"]
    for trip, took in times.items():
        own = [x for x in lines if x.trip == trip]
        nep = sum(x.error for x in own) / max(sum(x.true for x in own), 1e-9)
        cold = [x.sae for x in own if x.kind in {"fridge", "freezer"}]
        out.append(
            f"| {trip} | {_percent(nep)} | {_percent(max(cold, default=0.0))} "
            f"| {took:.1f} |"
        )
    big = [x.sae for x in lines if x.share >= 0.10]
    middle = [x.sae for x in lines if 0.05 <= x.share < 0.10]
    out += [
        "",
        f"Loads of at least 10 % of use: {len(big)}, SAE at most 12 % in "
        f"{_percent(float(np.mean(np.array(big) <= 0.12)) if big else 0.0)} %, median "
        f"{_percent(float(np.median(big)) if big else 0.0)} %.",
        f"Loads of 5-10 % of use: {len(middle)}, SAE at most 25 % in "
        f"{_percent(float(np.mean(np.array(middle) <= 0.25)) if middle else 0.0)} %.",
        f"90 % intervals that hold the truth: "
        f"{_percent(float(np.mean([x.inside for x in lines])))} % of {len(lines)}.",
    ]
    return out


def _seeds(text: str) -> range:
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="101-104")
    parser.add_argument("--kinds", default="plain,rich")
    parser.add_argument("--means", action="store_true", help="60 s means")
    parser.add_argument("--case", nargs="*", default=[])
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    trips = [
        (f"made-{k}-{s}", (s, k))
        for k in args.kinds.split(",")
        if k
        for s in _seeds(args.seeds)
    ]
    trips += [(Path(c).name, c) for c in args.case]
    lines: list[Line] = []
    times: dict[str, float] = {}
    for name, what in trips:
        parts = _case(Path(what)) if isinstance(what, str) else _made(*what)
        record, rig, truth, battery = parts
        if args.means:
            record = _to_means(record)
            grid = record.minute_utc
            offset = round((grid[0] - parts[0].minute_utc[0]) / 60)
            truth = {k: v[offset : offset + len(grid)] for k, v in truth.items()}
            if isinstance(battery, _Battery):
                battery = _Battery(record, 0.0, 1.0)
            else:
                current = battery.current_corrected[offset : offset + len(grid)]
                battery = replace(battery, current_corrected=current)
        own, times[name] = judge(name, record, rig, truth, battery)
        lines += own
    head = [
        "# Loads told apart from one shunt",
        "",
        f"Machine: {platform.machine()}, Python {platform.python_version()}. "
        f"{'60 s means. ' if args.means else ''}Made trips: seeds {args.seeds}.",
        "",
    ]
    text = "\n".join([*head, *table(lines, times), ""])
    print(text)
    if args.write:
        name = "bench_loads_means.md" if args.means else "bench_loads.md"
        (Path(__file__).parent / "results" / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
