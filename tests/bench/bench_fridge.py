"""
Charge of a fridge on days at least 5 K hotter than those it was learned from.

A light world of its own: two thermal nodes, a thermostat, a machine that weakens with
heat by its own amount, doors, warm food, a vehicle that the sun warms. Common practice,
no source.

What an opened door lets in is reckoned: 40 to 60 l of air at 1.2 kg/m3, exchanged once
or twice, carry 1.006 kJ/kg K and 2.5 kJ a gram of water; 25 K and 10 g/kg apart that is
2.5 to 7 kJ, and the warm hand, lid and walls about as much again: 3 to 12 kJ. Warm
food: 1 to 4 kg of drink at 4.2 kJ/kg K and 20 K, 100 to 330 kJ, every third or fourth
day. The harsh world opens doors that let in six times as much.

The oracle knows the machine, the leak, the vehicle's heat of the hot day and how the
box is used on average, but not which day the warm food comes: no estimate can be
better than that.

``python tests/bench/bench_fridge.py [--trips N] [--seed S] [--cases DIR ...]``
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.bench_sun import keep
from tests.support.cases import load_case, make_record

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


def make_box(rng):
    """Draw one box and its owner's habits."""
    return {
        "leak": rng.uniform(0.5, 1.1),
        "power": rng.uniform(38, 55),
        "cop25": rng.uniform(1.2, 1.9),
        "fall": rng.uniform(0.006, 0.02),
        "goal": rng.uniform(2, 6),
        "band": rng.uniform(0.8, 1.6),
        "big": rng.uniform(30e3, 70e3),
        "link": rng.uniform(4, 7),
        "doors": rng.uniform(5, 20),
        "shops": rng.uniform(0.2, 0.4),
    }


def run(rng, box, cabin, *, harsh=False):
    """Current by minute and the air inside."""
    n = len(cabin)
    goal, band, small = box["goal"], box["band"], 6000.0
    door = np.where(rng.random(n) < box["doors"] / DAY, rng.uniform(3e3, 12e3, n), 0.0)
    door = 6.0 * door if harsh else door
    shop = np.where(rng.random(n) < box["shops"] / DAY, rng.uniform(1e5, 3.3e5, n), 0.0)
    inside, food, on = goal, goal, False
    amps, temp, volts = np.zeros(n), np.zeros(n), 13.0
    for k in range(n):
        on = inside > goal - band if on else inside > goal + band
        cool = 0.0
        if on:
            drive = box["power"] * (1 + 0.006 * (cabin[k] - 25))
            cool = drive * box["cop25"] * (1 - box["fall"] * (cabin[k] - 25))
            amps[k] = drive / volts
        inside += door[k] * max(cabin[k] - inside, 0.0) / 25.0 / small
        food += shop[k] / box["big"]
        flow = box["link"] * (food - inside)
        inside += 60 * (box["leak"] * (cabin[k] - inside) + flow - cool) / small
        food -= 60 * flow / box["big"]
        temp[k] = inside
    return amps + 0.03, temp


def oracle(seed, box, cabin, *, harsh, draws=3):
    """Mean current by minute over other days of the same owner."""
    use = [np.random.default_rng([seed, 78, d]) for d in range(draws)]
    return np.mean([run(r, box, cabin, harsh=harsh)[0] for r in use], axis=0)


def make_trip(seed, *, harsh=False):
    """Give air, cabin, current, inside, days and hot days of one trip."""
    rng = np.random.default_rng([seed, 77])
    days, hot = int(rng.integers(8, 13)), 3
    air, cabin, _ = weather(rng, days, hot)
    box = make_box(rng)
    amps, temp = run(rng, box, cabin, harsh=harsh)
    mean = oracle(seed, box, cabin, harsh=harsh)
    noise = rng.normal(0, 0.02, len(amps))
    shift = rng.normal(0, 0.3, 2)
    return {
        "air": air + shift[0],
        "meter": amps * 1.004 + noise,
        "amps": amps,
        "oracle": mean,
        "inside": temp + shift[1],
        "days": days,
        "hot": hot,
    }


def predict(world, *, inside=True):
    """Fit on the mild days, predict the hot ones: (truth, oracle, estimate)."""
    days, hot = world["days"], world["hot"]
    n = (days - hot) * DAY
    columns = {
        "voltage_house_v": np.full(n, 13.0),
        "current_fridge_a": world["meter"][:n],
        "temp_air_c": world["air"][:n],
    }
    if inside:
        columns["temp_fridge_c"] = world["inside"][:n]
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
        within = world["inside"][cut].mean() if inside else 4.0
        out.append(
            (
                world["amps"][cut].sum() / 60.0,
                world["oracle"][cut].sum() / 60.0,
                model.charge_a_day(world["air"][cut].mean() - within),
            )
        )
    return model, out


def case_pairs(folder):
    """Fit on the cool days of a stored trip, predict those 5 K hotter."""
    record, rig, _, truth = load_case(folder)
    end = np.round(truth["time"]).astype(np.int64) + 60
    at = np.searchsorted(end, record.minute_utc.astype(np.int64))
    good = at < len(end)
    amps = truth["p_fridge_w"] / np.maximum(truth["battery_voltage_v"], 1.0)
    amps = np.where(good, amps[np.minimum(at, len(end) - 1)], np.nan)
    served = truth["loads_connected"][np.minimum(at, len(end) - 1)] > 0.99
    day = np.floor((record.minute_utc + record.utc_offset) / 86400.0)
    air = record.minutes["temp_air_c"].mean
    inside = record.minutes["temp_fridge_c"].mean
    whole = [
        d
        for d in np.unique(day)
        if np.sum((day == d) & served & np.isfinite(air) & np.isfinite(inside)) > 1400
    ]
    gap = {d: float(np.nanmean((air - inside)[day == d])) for d in whole}
    cool = [d for d in whole if gap[d] <= max(gap.values(), default=0.0) - 5.0]
    if len(cool) < 3:
        return []
    hot = [d for d in whole if gap[d] >= max(gap[d] for d in cool) + 5.0]
    use = metered_load(record, "fridge")
    known = np.isin(day, cool)
    use = replace(
        use,
        charge=np.where(known, use.charge, np.nan),
        power=np.where(known, use.power, np.nan),
        on_share=np.where(known, use.on_share, np.nan),
    )
    (model,) = fit_fridges(record, rig, (use,))
    return [
        (float(np.nansum(amps[day == d])) / 60.0, model.charge_a_day(gap[d]))
        for d in hot
    ]


def case_lines(folders):
    """Lines of a table over stored trips that have such days."""
    found = [case_pairs(f) for f in folders]
    rows = [r for trip in found for r in trip]
    trips = [np.mean([e.value / t - 1 for t, e in trip]) for trip in found if trip]
    hits = [e.lo <= t <= e.hi for t, e in rows]
    if not rows:
        return ["trips of the truth lab: none has days 5 K hotter than three others"]
    return [
        f"trips of the truth lab: {len(trips)} of {len(folders)} have days 5 K hotter "
        f"than at least three others, {len(rows)} days",
        lines_of("estimate", np.array([e.value / t - 1 for t, e in rows]), trips),
        f"  inside the 90 % interval {np.mean(hits):.0%}",
    ]


def lines_of(title, errors, trips):
    size = np.abs(errors)
    return (
        f"  {title}: bias {np.mean(errors):+.1%}, mean |error| {size.mean():.1%}, "
        f"worst {size.max():.1%}, within 10 % {np.mean(size <= 0.1):.0%} of days, "
        f"{np.mean(np.abs(trips) <= 0.1):.0%} of trips"
    )


def world_lines(seeds, *, harsh):
    """Lines of a table over trips of this file's world."""
    worlds = [make_trip(seed, harsh=harsh) for seed in seeds]
    lines = [f"own world, seeds {seeds[0]}-{seeds[-1]}{', harsh doors' * harsh}"]
    for inside in (True, False):
        found = [predict(w, inside=inside)[1] for w in worlds]
        rows = [r for trip in found for r in trip]
        gap = [[e.value / t - 1 for t, _, e in trip] for trip in found]
        best = [[o / t - 1 for t, o, _ in trip] for trip in found]
        apart = np.mean([abs(e.value / o - 1) for _, o, e in rows])
        hits = np.mean([e.lo <= t <= e.hi for t, _, e in rows])
        width = np.mean([e.give_or_take / e.value for _, _, e in rows])
        lines += [
            f" inside {'measured' if inside else 'assumed'}: {len(rows)} days of "
            f"{len(worlds)} trips, 5 K hotter",
            lines_of("estimate", np.ravel(gap), np.mean(gap, axis=1)),
            lines_of("oracle  ", np.ravel(best), np.mean(best, axis=1)),
            f"  estimate against oracle {apart:.1%}; inside the 90 % interval "
            f"{hits:.0%}, half width {width:.1%}",
        ]
    return lines


def main(argv=None):
    args = argparse.ArgumentParser()
    args.add_argument("--trips", type=int, default=20)
    args.add_argument("--seed", type=int, default=1)
    args.add_argument("--cases", nargs="*", default=[])
    args.add_argument("--out")
    opt = args.parse_args(argv)
    seeds = range(opt.seed, opt.seed + opt.trips)
    lines = []
    for harsh in (False, True) if opt.trips else ():
        lines += world_lines(seeds, harsh=harsh)
    if opt.cases:
        lines += case_lines(opt.cases)
    print("\n".join(lines))
    if opt.out:
        keep(opt.out, "Fridge on days 5 K hotter", lines)


if __name__ == "__main__":
    main()
