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
from contextlib import ExitStack, contextmanager
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from baseline import baseline
from enough_scores import table
from enough_world import make_trip
from tests.support.cases import load_case

import campledger.judge.forecast as forecasting
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


def case_of(name):
    """Give record, rig, plan, truth, true capacity and group of a folder or made:N."""
    if name.startswith("made:"):
        made = make_trip(int(name.removeprefix("made:")))
        return made.record, made.rig, made.plan, made.truth, made.capacity, "made"
    record, rig, plan, truth = load_case(name)
    battery = json.loads((Path(name) / "meta.json").read_text())["battery"]
    capacity = battery.get("true_ah_c20") or battery["true_ah"]
    group = "lab" if Path(name).name.count("-") == 1 else "lab, changed"
    return record, rig, plan, truth, capacity, group


def origins_of(case, *, state_from, seed, every):
    """
    Estimate at every origin: what the forecast starts from, without the forecast.

    The slow part; ``--cache`` keeps it, with the commit that made it.
    """
    record, rig, plan, truth, true_ah, _ = case
    rng = np.random.default_rng(seed)
    t_soc = np.interp(record.minute_utc, truth["time"], truth["soc"])
    opening = plan.opening_soc
    whole = None
    if state_from != "chain":
        whole = estimate_trip(record, rig, opening=opening, quick=True)
    size = len(record.minute_utc)
    soc_told, cap_told = noisy_state(t_soc, true_ah, rng)
    if state_from == "truth":
        model = replace(whole.battery.model, capacity=cap_told)
        whole = replace(
            whole, battery=replace(whole.battery, soc_live=soc_told, model=model)
        )
    end = min(record.end_utc, truth["time"][-1])
    start = record.start_utc
    out = []
    for at in np.arange(
        np.ceil(start / STEP) * STEP + 3 * HOUR, end - 12 * HOUR + 1, every * HOUR
    ):
        k = int(np.searchsorted(record.minute_utc, at, side="right"))
        rec = cut_record(record, at)
        if whole is not None:
            est = cut_arrays(whole, size, k)
        else:
            est = estimate_trip(rec, rig, opening=opening, quick=True)
        state = state_of(est)
        if state_from == "truth":
            state = State(
                soc=float(soc_told[k - 1]),
                soc_std=SOC_NOISE,
                capacity=cap_told,
                capacity_std=CAPACITY_NOISE * cap_told,
            )
        out.append(
            {
                "at": at,
                "history": build_history(rec, rig, est, at),
                "model": est.battery.model,
                "fridges": est.fridges,
                "state": state,
            }
        )
    return {"commit": commit(), "start": start, "end": end, "origins": out}


def cached(args, name, case, seed):
    """Give the origins of a trip, from the cache where they are kept."""
    file = None
    if args.cache:
        label = f"{Path(name).name.replace(':', '-')}-{args.state}-{args.every:g}.pkl"
        file = Path(args.cache) / label
        if file.exists():
            return pickle.loads(file.read_bytes())  # noqa: S301, our own file
    made = origins_of(case, state_from=args.state, seed=seed, every=args.every)
    if file is not None:
        file.write_bytes(pickle.dumps(made))
    return made


def halves(minutes, start, at):
    """Half-hour means of the 72 h after a moment."""
    first = round((at - start) / 60)
    part = np.full(144 * 30, np.nan)
    seen = minutes[first : first + len(part)]
    part[: len(seen)] = seen
    return np.nan_to_num(part.reshape(144, 30).mean(axis=1))


def state_given(given, state, truth, true_ah, at):
    """Give the state as estimated, or the true one."""
    if "state" not in given:
        return state
    soc = float(np.interp(at, truth["time"], truth["soc"]))
    return State(soc=soc, soc_std=0.003, capacity=true_ah, capacity_std=0.005 * true_ah)


@contextmanager
def knowing(given, truth, at):
    """Let the forecast know parts of what happens, to see what each is worth."""
    start, volts = truth["time"][0], truth["battery_voltage_v"]
    engine = truth.get("dcdc_current_a", np.zeros(len(volts)))
    used = truth["solar_current_a"] + engine - truth["battery_current_a"]
    calls = []

    def demand(pool, prior, steps, paths, rng, *, signed=False):
        calls.append(steps)
        known = halves(used, start, at)[:steps] * (len(calls) == 1)
        return np.repeat(known[:, None], paths, axis=1)

    def sun(outlook, question, clear, paths, rng):
        known = halves(truth["solar_potential_w"] / volts, start, at)
        return np.repeat(known[: len(clear), None], paths, axis=1)

    def drives(history, habits, plan, typed, steps, paths, rng):
        known = halves(truth["engine_on"], start, at)[:steps]
        return np.repeat(known[:, None], paths, axis=1)

    with ExitStack() as stack:
        for part, name, instead in (
            ("demand", "draw", demand),
            ("sun", "_sun", sun),
            ("drives", "draw_drives", drives),
        ):
            if part in given:
                stack.enter_context(patch.object(forecasting, name, instead))
        yield


def run_case(name, args, seed):
    """Give a list of dict rows, one for each origin and horizon, and the commit."""
    case = case_of(name)
    _, rig, plan, truth, true_ah, group = case
    known = cached(args, name, case, seed)
    if args.only_cache:
        return [], known["commit"]
    rng = np.random.default_rng(seed)
    t_q = np.concatenate(([0.0], np.cumsum(truth["battery_current_a"]) / 60.0))
    t_edge = np.concatenate((truth["time"], [truth["time"][-1] + 60.0]))
    rows, said = [], []
    for origin in known["origins"]:
        at, history = origin["at"], origin["history"]
        state = state_given(args.given, origin["state"], truth, true_ah, at)
        outlook = outlook_of(history, rig, plan, origin["model"], origin["fridges"])
        longest = min(72.0, np.floor((known["end"] - at) / STEP) * STEP / HOUR)
        until = at + longest * HOUR
        with knowing(args.given, truth, at):
            raw = forecast(
                outlook, state, Question(), until=until, paths=PATHS, rng=rng
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
                    "case": Path(name).name,
                    "group": group,
                    "at": at,
                    "hours": hours,
                    "age": (at - known["start"]) / HOUR,
                    "basis": outlook.basis,
                    "soc": origin_soc,
                    "told": state.soc,
                    "floor": rig.house.floor,
                    "low": float(truth["soc"][inside].min()),
                    "net": float(q[1] - q[0]),
                    "paths_net": made.paths.net[j].astype(np.float32),
                    "paths_low": made.paths.soc[: j + 1].min(axis=0).astype(np.float32),
                    "base_net": b_net[j].astype(np.float32),
                    "base_low": b_soc[: j + 1].min(axis=0).astype(np.float32),
                }
            )
    return rows, known["commit"]


def main(argv=None):
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "cases", nargs="+", help="case folders with truth, or made:SEED"
    )
    parser.add_argument("--state", choices=("truth", "live", "chain"), default="truth")
    parser.add_argument(
        "--every", type=float, default=3.0, help="hours between origins"
    )
    parser.add_argument("--keep", help="keep the rows here, to score them again")
    parser.add_argument(
        "--given",
        default="",
        help="what the forecast may know: state, demand, sun, drives",
    )
    parser.add_argument("--cache", help="folder that keeps the estimates")
    parser.add_argument("--only-cache", action="store_true", help="estimate only")
    parser.add_argument("--out", help="write the dated table here")
    args = parser.parse_args(argv)
    rows, commits = [], set()
    for k, name in enumerate(args.cases):
        begun = time.process_time()
        more, made_by = run_case(name, args, k)
        rows += more
        commits.add(made_by)
        print(f"{Path(name).name}: {time.process_time() - begun:.1f} s", flush=True)
        if args.keep:
            Path(args.keep).write_bytes(pickle.dumps(rows))
    if args.only_cache:
        return 0
    text = table(rows)
    print(text)
    if args.out:
        write_dated(Path(args.out), text, args, commits)
    return 0


def commit():
    """Name the commit of the code that runs."""
    return subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()


def write_dated(path, text, args, commits):
    """Write the table with commits, cases and machine."""
    names = ", ".join(Path(c).name for c in args.cases)
    known = f" The forecast knew: {args.given}." if args.given else ""
    head = (
        f"# The forecast behind `enough`\n\n{datetime.now(UTC):%Y-%m-%d}, commit "
        f"{commit()}, estimates of {', '.join(sorted(commits))}, {platform.machine()} "
        f"{platform.python_version()}. State of charge from: {args.state}. Origins "
        f"every {args.every:g} h.{known}\nTrips: {names}.\n\n"
    )
    path.write_text(head + text + "\n")


if __name__ == "__main__":
    raise SystemExit(main())
