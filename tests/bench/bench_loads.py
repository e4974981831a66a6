"""
Telling loads apart from one shunt: error of energy, of minutes, of events, coverage.

    python tests/bench/bench_loads.py [--made plain:401-405,rich:406-410] \\
        [--case FOLDER ...] [--means] [--speed] [--write]

SAE = |sum estimated - sum true| / sum true; NEP = sum |error of each minute| / sum true
(NILMTK, 2014; standing draw and groups as the tool reports them). F1 is of switching on
and off within 5 s, where the truth of each second is known; runs of a group count
together. Case folders are trips with known truth; their metered circuits are hidden.
Seconds are processor time of telling the loads apart, without the battery's estimate.
"""

from __future__ import annotations

import argparse
import datetime
import json
import platform
import resource
import subprocess
import sys
import time as clock
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import beta

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

from loads_maker import make_trip  # noqa: E402
from tests.support.cases import (  # noqa: E402
    LazyMinutes,
    load_case,
    make_record,
    read_table,
)

from campledger.estimate.loads import unmetered  # noqa: E402
from campledger.model.integrate import to_minutes  # noqa: E402
from campledger.model.series import Series  # noqa: E402
from campledger.model.words import Word  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterator


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
    f1: float


@dataclass
class Trip:
    """One trip to be judged: ``seconds`` (time, {load: W}) or None where unknown."""

    name: str
    family: str
    record: object
    rig: object
    truth: dict
    battery: object
    seconds: tuple | None


WITHIN = 5.0
ON = 0.5
"""Seconds within which an event is met; W above which a load is on in truth."""


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
    fine = folder / "truth_1s.parquet"
    seconds = None
    if fine.exists():
        one = read_table(fine)
        seconds = (one["time"], {x.name: one[f"p_{x.name}_w"] for x in rig.loads})
    battery = estimate_battery(record, rig)
    family = "lab, six loads" if "single" in folder.name else "lab, inverter"
    return Trip(folder.name, family, record, rig, truth, battery, seconds)


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
    battery = _Battery(record, 0.0, 1.0)
    family = "made, inverter" if kinds == "rich" else f"made, six loads ({kinds})"
    return Trip(
        f"made-{kinds}-{seed}",
        family,
        record,
        made.rig,
        truth,
        battery,
        (made.time, made.truth),
    )


def _slow(trip: Trip) -> Trip:
    """Give the same trip as 60 s means."""
    record = _to_means(trip.record)
    grid = record.minute_utc
    at = round((grid[0] - trip.record.minute_utc[0]) / 60)
    part = slice(at, at + len(grid))
    truth = {k: v[part] for k, v in trip.truth.items()}
    if isinstance(trip.battery, _Battery):
        battery = _Battery(record, 0.0, 1.0)
    else:
        battery = replace(
            trip.battery, current_corrected=trip.battery.current_corrected[part]
        )
    return replace(trip, record=record, truth=truth, battery=battery, seconds=None)


def _edges(time, on):
    change = np.flatnonzero(np.diff(on.astype(np.int8)) != 0) + 1
    return time[change], on[change]


def _f1(found: list[tuple[float, bool]], true: list[tuple[float, bool]]) -> float:
    """Match events one to one, nearest in time first come."""
    met = 0
    for kind in (True, False):
        a = np.sort([t for t, k in found if k == kind])
        b = np.sort([t for t, k in true if k == kind])
        i = j = 0
        while i < len(a) and j < len(b):
            if abs(a[i] - b[j]) <= WITHIN:
                met, i, j = met + 1, i + 1, j + 1
            elif a[i] < b[j]:
                i += 1
            else:
                j += 1
    return 2 * met / max(len(found) + len(true), 1)


def _events(trip: Trip, solution, members) -> float:
    """F1 of a load's (or group's) events, NaN where there are too few."""
    if trip.seconds is None or solution is None:
        return float("nan")
    time, power = trip.seconds
    true_on = sum(power[n] for n in members) > ON
    true = list(zip(*(x.tolist() for x in _edges(time, true_on)), strict=True))
    index = {m.name: i for i, m in enumerate(solution.models)}
    loads = {index[n] for n in members if n in index}
    runs = sorted((r.begin, r.end) for r in solution.runs if r.load in loads)
    joined: list[list[float]] = []
    for a, b in runs:
        if joined and a <= joined[-1][1] + 1.0:
            joined[-1][1] = max(b, joined[-1][1])
        else:
            joined.append([a, b])
    found = [(t, k) for a, b in joined for t, k in ((a, True), (b, False))]
    seen = trip.record.channels["current_house_a"].time_utc
    near = np.searchsorted(seen, [t for t, _ in true])
    gap = np.abs(seen[np.minimum(near, len(seen) - 1)] - [t for t, _ in true])
    true = [e for e, g in zip(true, gap, strict=True) if g <= WITHIN]
    return _f1(found, true) if len(true) >= 4 else float("nan")


def _tell_apart(trip: Trip):
    """Run the product, keeping what it decoded; give uses, solution, CPU seconds."""
    kept = []
    plain = unmetered.solve

    def spy(*args, **kwargs):
        kept.append(plain(*args, **kwargs))
        return kept[-1]

    names = tuple(x.name for x in trip.rig.loads)
    unmetered.solve = spy
    try:
        start = clock.process_time()
        uses = unmetered.unmetered_loads(trip.record, trip.rig, trip.battery, names)
        took = clock.process_time() - start
    finally:
        unmetered.solve = plain
    return uses, kept[0] if kept else None, took


def judge(trip: Trip):
    uses, solution, took = _tell_apart(trip)
    known = trip.record.minutes["current_house_a"].covered > 30
    total = sum(np.nansum(t[known]) for t in trip.truth.values())
    lines = []
    for name, use in uses.items():
        if use.word is Word.MISSING:
            continue
        members = use.group or (name,)
        true = sum(trip.truth[n] for n in members)
        ok = np.isfinite(use.power) & np.isfinite(true)
        a, b = use.power[ok].sum() / 60, true[ok].sum() / 60
        scale = use.energy.value / a if a > 0 else 1.0
        lines.append(
            Line(
                trip=trip.name,
                load="+".join(members),
                kind=trip.rig.load(name).kind,
                share=float(b * 60 / total),
                true=float(b),
                found=float(a),
                sae=float(abs(a - b) / max(b, 1e-9)),
                error=float(np.abs(use.power[ok] - true[ok]).sum()) / 60,
                inside=bool(use.energy.lo <= b * scale <= use.energy.hi),
                f1=_events(trip, solution, members),
            )
        )
    return lines, took


def _percent(value: float) -> str:
    return f"{100 * value:.1f}"


def _band(hits: int, count: int) -> str:
    """Exact 90 % binomial interval (Clopper and Pearson, Biometrika 26, 1934, 404)."""
    if count == 0:
        return "-"
    low = beta.ppf(0.05, hits, count - hits + 1) if hits else 0.0
    high = beta.ppf(0.95, hits + 1, count - hits) if hits < count else 1.0
    return f"{_percent(hits / count)} % ({_percent(low)}-{_percent(high)}), n {count}"


COLD = {"fridge", "freezer"}


@dataclass
class Figures:
    """The figures of one trip."""

    trip: str
    family: str
    nep: float
    cold: float
    f1_cold: float
    f1_mean: float
    seconds: float
    groups: int


def figures(trip: Trip, lines: list[Line], took: float) -> Figures:
    nep = sum(x.error for x in lines) / max(sum(x.true for x in lines), 1e-9)
    events = [x.f1 for x in lines if np.isfinite(x.f1)]
    cold_events = [x.f1 for x in lines if x.kind in COLD and np.isfinite(x.f1)]
    return Figures(
        trip=trip.name,
        family=trip.family,
        nep=float(nep),
        cold=max((x.sae for x in lines if x.kind in COLD), default=float("nan")),
        f1_cold=min(cold_events, default=float("nan")),
        f1_mean=float(np.mean(events)) if events else float("nan"),
        seconds=took,
        groups=sum("+" in x.load for x in lines),
    )


def table(lines: list[Line], trips: list[Figures]) -> list[str]:
    out = [
        "| trip | load | share % | true Wh | found Wh | SAE % | inside 90 % | F1 |",
        "|---|---|---|---|---|---|---|---|",
    ]
    out += [
        f"| {x.trip} | {x.load} | {_percent(x.share)} | {x.true:.0f} | {x.found:.0f} "
        f"| {_percent(x.sae)} | {'yes' if x.inside else 'no'} | {x.f1:.2f} |"
        for x in lines
    ]
    out += [
        "",
        "| trip | NEP % | cooling SAE % | F1 cooling | F1 mean | groups | CPU s |",
        "|---|---|---|---|---|---|---|",
    ]
    out += [
        f"| {x.trip} | {_percent(x.nep)} | {_percent(x.cold)} | {x.f1_cold:.3f} "
        f"| {x.f1_mean:.2f} | {x.groups} | {x.seconds:.1f} |"
        for x in trips
    ]
    return out


SLOW_LIMITS = (0.05, 0.15)
LIMITS = {"inverter": (0.03, 0.25), "six": (0.02, 0.08)}
"""Asked of the cooling load's SAE and of NEP."""


def _limits(family: str, *, means: bool) -> tuple[float, float]:
    if means:
        return SLOW_LIMITS
    return LIMITS["inverter" if "inverter" in family else "six"]


def summary(lines: list[Line], trips: list[Figures], *, means: bool) -> list[str]:
    out = [
        "| family | trips | NEP asked | NEP median, worst % | trips within "
        "| cooling asked | cooling median, worst % | trips within |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for family in dict.fromkeys(x.family for x in trips):
        own = [x for x in trips if x.family == family]
        cold_limit, nep_limit = _limits(family, means=means)
        nep, cold = np.array([x.nep for x in own]), np.array([x.cold for x in own])
        out.append(
            f"| {family} | {len(own)} | {_percent(nep_limit)} "
            f"| {_percent(np.median(nep))}, {_percent(nep.max())} "
            f"| {int((nep <= nep_limit).sum())} | {_percent(cold_limit)} "
            f"| {_percent(np.median(cold))}, {_percent(cold.max())} "
            f"| {int((cold <= cold_limit).sum())} |"
        )
    big = [x.sae <= 0.12 for x in lines if x.share >= 0.10]
    middle = [x.sae <= 0.25 for x in lines if 0.05 <= x.share < 0.10]
    inside = [x.inside for x in lines]
    out += [
        "",
        "- Loads of at least 10 % of use, SAE at most 12 %: "
        f"{_band(sum(big), len(big))}.",
        "- Loads of 5-10 % of use, SAE at most 25 %: "
        f"{_band(sum(middle), len(middle))}.",
        f"- 90 % intervals that hold the truth (asked 85-95 %): "
        f"{_band(sum(inside), len(inside))} loads; by trip "
        f"{_by_trip(lines)}.",
    ]
    f1 = [(x.f1_cold, x.f1_mean) for x in trips if np.isfinite(x.f1_mean)]
    if f1:
        cold, mean = (np.array(v) for v in zip(*f1, strict=True))
        out.append(
            f"- Event F1 (asked 0.97 cooling, 0.85 mean): cooling median "
            f"{np.nanmedian(cold):.3f}, worst {np.nanmin(cold):.3f}; mean of loads "
            f"median {np.median(mean):.2f}, worst {mean.min():.2f}, "
            f"{len(f1)} trips."
        )
    return out


def _by_trip(lines: list[Line], draws: int = 2000) -> str:
    """Bootstrap the covered share over trips, 90 %."""
    trips = list(dict.fromkeys(x.trip for x in lines))
    hits = np.array([sum(x.inside for x in lines if x.trip == t) for t in trips])
    count = np.array([sum(x.trip == t for x in lines) for t in trips])
    rng = np.random.default_rng(1)
    pick = rng.integers(0, len(trips), (draws, len(trips)))
    share = hits[pick].sum(axis=1) / count[pick].sum(axis=1)
    low, high = np.percentile(share, [5, 95])
    return f"{_percent(low)}-{_percent(high)} %"


def speed(kinds: str) -> None:
    """Time ten days at 1 Hz in this process; run apart for the memory."""
    trip = _long(kinds)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = clock.perf_counter()
    _, _, took = _tell_apart(trip)
    wall = clock.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"| {kinds} | {len(trip.rig.loads)} | {took:.1f} | {wall:.1f} "
        f"| {(after - before) / 1024:.0f} | {after / 1024:.0f} |"
    )


def _long(kinds: str) -> Trip:
    made = make_trip(499, days=10, kinds=kinds)
    columns = {k: v.astype(np.float64) for k, v in made.columns.items()}
    record = make_record(made.time, columns)
    battery = _Battery(record, 0.0, 1.0)
    return Trip("long", "speed", record, made.rig, {}, battery, None)


def _speeds() -> list[str]:
    rows = [
        "| 10 days at 1 Hz | loads | CPU s (asked 15, 8 loads 30) | wall s | memory "
        "added, MB (asked 200) | process in all, MB |",
        "|---|---|---|---|---|---|",
    ]
    for kinds in ("plain", "rich"):
        done = subprocess.run(
            [sys.executable, __file__, "--speed-of", kinds],
            check=True,
            capture_output=True,
            text=True,
        )
        rows.append(done.stdout.strip())
    return rows


def _seeds(text: str) -> range:
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


def _trips(args: argparse.Namespace) -> Iterator[Trip]:
    for case in args.case:
        yield _case(Path(case))
    for part in [x for x in args.made.split(",") if x]:
        kinds, _, seeds = part.partition(":")
        for seed in _seeds(seeds):
            yield _made(seed, kinds)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--made", default="plain:401-405,rich:406-410,rough:411-415")
    parser.add_argument("--means", action="store_true", help="60 s means as well")
    parser.add_argument("--case", nargs="*", default=[])
    parser.add_argument("--speed", action="store_true")
    parser.add_argument("--speed-of", default="")
    parser.add_argument("--part", default="", help="keep what was judged so far")
    parser.add_argument("--join", nargs="*", default=[], help="tables of kept parts")
    parser.add_argument("--note", default="", help="a line for the table's head")
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    if args.speed_of:
        speed(args.speed_of)
        return 0
    fast, slow = Table(), Table()
    for part in args.join:
        kept = json.loads(Path(part).read_text(encoding="utf-8"))
        fast.load(kept["fast"])
        slow.load(kept["slow"])
    for trip in () if args.join else _trips(args):
        fast.add(trip)
        if args.means:
            slow.add(_slow(trip))
        if args.part:
            kept = {"fast": fast.dump(), "slow": slow.dump()}
            Path(args.part).write_text(json.dumps(kept), encoding="utf-8")
    text = fast.text("1 s", args, means=False, tail=_speeds() if args.speed else [])
    _put_out(text, "bench_loads.md", write=args.write)
    if args.means:
        text = slow.text("60 s means", args, means=True, tail=[])
        _put_out(text, "bench_loads_means.md", write=args.write)
    return 0


class Table:
    """What was judged so far."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self.trips: list[Figures] = []

    def add(self, trip: Trip) -> None:
        own, took = judge(trip)
        self.lines += own
        self.trips.append(figures(trip, own, took))
        done = self.trips[-1]
        print(f"{done.trip}: NEP {_percent(done.nep)} %, {took:.1f} s", flush=True)

    def dump(self) -> dict:
        return {
            "lines": [asdict(x) for x in self.lines],
            "trips": [asdict(x) for x in self.trips],
        }

    def load(self, kept: dict) -> None:
        self.lines += [Line(**x) for x in kept["lines"]]
        self.trips += [Figures(**x) for x in kept["trips"]]

    def text(
        self, title: str, args: argparse.Namespace, *, means: bool, tail: list[str]
    ) -> str:
        today = datetime.datetime.now(tz=datetime.UTC).date()
        made = args.made or "none"
        return "\n".join(
            [
                f"# Loads told apart from one shunt, {title}",
                "",
                f"Date {today}, {platform.machine()}, Python "
                f"{platform.python_version()}. Made trips: {made}. {args.note}",
                "",
                *summary(self.lines, self.trips, means=means),
                "",
                *tail,
                "",
                *table(self.lines, self.trips),
                "",
            ]
        )


def _put_out(text: str, name: str, *, write: bool) -> None:
    print(text)
    if write:
        (Path(__file__).parent / "results" / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
