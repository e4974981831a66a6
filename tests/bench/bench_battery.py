"""
Battery estimates against trips with known truth: the table per trip and per kind.

    python tests/bench/bench_battery.py [CASE ...] [--cases DIR] [--write] [--jobs N]

A case is a folder with recording, rig, plan and truth. A full charge is counted from
the truth: the state of charge reached 0.985 and had been below it for an hour. Trips of
one kind are pooled; shares are judged by trips, not by minutes.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import platform
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.support.cases import make_record, read_table

from campledger.estimate.battery import estimate_battery
from campledger.formats.rigfile import read_rig

RESULTS = Path(__file__).parent / "results"
FULL, BELOW_MINUTES = 0.985, 60
KNEE = 0.10
ASKED = {
    "lfp, 5 or more fulls": ("0.8; 1.5 / 3.5", "1.5 / 4", "4"),
    "lfp, 1-4 fulls": ("2.0; 2.5 / 5", "3 / 7", "6 (live 9)"),
    "lfp, no full": ("-", "-", "-"),
    "lfp aged, knee reached": ("3.0; 3.5 / 8", "-", "8"),
    "lfp aged, knee not reached": ("7", "-", "20"),
    "lfp aged, capacity known": ("2.2; 3.3 / 9", "3.5 / 9", "6"),
    "agm, 4 or more fulls": ("1.0; 1.5 / 3", "2 / 4", "4.5 (live 5.5)"),
    "agm, 1-3 fulls": ("2.0; 2.5 / 4.5", "3 / 5", "5.5 (live 7)"),
    "agm, no full": ("3.5; 4 / 8", "-", "8"),
}


def load(folder: Path):
    """Give record, rig, truth table and hidden parameters of a case."""
    rig = read_rig(folder / "rig.toml")
    table = read_table(folder / "recording.parquet")
    clock = table.pop("time_utc", None)
    table.pop("boot", None)
    uptime = table.pop("uptime_s", None)
    exact = folder / "sensors_true_time.parquet"
    if uptime is not None and exact.exists():
        clock = read_table(exact)["time_true"]
    record = make_record(clock, table, sampling=rig.sampling)
    truth = read_table(folder / "truth.parquet")
    return record, rig, truth, json.loads((folder / "meta.json").read_text())


def count_fulls(soc) -> int:
    """Count fulls of the truth as figures.md has them."""
    number, below = 0, BELOW_MINUTES
    for value in soc[np.isfinite(soc)]:
        if value >= FULL:
            number += below >= BELOW_MINUTES
            below = 0
        else:
            below += 1
    return number


def kind_of(name: str, fulls: int, lowest: float, *, known: bool) -> str:
    """Name the row of the issue's table that a trip belongs to."""
    if "faults" in name:
        if known:
            return "lfp aged, capacity known"
        return "lfp aged, knee " + ("reached" if lowest < KNEE else "not reached")
    group = name.split("_", maxsplit=1)[0]
    if group == "lfp":
        ranks = ((5, "5 or more fulls"), (1, "1-4 fulls"), (0, "no full"))
    else:
        ranks = ((4, "4 or more fulls"), (1, "1-3 fulls"), (0, "no full"))
    return f"{group}, " + next(text for least, text in ranks if fulls >= least)


def scores(value, lo, hi, truth) -> dict[str, float]:
    """Give error, worst, coverage, width and interval score, in points."""
    ok = np.isfinite(truth) & np.isfinite(value)
    if not ok.any():
        return dict.fromkeys(
            ("rmse", "worst", "cover", "width", "winkler", "n"), np.nan
        )
    t, v, a, b = truth[ok], value[ok], lo[ok], hi[ok]
    miss = np.maximum(a - t, 0.0) + np.maximum(t - b, 0.0)
    return {
        "rmse": 100.0 * float(np.sqrt(np.mean((v - t) ** 2))),
        "worst": 100.0 * float(np.max(np.abs(v - t))),
        "cover": float(np.mean(miss <= 1e-9)),
        "width": 100.0 * float(np.mean(b - a)),
        "winkler": 100.0 * float(np.mean(b - a + 20.0 * miss)),
        "n": float(ok.sum()),
    }


def judge(task: tuple[str, bool]) -> dict[str, object]:
    """Run one trip; ``known`` gives the rig its true capacity."""
    folder, known = Path(task[0]), task[1]
    record, rig, truth, meta = load(folder)
    battery = meta["battery"]
    if known:
        house = replace(rig.house, capacity_now=round(battery["true_ah_c20"], 1))
        rig = replace(rig, house=house)
    began = time.process_time()
    est = estimate_battery(record, rig)
    spent = time.process_time() - began
    soc = np.interp(record.minute_utc, truth["time"], truth["soc"], np.nan, np.nan)
    fulls = count_fulls(soc)
    at_full = np.flatnonzero(soc >= FULL)
    after = soc.copy()
    if len(at_full):
        after[: at_full[0] + 30] = np.nan
    shunt = meta["sensors"]["channels"]["battery_current"]
    zero = shunt["offset_a"] + battery.get("bms_drain_a_unseen_by_shunt", 0.0)
    first = int(np.flatnonzero(np.isfinite(soc))[0])
    volts = record.minutes["voltage_house_v"].mean
    error = np.abs(est.soc - soc)
    error = error[np.isfinite(error)]
    return {
        "name": folder.name + (" (capacity known)" if known else ""),
        "kind": kind_of(folder.name, fulls, float(np.nanmin(soc)), known=known),
        "fulls": fulls,
        "lowest": float(np.nanmin(soc)),
        "trip": scores(est.soc, est.soc_lo, est.soc_hi, soc),
        "live": scores(est.soc_live, est.soc_live_lo, est.soc_live_hi, after),
        "whole": scores(est.soc_live, est.soc_live_lo, est.soc_live_hi, soc),
        "capacity": (est.capacity.value, est.capacity.lo, est.capacity.hi),
        "capacity_true": battery["true_ah_c20"],
        "offset": (est.offset.value, est.offset.lo, est.offset.hi),
        "offset_true": zero,
        "opening": bool(
            est.soc_live_lo[first] - 1e-9 <= soc[first] <= est.soc_live_hi[first] + 1e-9
        ),
        "told": float(np.mean(np.isfinite(est.soc[np.isfinite(volts)]))),
        "seconds": spent,
        "days": (record.end_utc - record.start_utc) / 86400.0,
        "error": np.quantile(error, np.linspace(0.0, 1.0, 201)),
    }


def best_band(rows) -> float:
    """Interval score of the best constant-width band around the same estimates."""
    error = np.concatenate([r["error"] for r in rows])
    widths = np.linspace(0.001, 0.6, 400)
    score = [2 * w + 20.0 * np.mean(np.maximum(error - w, 0.0)) for w in widths]
    return 100.0 * float(np.min(score))


def binomial(share: float, n: int) -> tuple[float, float]:
    """Exact 90 % interval of a share counted in trips."""
    from scipy.stats import beta

    k = share * n
    lo = beta.ppf(0.05, k, n - k + 1) if k > 0 else 0.0
    hi = beta.ppf(0.95, k + 1, n - k) if k < n else 1.0
    return float(lo), float(hi)


def trip_line(row) -> str:
    """One trip as a row of the table."""
    t, v = row["trip"], row["live"]
    c, lo, hi = row["capacity"]
    o, olo, ohi = (1e3 * x for x in row["offset"])
    inside = lo <= row["capacity_true"] <= hi
    zero = 1e3 * row["offset_true"]
    return (
        f"| {row['kind']} | {row['name']} | {row['fulls']} | {row['lowest']:.2f} "
        f"| {t['rmse']:.2f} / {t['worst']:.1f} | {t['cover']:.2f} | {t['width']:.1f} "
        f"| {v['rmse']:.2f} / {v['worst']:.1f} | {v['cover']:.2f} | {v['width']:.1f} "
        f"| {c:.1f} ({lo:.0f} to {hi:.0f}) | {row['capacity_true']:.1f} "
        f"| {'yes' if inside else 'NO'} | {o:.0f} ({olo:.0f} to {ohi:.0f}) "
        f"| {zero:.0f} "
        f"| {'yes' if olo <= zero <= ohi else 'NO'} "
        f"| {'yes' if row['opening'] else 'NO'} | {row['seconds']:.1f} |"
    )


def kind_line(kind: str, rows) -> str:
    """One kind of trip, measured beside asked."""

    def pooled(key: str) -> float:
        return float(np.sqrt(np.nanmean([r[key]["rmse"] ** 2 for r in rows])))

    def mean(key: str, what: str) -> float:
        return float(np.nanmean([r[key][what] for r in rows]))

    def top(key: str, what: str) -> float:
        return float(np.nanmax([r[key][what] for r in rows]))

    asked = ASKED.get(kind, ("-", "-", "-"))
    return (
        f"| {kind} | {len(rows)} | {pooled('trip'):.2f}; {top('trip', 'rmse'):.2f} / "
        f"{top('trip', 'worst'):.1f} | {asked[0]} | {pooled('live'):.2f} / "
        f"{top('live', 'worst'):.1f} | {asked[1]} | {mean('trip', 'width'):.1f} "
        f"(live {mean('live', 'width'):.1f}) | {asked[2]} "
        f"| {mean('trip', 'cover'):.3f} |"
    )


def group_lines(rows) -> list[str]:
    """Coverage and interval score of each chemistry."""
    out = []
    for group in ("lfp", "agm"):
        part = [
            r for r in rows if r["kind"].startswith(group) and "known" not in r["kind"]
        ]
        if not part:
            continue
        for key in ("trip", "whole"):
            cover = float(np.mean([r[key]["cover"] for r in part]))
            lo, hi = binomial(cover, len(part))
            text = f"- {group}, {'live' if key == 'whole' else 'trip'} estimate: "
            text += f"coverage {cover:.3f} over {len(part)} trips "
            text += f"(90 % interval by trips {lo:.2f} to {hi:.2f}; asked 0.87 to 0.93)"
            if key == "trip":
                own = float(np.mean([r["trip"]["winkler"] for r in part]))
                text += f"; interval score {own:.2f}, "
                text += f"best constant band {best_band(part):.2f}"
            out.append(text)
        good = sum(  # intervals that hold the truth
            r["capacity"][1] <= r["capacity_true"] <= r["capacity"][2] for r in part
        )
        near = [abs(r["capacity"][0] / r["capacity_true"] - 1.0) for r in part]
        zero = [abs(r["offset"][0] - r["offset_true"]) * 1e3 for r in part]
        out.append(
            f"- {group}: capacity interval true in {good} of {len(part)}, error median "
            f"{100 * np.median(near):.1f} %, largest {100 * max(near):.1f} %; offset "
            f"error median {np.median(zero):.0f} mA, largest {max(zero):.0f} mA; "
            f"opening interval true in {sum(r['opening'] for r in part)}; told in at "
            f"least "
            f"{100 * min(r['told'] for r in part):.2f} % of minutes with volts"
        )
    return out


def found_lines(rows) -> list[str]:
    """Offset and capacity on the trips for which the issue asks a figure."""
    out = []
    for group, fulls, limit in (("lfp", 4, 12.0), ("agm", 4, 30.0), ("agm", 0, 30.0)):
        part = [
            r
            for r in rows
            if r["kind"].startswith(group)
            and "known" not in r["kind"]
            and r["fulls"] >= fulls
        ]
        if part:
            off = [abs(r["offset"][0] - r["offset_true"]) * 1e3 for r in part]
            true = sum(
                r["offset"][1] <= r["offset_true"] <= r["offset"][2] for r in part
            )
            out.append(
                f"| offset with drain, {group}, {fulls} or more fulls | {len(part)} "
                f"| {np.mean(np.array(off) <= limit):.2f} within {limit:.0f} mA "
                f"| {np.median(off):.0f} mA | {max(off):.0f} mA | {true} |"
            )
    wanted = {
        "lfp, a full and the knee reached": lambda r: (
            r["kind"].startswith("lfp") and r["fulls"] and r["lowest"] < KNEE
        ),
        "agm, 4 or more fulls": lambda r: (
            r["kind"].startswith("agm") and r["fulls"] >= 4
        ),
    }
    for text, chosen in wanted.items():
        part = [r for r in rows if chosen(r) and "known" not in r["kind"]]
        if part:
            near = [
                100.0 * abs(r["capacity"][0] / r["capacity_true"] - 1.0) for r in part
            ]
            true = sum(
                r["capacity"][1] <= r["capacity_true"] <= r["capacity"][2] for r in part
            )
            out.append(
                f"| capacity, {text} | {len(part)} "
                f"| {np.mean(np.array(near) <= 4.0):.2f} within 4 % "
                f"| {np.median(near):.1f} % | {max(near):.1f} % | {true} |"
            )
    return out


def table(rows) -> str:
    """The whole result as Markdown."""
    kinds = sorted({r["kind"] for r in rows})
    lines = [
        "| kind | trips | trip RMSE pooled; any / worst | asked | live RMSE / worst "
        "| asked | width | asked | coverage |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [kind_line(k, [r for r in rows if r["kind"] == k]) for k in kinds]
    lines += [
        "",
        "Errors and widths in % of the true capacity; live from half an hour ",
    ]
    lines[-1] += "after the first full charge (all of it where there is none)."
    lines += ["", *group_lines(rows), ""]
    lines += [
        "| what | trips | share | median error | worst | interval true |",
        "|" + "---|" * 6,
        *found_lines(rows),
        "",
    ]
    lines += [
        "| kind | trip | fulls | lowest | trip RMSE / worst | cover | width "
        "| live RMSE / worst | cover | width | capacity A.h | true | in "
        "| offset mA | true | in | opening in | CPU s |",
        "|" + "---|" * 18,
    ]
    lines += [trip_line(r) for r in sorted(rows, key=lambda r: (r["kind"], r["name"]))]
    return "\n".join(lines) + "\n"


def header(names: list[str]) -> str:
    """Date, commit, machine and seeds."""
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        capture_output=True,
        text=True,
        check=False,
    ).stdout.strip()
    return (
        "# Battery estimates against known truth\n\n"
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} "
        f"UTC, commit {commit}, {platform.machine()} {platform.processor()}, Python "
        f"{platform.python_version()}. Trips: {', '.join(names)}.\n\n"
    )


def main(argv: list[str] | None = None) -> int:
    """Run the cases given, or all below ``--cases`` that match ``--pattern``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("case", nargs="*")
    parser.add_argument("--cases", type=Path)
    parser.add_argument("--pattern", default="*-1[0-9][0-9]")
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--note", default="", help="a line under the heading")
    parser.add_argument("--name", default="bench_battery", help="of the result")
    args = parser.parse_args(argv)
    folders = [Path(c) for c in args.case]
    if args.cases is not None:
        folders += sorted(args.cases.glob(args.pattern))
    folders = [f for f in folders if (f / "truth.parquet").exists()]
    if not folders:
        print("no case folder with truth.parquet given; see --help")
        return 2
    tasks = [(str(f), False) for f in folders]
    tasks += [(str(f), True) for f in folders if "faults" in f.name]
    if args.jobs > 1:
        with multiprocessing.Pool(args.jobs) as pool:
            rows = pool.map(judge, tasks, chunksize=1)
    else:
        rows = [judge(t) for t in tasks]
    note = f"{args.note}\n\n" if args.note else ""
    text = header([f.name for f in folders]) + note + table(rows)
    print(text)
    if args.write:
        RESULTS.mkdir(exist_ok=True)
        (RESULTS / f"{args.name}.md").write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
