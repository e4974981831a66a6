"""
A light world of its own for the sun: tilted roofs, haze, fast clouds, trees.

Shares no code with the estimators. Clear sky, transposition and incidence come from
pvlib; the weather, the battery (a curve, a resistance and one slow voltage) and the
regulator's three stages, which follow the cold for lead batteries or not, are small
models of this file. Common practice, no source.
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pvlib

STEP = 10.0


def telegraph(rng, n, share, length):
    """Clouds that come and go: share of the time, mean length in steps."""
    out = np.zeros(n)
    at, state = 0, rng.random() < share
    while at < n:
        mean = length * (share if state else 1 - share) * 2
        run = max(1, int(rng.exponential(max(mean, 2))))
        out[at : at + run] = state
        at, state = at + run, not state
    return out


def make_sky(rng, n, per_day):
    """Clearness of beam and of diffuse light, by step."""
    beam, diffuse = np.ones(n), np.ones(n)
    kinds = rng.choice(4, size=n // per_day + 2, p=rng.dirichlet([4, 3, 2, 1.5]))
    part = per_day // 3
    for k, first in enumerate(range(0, n, part)):
        kind = kinds[k // 3] if rng.random() < 0.75 else rng.integers(0, 4)
        cut = slice(first, min(first + part, n))
        m = cut.stop - cut.start
        if kind == 0:
            continue
        share = (0, rng.uniform(0.05, 0.3), rng.uniform(0.3, 0.7), 0.97)[kind]
        cover = telegraph(rng, m, share, rng.uniform(3, 90))
        width = int(rng.integers(1, 8))
        cover = np.convolve(cover, np.ones(width) / width, mode="same")
        beam[cut] = 1 - cover * rng.uniform(0.75, 1.0)
        thick = rng.uniform(0.7, 2.0) if kind == 3 else rng.uniform(1.5, 2.5)
        diffuse[cut] = 1 + cover * (thick - 1) + 0.4 * (cover > 0.02) * (cover < 0.5)
    return beam, diffuse


def make_site(rng, days):
    lat = float(rng.choice([-1, 1]) * rng.uniform(5, 55))
    lon = float(rng.uniform(-150, 150))
    offset = round(lon / 15.0) * 3600.0
    day0 = int(rng.integers(19000, 20000))
    start = day0 * 86400.0 - offset + 8 * 3600.0
    n = int(days * 86400 / STEP)
    time = start + STEP * np.arange(n)
    count = int(rng.integers(1, 5))
    cuts = np.sort(rng.integers(n // 20, n, count - 1)) if count > 1 else []
    edges = np.concatenate(([0], cuts, [n])).astype(int)
    camps = []
    for a, b in itertools.pairwise(edges):
        camps.append((a, b, lat + rng.normal(0, 0.6), lon + rng.normal(0, 0.8)))
    return lat, lon, offset, time, camps


def plane(rng, time, camps, panel):
    """Potential W per rated W under a clear sky, split in beam and diffuse."""
    n = len(time)
    beam, rest, shade = np.zeros(n), np.zeros(n), np.ones(n)
    turbidity = rng.uniform(2.0, 5.5)
    altitude = rng.choice([0.0, 200.0, 900.0])
    for a, b, lat, lon in camps:
        idx = pd.to_datetime(time[a:b], unit="s", utc=True)
        sun = pvlib.solarposition.get_solarposition(idx, lat, lon, method="nrel_numpy")
        zen, azi = sun["apparent_zenith"], sun["azimuth"]
        mass = pvlib.atmosphere.get_absolute_airmass(
            pvlib.atmosphere.get_relative_airmass(zen),
            pvlib.atmosphere.alt2pres(altitude),
        )
        sky = pvlib.clearsky.ineichen(zen, mass, turbidity, altitude=altitude)
        heading = rng.uniform(0, 360)
        aoi = pvlib.irradiance.aoi(panel["tilt"], heading, zen, azi)
        extra = pvlib.irradiance.get_extra_radiation(idx)
        diffuse = pvlib.irradiance.haydavies(
            panel["tilt"], heading, sky["dhi"], sky["dni"], extra, zen, azi
        )
        lit = pvlib.iam.ashrae(aoi) * np.maximum(np.cos(np.radians(aoi)), 0)
        beam[a:b] = np.nan_to_num(sky["dni"].to_numpy() * np.asarray(lit))
        rest[a:b] = np.nan_to_num(np.asarray(diffuse))
        az = azi.to_numpy()
        for _ in range(rng.poisson(panel["trees"])):
            centre, width = rng.uniform(50, 310), rng.uniform(5, 40)
            edge = 1 / (1 + np.exp((np.abs(az - centre) - width / 2) / 1.0))
            shade[a:b] *= 1 - edge * rng.uniform(0.5, 0.95)
    return beam, rest, shade


CURVES = {
    "lfp": (
        [0, 0.05, 0.1, 0.2, 0.4, 0.6, 0.7, 0.9, 0.97, 1.0, 1.02],
        [10.6, 12.3, 12.75, 12.95, 13.12, 13.17, 13.27, 13.32, 13.37, 13.6, 14.6],
    ),
    "agm": (
        [0, 0.2, 0.5, 0.8, 0.95, 1.0, 1.04],
        [11.6, 12.0, 12.35, 12.7, 12.85, 13.0, 14.4],
    ),
}


def make_loads(rng, time, offset, size):
    n = len(time)
    hour = np.mod(time + offset, 86400) / 3600
    period = rng.uniform(25, 60) * 60 / STEP
    phase = np.cumsum(1 / period * (1 + 0.2 * np.sin((hour - 9) / 24 * 2 * np.pi)))
    duty = rng.uniform(0.25, 0.5) * (1 + 0.3 * np.sin((hour - 9) / 24 * 2 * np.pi))
    fridge = np.where(np.mod(phase, 1) < duty, rng.uniform(35, 60), 0.0)
    evening = ((hour > 18) & (hour < 22)) * rng.uniform(5, 40)
    bursts = (rng.random(n) < 0.002) * rng.uniform(40, 90)
    laptop = telegraph(rng, n, 0.08, 400) * rng.uniform(20, 60)
    return size * (fridge + evening + bursts + laptop + rng.uniform(0.5, 4))


def run_battery(rng, spec, time, potential, load, drive, chemistry):
    """One step after the other: regulators, battery, loads."""
    n = len(time)
    xs, ys = CURVES[chemistry]
    soc, slow, stage, absorb = rng.uniform(0.4, 0.95), 0.0, 0, 0.0
    ah, res = spec["ah"], spec["res"]
    volt, sun, charger = np.zeros(n), np.zeros(n), np.zeros(n)
    held = np.zeros(n, bool)
    dstage, dabs = 0, 0.0
    decay = np.exp(-STEP / 900.0)
    for k in range(n):
        base = float(np.interp(soc, xs, ys)) + slow
        if potential[k] <= 0.5:
            stage, absorb = 0, 0.0
        goal = (spec["abs"] if stage < 2 else spec["float"]) + spec["rise"][k]
        dgoal = (spec["dabs"] if dstage < 2 else spec["dfloat"]) + spec["rise"][k]
        v = base
        for _ in range(3):
            need = load[k] / max(v, 10.0)
            dmost = spec["dcdc"] if drive[k] else 0.0
            most = potential[k] / max(v, 10.0)
            # each regulator gives what keeps the battery at its own set point
            cur_d = np.clip((dgoal - base) / res + need, 0.0, dmost)
            cur_s = np.clip((goal - base) / res + need - cur_d, 0.0, most)
            v = base + res * (cur_s + cur_d - need)
        held[k] = cur_s < most * 0.97 - 0.02
        net = cur_s + cur_d - need
        if stage == 0 and v > goal - 0.005 and potential[k] > 0.5:
            stage = 1
        if stage == 1:
            absorb += STEP
            if absorb > spec["abs_time"] or (absorb > 600 and net < spec["tail"]):
                stage = 2
        if stage == 2 and v < spec["float"] + spec["rise"][k] - spec["rebulk"]:
            stage, absorb = 0, 0.0
        dstage, dabs = (dstage, dabs) if drive[k] else (0, 0.0)
        if drive[k] and v > dgoal - 0.005 and dstage < 2:
            dabs += STEP
            if dabs > 1800:
                dstage = 2
        eff = 0.92 if chemistry == "agm" and net > 0 else 1.0
        soc = min(max(soc + eff * net * STEP / 3600 / ah, 0.0), 1.02)
        if soc > 0.99 and net < 0.03 * ah:
            soc -= 0.3 * (soc - 0.99) * STEP / 3600
        slow = slow * decay + (1 - decay) * res * 1.5 * net
        volt[k], sun[k], charger[k] = v, cur_s, cur_d
    return volt, sun, charger, held


def follow_cold(seed, chemistry, air):
    """Temperature of the battery and what its chargers add to their set points."""
    rng = np.random.default_rng([seed, 1818])
    width = int(4 * 3600 / STEP)
    slow = np.convolve(np.pad(air, width, mode="edge"), np.ones(width) / width, "same")
    temp = slow[width:-width] + rng.uniform(0, 4)
    slope = float(rng.choice([0.0, 0.018, 0.024, 0.030]))
    if chemistry == "lfp":
        slope = 0.0
    measured = None
    if rng.random() < 0.5:
        measured = temp + rng.normal(0, 0.8) + rng.normal(0, 0.06, len(air))
    return slope * (25.0 - temp - rng.normal(0, 0.5)), measured


def make_sun_trip(seed):
    """Give (columns, rig keys, truth) of one trip at 10 s."""
    rng = np.random.default_rng([seed, 5150])
    days = float(rng.integers(5, 10))
    chemistry = "lfp" if rng.random() < 0.65 else "agm"
    lat, lon, offset, time, camps = make_site(rng, days)
    size = rng.uniform(0.12, 0.7)
    rated = float(rng.choice([80, 120, 160, 200, 320]))
    ah = float(rng.choice([60, 100, 150, 200]))
    panel = {
        "tilt": float(rng.choice([0, 0, 5, 10, 20, 30])),
        "trees": rng.choice([0.0, 0.7, 1.5]),
    }
    beam, rest, shade = plane(rng, time, camps, panel)
    kb, kd = make_sky(rng, len(time), int(86400 / STEP))
    poa = beam * kb * shade + rest * kd * (0.4 + 0.6 * shade)
    hour = np.mod(time + offset, 86400) / 3600
    air = rng.uniform(8, 28) + 6 * np.sin((hour - 9) / 24 * 2 * np.pi)
    cell = air + rng.uniform(0.02, 0.04) * poa
    heat = 1 - rng.uniform(0.003, 0.0045) * (cell - 25)
    potential = rated * poa / 1000 * heat * rng.uniform(0.72, 0.93)
    drive = np.zeros(len(time), bool)
    for a, *_ in camps[1:]:
        drive[a : a + int(rng.uniform(0.4, 3) * 3600 / STEP)] = True
    top = rng.uniform(14.1, 14.6)
    low = rng.uniform(13.4, 13.8)
    spec = {
        "ah": ah,
        "res": rng.uniform(0.006, 0.02) * 100 / ah,
        "abs": top,
        "float": low,
        "abs_time": rng.uniform(0.3, 3) * 3600,
        "tail": rng.uniform(0.005, 0.03) * ah,
        "rebulk": rng.uniform(0.15, 0.6),
        "dcdc": float(rng.choice([0, 20, 30])),
        "dabs": top + rng.normal(0, 0.08),
        "dfloat": low + rng.normal(0, 0.08),
    }
    spec["rise"], temp_house = follow_cold(seed, chemistry, air)
    load = make_loads(rng, time, offset, size)
    volt, sun, charger, held = run_battery(
        rng, spec, time, potential, load, drive, chemistry
    )
    house = sun + charger - load / volt
    n = len(time)

    def meter(value, gain, zero, noise):
        return (
            value * (1 + rng.normal(0, gain))
            + rng.normal(0, zero)
            + rng.normal(0, noise, n)
        )

    columns = {
        "voltage_house_v": np.round(meter(volt, 0.001, 0.01, 0.002) / 0.003) * 0.003,
        "current_house_a": meter(house, 0.006, 0.03, 0.02),
        "current_solar_a": meter(sun, 0.006, 0.015, 0.01),
        "temp_air_c": meter(air, 0, 0.5, 0.05),
    }
    if spec["dcdc"] > 0:
        columns["current_alternator_a"] = meter(charger, 0.006, 0.02, 0.01)
    if temp_house is not None:
        columns["temp_house_c"] = temp_house
    columns["state_engine"] = drive.astype(float)
    keep = np.ones(n, bool)
    for _ in range(rng.poisson(1.0)):
        a = int(rng.integers(0, n))
        keep[a : a + int(rng.exponential(2) * 3600 / STEP)] = False
    rig = {
        "chemistry": chemistry,
        "capacity": ah,
        "latitude": round(lat, 1),
        "longitude": round(lon, 1),
        "panel": rated,
        "tilt": panel["tilt"],
        "absorption": round(top, 1),
        "float": round(low, 1),
        "dcdc": spec["dcdc"],
    }
    truth = {
        "time": time,
        "potential": potential,
        "power": sun * volt,
        "held": held,
        "shade": shade,
    }
    cols = {k: v[keep] for k, v in columns.items()}
    return time[keep] + STEP, cols, offset, rig, truth
