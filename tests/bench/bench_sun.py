"""
Possible harvest and held-back minutes against truth, on trips with a known sun.

``python tests/bench/bench_sun.py [--trips N] [--seed S] [--cases DIR ...]``
"""

from __future__ import annotations

import argparse
import platform
import sys
import time as clock
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from dated import commit as commit_now
from tests.bench.sun_world import STEP, make_sun_trip
from tests.support.cases import load_case, make_record

from campledger.estimate.sun import estimate_sun
from campledger.model.rig import House, Rig, Source


def make_rig(keys):
    solar = Source(
        name="solar",
        kind="solar",
        power_panel=keys["panel"],
        tilt=keys["tilt"],
        voltage_absorption=keys["absorption"],
        voltage_float=keys["float"],
    )
    sources = [solar]
    if keys["dcdc"] > 0:
        sources.append(Source(name="alternator", kind="dcdc", current_rated=25.0))
    return Rig(
        name="sun world",
        timezone="UTC",
        house=House(chemistry=keys["chemistry"], capacity_rated=keys["capacity"]),
        latitude=keys["latitude"],
        longitude=keys["longitude"],
        sources=tuple(sources),
    )


def world_trip(seed):
    """Give record, rig and true potential, power, held by minute."""
    time, columns, offset, keys, truth = make_sun_trip(seed)
    record = make_record(time, columns, utc_offset=offset)
    edge = np.floor(truth["time"] / 60.0) * 60.0 + 60.0
    place = np.searchsorted(record.minute_utc, edge)
    m = len(record.minute_utc)
    good = place < m
    out = {}
    for name in ("potential", "power", "held"):
        total = np.bincount(place[good], truth[name][good].astype(float), m)
        out[name] = total / (60.0 / STEP)
    return record, make_rig(keys), out, float(truth["potential"].sum() * STEP / 3600)


def case_trip(folder):
    record, rig, _, truth = load_case(folder)
    end = np.round(truth["time"]).astype(np.int64) + 60
    at = np.searchsorted(end, record.minute_utc.astype(np.int64))
    good = at < len(end)
    at = np.minimum(at, len(end) - 1)
    out = {
        "potential": np.where(good, truth["solar_potential_w"][at], 0.0),
        "power": np.where(good, truth["solar_power_w"][at], 0.0),
    }
    return record, rig, out, float(truth["solar_potential_w"].sum() / 60.0)


def score(name, record, rig, truth, energy):
    source = next((s for s in rig.sources if s.kind == "solar"), None)
    if source is None or energy <= 0:
        return None
    began = clock.process_time()
    sun = estimate_sun(record, rig, source)
    took = clock.process_time() - began
    pot, power = truth["potential"], truth["power"]
    curt = pot - power > np.maximum(3.0, 0.05 * pot)
    seen = np.isfinite(sun.power)
    hit = int((curt & sun.held & seen).sum())
    false, missed = int((sun.held & ~curt).sum()), int((curt & ~sun.held & seen).sum())
    value = sun.energy_possible
    return {
        "name": name,
        "energy": energy,
        "error": value.value / energy - 1,
        "width": (value.hi - value.lo) / 2 / energy,
        "inside": value.lo <= energy <= value.hi,
        "z": (value.value - energy) / max(value.give_or_take / 1.645, 1e-9),
        "curtailed": int((curt & seen).sum()),
        "share": float(np.sum((pot - power)[curt]) / 60 / energy),
        "f1": 2 * hit / max(2 * hit + false + missed, 1),
        "counts": (hit, false, missed),
        "seconds": took,
        "bound": sun.is_lower_bound,
    }


def summary(title, rows):
    """Lines of a table for one set of trips."""
    curt = [r for r in rows if r["share"] > 0.02]
    if not curt:
        return [f"{title}: no trip with curtailment"]
    err = np.abs([r["error"] for r in curt])
    counts = np.sum([r["counts"] for r in curt], axis=0)
    inside = [r["inside"] for r in curt]
    f1 = 2 * counts[0] / max(2 * counts[0] + counts[1] + counts[2], 1)
    some = [r["f1"] for r in curt if r["curtailed"] >= 120] or [float("nan")]
    clean = [r["counts"][1] for r in rows if r["curtailed"] == 0]
    return [
        f"{title}: {len(curt)} of {len(rows)} trips with curtailment (over 2 %)",
        f"  possible energy: mean |error| {err.mean():.1%}, worst {err.max():.1%}, "
        f"within 12 % in {np.mean(err <= 0.12):.0%}",
        f"  inside the 90 % interval: {sum(inside)} of {len(inside)}"
        f" ({np.mean(inside):.0%}), mean half width "
        f"{np.mean([r['width'] for r in curt]):.1%}",
        f"  curtailed minutes: pooled F1 {f1:.3f}, median of trips "
        f"{np.median(some):.3f}, lowest {np.min(some):.3f} (trips with 2 h or more)",
        f"  held minutes found in the {len(clean)} trips without any: "
        f"{sum(clean)}, most {max(clean, default=0)}",
        f"  seconds a trip: {np.mean([r['seconds'] for r in rows]):.1f}",
    ]


def keep(path, title, lines):
    """Write a dated table."""
    commit = commit_now()
    head = [
        f"# {title}",
        "",
        f"{datetime.now(UTC).date()}, commit {commit}, {platform.machine()}, "
        f"Python {platform.python_version()}.",
        "",
        "```",
        *lines,
        "```",
    ]
    Path(path).write_text("\n".join(head) + "\n", encoding="utf-8")


def main(argv=None):
    args = argparse.ArgumentParser()
    args.add_argument("--trips", type=int, default=20)
    args.add_argument("--seed", type=int, default=1)
    args.add_argument("--cases", nargs="*", default=[])
    args.add_argument("--out")
    args.add_argument("--all", action="store_true")
    opt = args.parse_args(argv)
    lines = []
    if opt.trips:
        seeds = range(opt.seed, opt.seed + opt.trips)
        rows = [score(f"world-{s}", *world_trip(s)) for s in seeds]
        lines += summary(f"own world, seeds {seeds[0]}-{seeds[-1]}", rows)
        show(rows, opt.all)
    if opt.cases:
        rows = [score(Path(c).name, *case_trip(c)) for c in opt.cases]
        rows = [r for r in rows if r is not None]
        kinds = sorted({r["name"].split("-")[0] for r in rows})
        lines += summary("trips of the truth lab, all kinds", rows)
        for kind in kinds:
            part = [r for r in rows if r["name"].split("-")[0] == kind]
            numbers = [int(r["name"].split("-")[1]) for r in part]
            span = f"{kind}, seeds {min(numbers)}-{max(numbers)}"
            lines += summary(span, part)
        show(rows, opt.all)
    print("\n".join(lines))
    if opt.out:
        keep(opt.out, "Possible sun and held-back minutes", lines)


def show(rows, every):
    for r in rows:
        if every or not r["inside"] or abs(r["error"]) > 0.08 or r["f1"] < 0.85:
            print(
                f"{r['name']:24s} E {r['energy']:6.0f} error {r['error']:+.1%} "
                f"half width {r['width']:.1%} z {r['z']:+.1f} "
                f"curtailed {r['share']:.0%} F1 {r['f1']:.3f} {r['counts']}"
            )


if __name__ == "__main__":
    main()
