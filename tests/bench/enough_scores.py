"""Scores of rolling answers: shares, deciles, Brier, coverage, CRPS; by trip."""

from __future__ import annotations

import argparse
import pickle
from pathlib import Path

import numpy as np

HORIZONS = (12, 24, 48, 72)


def crps(sample, x):
    s = np.sort(np.asarray(sample, dtype=float))
    n = len(s)
    w = 2 * np.arange(1, n + 1) - n - 1
    return np.abs(s - x).mean() - (w * s).sum() / n**2


def judged(rows, floors):
    """Rows with chance, base chance and outcome, for each floor; origins above it."""
    out = []
    for r in rows:
        for f in floors(r):
            if r["soc"] <= f:
                continue
            out.append(
                {
                    **{k: r[k] for k in ("case", "at", "hours", "age", "basis")},
                    "floor": f,
                    "p": float((r["paths_low"] >= f).mean()),
                    "b": float((r["base_low"] >= f).mean()),
                    "y": r["low"] >= f,
                }
            )
    return out


def table(rows, floors):
    j = judged(rows, floors)
    p = np.array([x["p"] for x in j])
    b = np.array([x["b"] for x in j])
    y = np.array([x["y"] for x in j], float)
    case = np.array([x["case"] for x in j])
    print(f"windows {len(j)}, trips {len(set(case))}, do not last {1 - y.mean():.1%}")
    base = y.mean() * (1 - y.mean())
    print(
        f"Brier {np.mean((p - y) ** 2):.4f}  half base rate {base / 2:.4f}  baseline {np.mean((b - y) ** 2):.4f}  ratio to baseline {np.mean((p - y) ** 2) / np.mean((b - y) ** 2):.3f}"
    )
    yes, no = p >= 0.95, p <= 0.05
    print(
        f"yes {yes.mean():.1%} false {1 - y[yes].mean():.2%} | no {no.mean():.1%} false {y[no].mean():.2%} | too close {1 - yes.mean() - no.mean():.1%}"
    )
    for lo in np.arange(0, 1, 0.1):
        m = (p >= lo) & ((p < lo + 0.1) if lo < 0.85 else (p <= 1))
        if m.any():
            print(
                f"  decile {lo:.1f}: n {m.sum():5d} trips {len(set(case[m])):3d} stated {p[m].mean():.3f} happened {y[m].mean():.3f} diff {y[m].mean() - p[m].mean():+.3f}"
            )
    for h in HORIZONS:
        s = [r for r in rows if r["hours"] == h and r["soc"] > r["floor"]]
        if not s:
            continue
        cov = [
            np.quantile(r["paths_net"], 0.1)
            <= r["net"]
            <= np.quantile(r["paths_net"], 0.9)
            for r in s
        ]
        raw = [
            np.quantile(r["raw_net"], 0.1) <= r["net"] <= np.quantile(r["raw_net"], 0.9)
            for r in s
        ]
        c = np.mean([crps(r["paths_net"], r["net"]) for r in s])
        c0 = np.mean([crps(r["raw_net"], r["net"]) for r in s])
        cb = np.mean([crps(r["base_net"], r["net"]) for r in s])
        bias = np.mean([r["net"] - r["paths_net"].mean() for r in s])
        print(
            f"{h:3d} h: n {len(s)} cover80 {np.mean(cov):.1%} (raw {np.mean(raw):.1%})  CRPS {c:.2f} raw {c0:.2f} base {cb:.2f} ratio {c / cb:.3f} bias {bias:+.2f}"
        )


def more_floors(r):
    own = r["floor"]
    return (own, 0.5, 0.7) if own < 0.4 else (own, 0.65)


def main(argv):
    parser = argparse.ArgumentParser()
    parser.add_argument("cases", nargs="+")
    parser.add_argument("--state", default="truth")
    parser.add_argument("--keep", default="")
    parser.add_argument("--every", type=float, default=3.0)
    args = parser.parse_args(argv)
    from bench_enough import run_case

    rows = []
    for k, folder in enumerate(args.cases):
        rows += run_case(folder, state_from=args.state, seed=k, every=args.every)
        print("done", folder, flush=True)
    if args.keep:
        Path(args.keep).write_bytes(pickle.dumps(rows))
    print("-- own floor")
    table(rows, lambda r: (r["floor"],))
    print("-- more floors")
    table(rows, more_floors)
    return 0
