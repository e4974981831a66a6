"""
Charge of a fridge on days at least 5 K hotter than those it was learned from.

A light world of its own: two thermal nodes, a thermostat, a machine that weakens with
heat by its own amount, doors, warm food, a vehicle that the sun warms. Common practice,
no source.

``python tests/bench/bench_fridge.py [--trips N] [--seed S] [--out FILE]``
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.bench_sun import keep
from tests.support.cases import make_record

from campledger.estimate.fridge import fit_fridges
from campledger.estimate.loads.metered import metered_load
from campledger.model.rig import House, Load, Rig

DAY = 1440
START = 1_730_000_000.0 // 86400 * 86400


def weather(rng, days, hot):
    """Air and cabin by minute; the last days are the hot ones."""
    n = days * DAY
    hour = np.mod(np.arange(n), DAY) / 60.0
    mean = rng.uniform(16, 27) + rng.normal(0, 1.5, days)
    mean[-hot:] = mean[:-hot].max() + 5.0 + rng.uniform(0, 2.5, hot)
    swing = rng.uniform(3, 8)
    level = np.repeat(mean, DAY)
    level = np.convolve(np.pad(level, 180, mode="edge"), np.ones(361) / 361, "valid")
    air = level + swing * np.sin((hour - 9) / 24 * 2 * np.pi)
    sun = np.maximum(np.sin((hour - 6) / 12 * np.pi), 0) * (hour > 6) * (hour < 18)
    sun = sun * np.repeat(rng.uniform(0.3, 1.0, days), DAY)
    gain = rng.uniform(0, 8)
    cabin = np.empty(n)
    cabin[0] = air[0]
    for k in range(1, n):
        cabin[k] = cabin[k - 1] + (air[k] + 0.5 + gain * sun[k] - cabin[k - 1]) / 50.0
    return air, cabin, sun


def run(rng, cabin):
    """Current by minute and the air inside."""
    n = len(cabin)
    leak, power = rng.uniform(0.5, 1.1), rng.uniform(38, 55)
    cop25, fall = rng.uniform(1.2, 1.9), rng.uniform(0.006, 0.02)
    goal, band = rng.uniform(2, 6), rng.uniform(0.8, 1.6)
    small, big, link = 6000.0, rng.uniform(30e3, 70e3), rng.uniform(4, 7)
    door = rng.random(n) < rng.uniform(5, 20) / DAY
    shop = rng.random(n) < 0.25 / DAY
    inside, food, on = goal, goal, False
    amps, temp, volts = np.zeros(n), np.zeros(n), 13.0
    for k in range(n):
        on = inside > goal - band if on else inside > goal + band
        cool = 0.0
        if on:
            drive = power * (1 + 0.006 * (cabin[k] - 25))
            cool = drive * cop25 * (1 - fall * (cabin[k] - 25))
            amps[k] = drive / volts
        if door[k]:
            inside += 0.3 * (cabin[k] - inside)
        if shop[k]:
            food += rng.uniform(1, 4)
        flow = link * (food - inside)
        inside += 60 * (leak * (cabin[k] - inside) + flow - cool) / small
        food -= 60 * flow / big
        temp[k] = inside
    return amps + 0.03, temp


def trip(seed, *, inside=True):
    """Fit on the mild days, predict the hot ones: (truth, estimate) pairs."""
    rng = np.random.default_rng([seed, 77])
    days, hot = int(rng.integers(8, 13)), 3
    air, cabin, _ = weather(rng, days, hot)
    amps, temp = run(rng, cabin)
    n = (days - hot) * DAY
    noise = rng.normal(0, 0.02, len(amps))
    columns = {
        "voltage_house_v": np.full(n, 13.0),
        "current_fridge_a": (amps * 1.004 + noise)[:n],
        "temp_air_c": (air + rng.normal(0, 0.3))[:n],
    }
    if inside:
        columns["temp_fridge_c"] = (temp + rng.normal(0, 0.3))[:n]
    time = START + 60.0 * (1 + np.arange(n))
    record = make_record(time, columns, sampling="mean")
    rig = Rig(
        name="box",
        timezone="UTC",
        house=House(chemistry="lfp", capacity_rated=100.0),
        latitude=-25.0,
        longitude=0.0,
        loads=(Load(name="fridge", kind="fridge", temp_set=4.0),),
    )
    use = metered_load(record, "fridge")
    (model,) = fit_fridges(record, rig, (use,))
    out = []
    for k in range(days - hot, days):
        cut = slice(k * DAY, (k + 1) * DAY)
        within = temp[cut].mean() if inside else 4.0
        out.append(
            (amps[cut].sum() / 60.0, model.charge_a_day(air[cut].mean() - within))
        )
    return model, out


def main(argv=None):
    args = argparse.ArgumentParser()
    args.add_argument("--trips", type=int, default=20)
    args.add_argument("--seed", type=int, default=1)
    args.add_argument("--out")
    opt = args.parse_args(argv)
    lines = []
    for inside in (True, False):
        errors, hits, trips, width = [], [], [], []
        for seed in range(opt.seed, opt.seed + opt.trips):
            _, days = trip(seed, inside=inside)
            bad = [e.value / t - 1 for t, e in days]
            errors += bad
            trips.append(np.mean(bad))
            hits += [e.lo <= t <= e.hi for t, e in days]
            width += [e.give_or_take / e.value for t, e in days]
        size = np.abs(errors)
        lines += [
            f"inside {'measured' if inside else 'assumed'}: {opt.trips} trips, seeds "
            f"{opt.seed}-{opt.seed + opt.trips - 1}, {len(errors)} days 5 K hotter",
            f"  bias {np.mean(errors):+.1%}, mean |error| {size.mean():.1%}, worst "
            f"{size.max():.1%}, within 10 % {np.mean(size <= 0.1):.0%} of days, "
            f"{np.mean(np.abs(trips) <= 0.1):.0%} of trips",
            f"  inside the 90 % interval {np.mean(hits):.0%}, half width "
            f"{np.mean(width):.1%}",
        ]
    print("\n".join(lines))
    if opt.out:
        keep(opt.out, "Fridge on days 5 K hotter", lines)


if __name__ == "__main__":
    main()
