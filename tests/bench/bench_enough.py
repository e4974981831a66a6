"""
The forecast behind ``enough`` against known truth, rolling origin, and its baseline.

``--state truth`` gives the forecast the true state of charge with a noise whose spread
it is told; ``--state live`` takes the live estimate of one run over the whole trip, cut
at each origin (its capacity and battery model know the end); ``--state chain`` runs
the whole chain of estimators again at each origin, fully causal and slow.
Asked for: see the table that it prints.
"""

from __future__ import annotations

import argparse
import json
import pickle
import platform
import subprocess
import sys
import time
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from baseline import baseline
from enough_scores import table
from tests.support.cases import load_case

from campledger.estimate.trip import estimate_trip
from campledger.judge.enough_state import state_of
from campledger.judge.enough_types import Question
from campledger.judge.forecast import PATHS, State, forecast, outlook_of
from campledger.judge.forecast_history import STEP, build_history
from campledger.judge.forecast_recalibrate import (
    answers_of,
    calibrate,
    compare,
    recalibrated,
)
from campledger.model.series import TripRecord  # noqa: TC001

HOUR = 3600.0
HORIZONS = (12, 24, 48, 72)
SOC_NOISE, CAPACITY_NOISE = 0.02, 0.04


class Cut(dict):
    """Minute arrays of a record cut at a moment."""

    def __init__(self, whole, k):
        super().__init__()
        self.whole, self.k = whole, k

    def __contains__(self, name):
        return name in self.whole

    def __missing__(self, name):
        m = self.whole[name]
        self[name] = replace(
            m, **{f.name: getattr(m, f.name)[: self.k] for f in fields(m)}
        )
        return self[name]


def cut_arrays(thing, size, k):
    """Cut every array on the minute grid of a frozen result."""
    if isinstance(thing, np.ndarray):
        return thing[:k] if thing.shape[:1] == (size,) else thing
    if isinstance(thing, tuple):
        return tuple(cut_arrays(x, size, k) for x in thing)
    if isinstance(thing, dict):
        return {n: cut_arrays(x, size, k) for n, x in thing.items()}
    if is_dataclass(thing):
        return replace(
            thing,
            **{
                f.name: cut_arrays(getattr(thing, f.name), size, k)
                for f in fields(thing)
            },
        )
    return thing


def cut_record(record: TripRecord, at: float) -> TripRecord:
    k = int(np.searchsorted(record.minute_utc, at, side="right"))
    channels = {n: s.between(-np.inf, at) for n, s in record.channels.items()}
    return replace(
        record,
        end_utc=at,
        minute_utc=record.minute_utc[:k],
        channels=channels,
        minutes=Cut(record.minutes, k),
    )


def noisy_state(truth_soc, capacity, rng):
    """Slow noise on the true state, the same spread as is told."""
    n = len(truth_soc)
    knots = np.arange(0, n + 1440, 720)
    slow = rng.normal(0, SOC_NOISE, len(knots))
    noise = np.interp(np.arange(n), knots, slow) * 1.15
    return np.clip(truth_soc + noise, 0, 1), capacity * (
        1 + CAPACITY_NOISE * rng.normal()
    )


def run_case(folder, *, state_from, seed=0, every=3.0, again=24.0):
    """Give a list of dict rows, one for each origin and horizon."""
    record, rig, plan, truth = load_case(folder)
    meta = json.loads((Path(folder) / "meta.json").read_text())
    rng = np.random.default_rng(seed)
    t_soc = np.interp(record.minute_utc, truth["time"], truth["soc"])
    t_q = np.concatenate(([0.0], np.cumsum(truth["battery_current_a"]) / 60.0))
    t_edge = np.concatenate((truth["time"], [truth["time"][-1] + 60.0]))
    true_ah = meta["battery"].get("true_ah_c20") or meta["battery"]["true_ah"]
    whole = estimate_trip(record, rig, opening=plan.opening_soc, quick=True)
    size = len(record.minute_utc)
    soc_told, cap_told = noisy_state(t_soc, true_ah, rng)
    if state_from == "truth":
        model = replace(whole.battery.model, capacity=cap_told)
        whole = replace(
            whole, battery=replace(whole.battery, soc_live=soc_told, model=model)
        )
    rows, said = [], []
    end = min(record.end_utc, truth["time"][-1])
    start = record.start_utc
    origins = np.arange(
        np.ceil(start / STEP) * STEP + 3 * HOUR, end - 12 * HOUR + 1, every * HOUR
    )
    for at in origins:
        k = int(np.searchsorted(record.minute_utc, at, side="right"))
        rec = cut_record(record, at)
        if state_from in {"truth", "live"}:
            est = cut_arrays(whole, size, k)
            state = State(
                soc=float(soc_told[k - 1]),
                soc_std=SOC_NOISE,
                capacity=cap_told,
                capacity_std=CAPACITY_NOISE * cap_told,
            )
            if state_from == "live":
                state = state_of(est)
        else:
            est = estimate_trip(rec, rig, opening=plan.opening_soc, quick=True)
            state = state_of(est)
        history = build_history(rec, rig, est, at)
        outlook = outlook_of(history, rig, plan, est.battery.model, est.fridges)
        longest = min(72.0, np.floor((end - at) / STEP) * STEP / HOUR)
        raw = forecast(
            outlook, state, Question(), until=at + longest * HOUR, paths=PATHS, rng=rng
        )
        made = recalibrated(raw, calibrate(compare(said, history)))
        said += answers_of(raw, at)
        steps = len(raw.demand)
        b_soc, b_net = baseline(history, rig, plan, state.soc, state.capacity, steps)
        origin_soc = float(np.interp(at, truth["time"], truth["soc"]))
        for hours in HORIZONS:
            if hours > longest:
                continue
            j = round(hours * HOUR / STEP)
            inside = (truth["time"] >= at) & (truth["time"] <= at + hours * HOUR)
            q = np.interp([at, at + hours * HOUR], t_edge, t_q)
            rows.append(
                {
                    "case": Path(folder).name,
                    "at": at,
                    "hours": hours,
                    "age": (at - start) / HOUR,
                    "basis": outlook.basis,
                    "soc": origin_soc,
                    "told": state.soc,
                    "floor": rig.house.floor,
                    "low": float(truth["soc"][inside].min()),
                    "net": float(q[1] - q[0]),
                    "paths_net": made.paths.net[j].astype(np.float32),
                    "paths_low": made.paths.soc[: j + 1].min(axis=0).astype(np.float32),
                    "raw_net": raw.paths.net[j].astype(np.float32),
                    "base_net": b_net[j].astype(np.float32),
                    "base_low": b_soc[: j + 1].min(axis=0).astype(np.float32),
                }
            )
    return rows


def main(argv=None):
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", nargs="+", help="case folders with truth")
    parser.add_argument("--state", choices=("truth", "live", "chain"), default="truth")
    parser.add_argument(
        "--every", type=float, default=3.0, help="hours between origins"
    )
    parser.add_argument("--keep", help="keep the rows here, to score them again")
    parser.add_argument("--out", help="write the dated table here")
    args = parser.parse_args(argv)
    rows = []
    for k, folder in enumerate(args.cases):
        begun = time.process_time()
        rows += run_case(folder, state_from=args.state, seed=k, every=args.every)
        print(f"{Path(folder).name}: {time.process_time() - begun:.1f} s", flush=True)
    if args.keep:
        Path(args.keep).write_bytes(pickle.dumps(rows))
    text = table(rows)
    print(text)
    if args.out:
        write_dated(Path(args.out), text, args)
    return 0


def write_dated(path, text, args):
    """Write the table with commit, cases and machine."""
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    names = ", ".join(Path(c).name for c in args.cases)
    head = (
        f"# The forecast behind `enough`\n\n{datetime.now(UTC):%Y-%m-%d}, commit "
        f"{commit}, {platform.machine()} {platform.python_version()}. State of charge "
        f"from: {args.state}. Origins every {args.every:g} h.\nTrips: {names}.\n\n"
    )
    path.write_text(head + text + "\n")


if __name__ == "__main__":
    raise SystemExit(main())
