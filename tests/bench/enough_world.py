"""
A light generator of whole trips for the answer at camp, unlike the truth lab's.

Written after its author had read the forecast: it is a second opinion, not a blind
one. Sizes, chemistries, loads, skies, habits, plans and sensors are drawn from one
seed; the battery is closed forms (curve, ohmic and two slow volts, acceptance,
efficiency), the clear sky is pvlib's. All ranges: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import pvlib
from tests.support.battery_world import CURVES
from tests.support.cases import make_record

from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import House, Load, Rig, Source

HOUR, DAY = 3600.0, 86400.0


@dataclass(kw_only=True)
class Made:
    """A trip as `load_case` gives it, with the true capacity and the kind."""

    record: object
    rig: Rig
    plan: Plan | None
    truth: dict[str, np.ndarray]
    capacity: float
    kind: str


@dataclass(kw_only=True)
class Knobs:
    """What is drawn once for a trip."""

    days: int
    step: float
    lead: bool
    chemistry: str
    rated: float
    capacity: float
    floor: float
    opening: float
    latitude: float
    start: float
    offset: float
    kind: str
    loads: dict[str, dict] = field(default_factory=dict)


def walk(rng, n, memory, spread, start=0.0):
    """A day-to-day or hour-to-hour wandering of unit memory."""
    out = np.empty(n)
    x = start + spread * rng.normal()
    for k in range(n):
        x = memory * x + spread * np.sqrt(1 - memory**2) * rng.normal()
        out[k] = x
    return out


def knobs(rng) -> Knobs:
    chemistry = str(
        rng.choice(["lfp", "agm", "flooded", "gel"], p=[0.5, 0.2, 0.2, 0.1])
    )
    lead = chemistry != "lfp"
    rated = float(rng.choice([50, 80, 100, 120, 160, 200, 230, 300]))
    aged = rng.uniform(0.72, 1.04) if lead else rng.uniform(0.85, 1.04)
    floor = float(rng.choice([0.4, 0.5, 0.5, 0.6] if lead else [0.1, 0.2, 0.2, 0.3]))
    return Knobs(
        days=int(rng.integers(5, 13)),
        step=float(rng.choice([10.0, 30.0, 60.0], p=[0.2, 0.3, 0.5])),
        lead=lead,
        chemistry=chemistry,
        rated=rated,
        capacity=rated * aged,
        floor=floor,
        opening=float(rng.uniform(max(floor + 0.2, 0.7), 1.0)),
        latitude=float(rng.choice([-1, 1]) * rng.uniform(8, 58)),
        start=1.70e9 + float(rng.integers(0, 700)) * DAY + rng.uniform(7, 17) * HOUR,
        offset=0.0,
        kind=str(rng.choice(["ample", "near", "short"], p=[0.25, 0.35, 0.4])),
    )


def air(rng, k, t):
    """Air temperature: season, day and night, days that follow each other."""
    mean = rng.uniform(2, 32)
    swing = rng.uniform(2, 9)
    by_day = walk(rng, k.days + 2, 0.6, rng.uniform(0.8, 3.5))
    slow = np.interp(t / DAY, np.arange(k.days + 2), by_day)
    clock = (k.start + t) % DAY / HOUR
    return mean + slow + swing * np.cos(2 * np.pi * (clock - 15.5) / 24)


def sky(rng, k, t):
    """Clear-sky index by the step: days that follow each other, cells of cloud."""
    base = rng.normal(0.9, 1.0)
    day = base + walk(rng, k.days + 2, rng.uniform(0.1, 0.75), rng.uniform(0.5, 1.6))
    slow = np.interp(t / DAY, np.arange(k.days + 2), day)
    knots = np.arange(0, t[-1] + 2400, 1200.0)
    cells = walk(rng, len(knots), 0.75, 1.0)
    level = slow + 0.9 * np.interp(t, knots, cells)
    return 0.08 + 0.94 / (1 + np.exp(-level))


def clear(k, t, tilt, azimuth):
    """Plane irradiance of a clear sky [W/m2] and the zenith [deg]."""
    import pandas as pd

    times = pd.to_datetime(k.start + t, unit="s", utc=True)
    sun = pvlib.solarposition.get_solarposition(times, k.latitude, 0.0)
    known = pvlib.clearsky.simplified_solis(
        sun["apparent_elevation"], aod700=0.12, precipitable_water=1.6
    )
    plane = pvlib.irradiance.get_total_irradiance(
        tilt,
        azimuth,
        sun["apparent_zenith"],
        sun["azimuth"],
        known["dni"],
        known["ghi"],
        known["dhi"],
    )
    return np.nan_to_num(plane["poa_global"].to_numpy())


def spells(rng, k, t, hours, a_day, length, spread=0.5, only=None):
    """1 while something that people switch is on; ``only`` = share of such days."""
    on = np.zeros(len(t))
    clock0 = k.start % DAY
    for day in range(k.days + 1):
        if only is not None and rng.random() > only:
            continue
        for _ in range(rng.poisson(a_day)):
            begin = day * DAY + rng.choice(hours) * HOUR + rng.uniform(0, HOUR) - clock0
            end = begin + length * HOUR * rng.lognormal(0, spread)
            on[(t >= begin) & (t < end)] = 1.0
    return on


def thermostat(rng, k, t, outside, watts, set_c, duty_25, step):
    """A cold box: leak by the difference, a compressor between two temperatures."""
    leak = watts * 2.4 * duty_25 / 22.0
    mass = leak * rng.uniform(7, 18) * HOUR
    inside, on = set_c + 1.0, False
    power, temp = np.zeros(len(t)), np.zeros(len(t))
    kicks = spells(rng, k, t, np.arange(7, 21), 1.2, 0.03)
    for n in range(len(t)):
        cop = max(1.0, 2.4 - 0.03 * (outside[n] - 25.0))
        heat = leak * (outside[n] - inside) + 40.0 * kicks[n]
        inside += step * (heat - (watts * cop if on else 0.0)) / mass
        on = inside > set_c + 1.2 or (on and inside > set_c - 1.2)
        power[n], temp[n] = watts * on, inside
    return power, temp


def demand_of(rng, k, t, outside):
    """Power of each load [W] by name, kinds, and the fridge's temperature."""
    clock = (k.start + t) % DAY / HOUR
    loads, kinds = {}, {}
    cabin = outside + rng.uniform(0, 4)
    fridge, temp = thermostat(
        rng,
        k,
        t,
        cabin,
        rng.uniform(30, 70),
        rng.uniform(1, 5),
        rng.uniform(0.2, 0.5),
        k.step,
    )
    loads["fridge"], kinds["fridge"] = fridge, "fridge"
    if rng.random() < 0.25:
        loads["icebox"], _ = thermostat(
            rng, k, t, cabin, rng.uniform(40, 60), -15.0, rng.uniform(0.3, 0.5), k.step
        )
        kinds["icebox"] = "freezer"
    evening = np.arange(18, 23)
    loads["lights"] = rng.uniform(5, 25) * spells(rng, k, t, evening, 1.5, 1.8)
    kinds["lights"] = "lights"
    loads["standing"] = np.full(len(t), rng.uniform(1, 12))
    kinds["standing"] = "standby"
    choices = {
        "work": ("charger", rng.uniform(30, 90), np.arange(8, 17), 1.5, 2.5, 0.6),
        "telly": ("inverter", rng.uniform(30, 90), evening, 0.8, 2.0, 0.7),
        "link": ("other", rng.uniform(15, 50), np.arange(6, 12), 1.0, 9.0, 0.8),
        "nightair": ("other", rng.uniform(15, 40), np.arange(22, 23), 1.0, 7.5, 1.0),
        "cooker": ("inverter", rng.uniform(400, 900), np.arange(7, 20), 1.0, 0.25, 0.8),
        "bike": ("charger", rng.uniform(100, 220), np.arange(10, 19), 0.8, 1.8, 0.35),
        "fan": ("fan", rng.uniform(8, 35), np.arange(11, 22), 1.0, 4.0, 0.7),
        "tap": ("pump", rng.uniform(30, 80), np.arange(7, 21), 6.0, 0.02, 1.0),
    }
    for name, (kind, watts, hours, a_day, length, only) in choices.items():
        if rng.random() < 0.35:
            on = spells(rng, k, t, hours, a_day, length, 0.4, only)
            loads[name], kinds[name] = watts * on, kind
    if float(outside.mean()) < 12 and rng.random() < 0.7:
        night = (clock > 18) | (clock < 8)
        loads["burner"] = (
            rng.uniform(12, 35) * night * np.clip((18 - outside) / 15, 0.2, 1.0)
        )
        kinds["burner"] = "heater"
    if rng.random() < 0.3:
        habit = np.interp(
            t / DAY, np.arange(k.days + 2), walk(rng, k.days + 2, 0.5, 0.3)
        )
        steady = {"fridge", "icebox", "standing"}
        loads = {n: x if n in steady else x * np.exp(habit) for n, x in loads.items()}
    return loads, kinds, temp


def drives_of(rng, k, t):
    """1 while driving, and the hours a day that were planned."""
    style = rng.choice(["stay", "now and then", "tour"], p=[0.25, 0.4, 0.35])
    share = {"stay": 0.1, "now and then": 0.4, "tour": 0.8}[style]
    clock0 = k.start % DAY
    on, planned = np.zeros(len(t)), []
    for day in range(k.days + 1):
        wanted = 0.5 * rng.integers(1, 8) if rng.random() < share else 0.0
        planned.append(wanted)
        hours = wanted * rng.lognormal(0, 0.15)
        if rng.random() < 0.06:
            hours = 0.0 if wanted else rng.uniform(0.3, 1.0)
        begin = day * DAY + rng.uniform(8, 14) * HOUR - clock0
        legs = [hours] if rng.random() < 0.6 else [hours * 0.4, hours * 0.6]
        for leg in legs:
            on[(t >= begin) & (t < begin + leg * HOUR)] = 1.0
            begin += leg * HOUR + rng.uniform(0.3, 2.5) * HOUR
    return on, planned


def battery(rng, k, demand, sun, rated, driven, set_point):
    """Walk the battery through the trip: soc, volts, amps and what sources gave."""
    n = len(demand)
    per_day = int(DAY / k.step)
    ten = int(((10 * HOUR - k.start) % DAY) / k.step)
    curve_of = CURVES[k.chemistry]
    grid = np.linspace(-0.02, 1.02, 2001)
    table = np.array([float(curve_of(min(max(x, 0.0), 1.0))) for x in grid])
    if k.lead:
        table = table - 1.3 * np.exp(-np.maximum(grid, 0.0) / 0.03)
    else:
        table = table + 0.4 * np.exp((np.minimum(grid, 1.0) - 1.0) / 0.004)
    ohm = rng.uniform(0.004, 0.012) * 100.0 / k.rated
    slow1, slow2 = rng.uniform(0.3, 0.9) * ohm, rng.uniform(0.2, 0.8) * ohm
    tau1, tau2 = rng.uniform(60, 600), rng.uniform(1800, 9000)
    take = rng.uniform(0.5, 1.2)
    loss = rng.uniform(0.2, 0.45)
    hidden = rng.uniform(0.002, 0.012) * k.rated / 100.0
    cut, back = (10.8, 12.3) if k.lead else (11.2, 12.9)
    float_v = min(set_point - 0.5, 13.6)
    hold = rng.uniform(0.5, 2.5) * HOUR
    s, u1, u2, off, held = k.opening, 0.0, 0.0, False, 0.0
    fade1, fade2 = np.exp(-k.step / tau1), np.exp(-k.step / tau2)
    soc, volts, amps, gave_sun, gave_engine, live = (np.empty(n) for _ in range(6))
    for j in range(n):
        open_v = np.interp(s, grid, table) + u1 + u2
        if s < k.floor and j % per_day == ten and rng.random() < 0.6:
            # Below the floor people drive; the plan is told below.
            more = int(rng.uniform(1.5, 5.0) * HOUR / k.step)
            driven[j : j + more] = 1.0
        need = 0.0 if off else demand[j] / max(open_v, 9.0)
        engine = rated * driven[j]
        offer = sun[j] + engine
        if offer < 0.2:
            held = 0.0
        limit = set_point if held < hold else float_v
        most = (limit - open_v) / ohm
        accepts = most
        if k.lead:
            accepts = take * max(1.0 - s, 0.0) * k.capacity + 0.05
            most = min(most, accepts)
        i = offer - need
        if i > most:
            i = max(most, -need) if most > -need else -need
            held += k.step if limit == set_point else 0.0
        total = i + need
        gave_sun[j] = min(sun[j], total) if sun[j] > 0 else 0.0
        gave_engine[j] = max(total - gave_sun[j], 0.0)
        eta = 1.0
        if i > 0:
            near = max(0.0, (s - 0.85) / 0.15)
            eta = 0.985 - loss * near**2 if k.lead else 0.997
        s = min(1.0, max(0.0, s + (i * eta - hidden) * k.step / HOUR / k.capacity))
        u1 = slow1 * i + (u1 - slow1 * i) * fade1
        u2 = slow2 * i + (u2 - slow2 * i) * fade2
        v = np.interp(s, grid, table) + u1 + u2 + ohm * i
        if i > 0 and limit > v and k.lead:
            v += (limit - v) * min(1.0, i / accepts) ** 3
        if v < cut:
            off = True
        elif off and v > back:
            off = False
        soc[j], volts[j], amps[j], live[j] = s, v, i, float(not off)
    return soc, volts, amps, gave_sun, gave_engine, live


def plan_of(rng, k, t, loads, planned, driven, outside, harvest):
    """What the owner believed: loads, drives, air and sun, each with its own error."""
    bold = rng.lognormal(0.0, 0.12)
    rows = tuple(
        PlanLoad(
            name=name,
            typed="energy",
            energy=float(w.mean() * 24 * bold * rng.lognormal(0, 0.25)),
        )
        for name, w in loads.items()
        if rng.random() < 0.93
    )
    days = []
    local = (k.start + t) // DAY
    drove = np.array([driven[local == d].sum() for d in np.unique(local)])
    drove = drove * k.step / HOUR * rng.lognormal(0, 0.15, len(drove))
    planned = [
        float(drove[n]) if drove[n] > wanted + 1.0 else wanted
        for n, wanted in enumerate(planned[: len(drove)])
    ]
    for n, day in enumerate(np.unique(local)):
        inside = local == day
        got = float(harvest[inside].sum()) * k.step / HOUR / 1000.0
        say_sun = rng.random() < 0.8
        days.append(
            PlanDay(
                date=datetime.fromtimestamp(float(day) * DAY, tz=UTC).date(),
                drive=planned[n] * HOUR if n < len(planned) else 0.0,
                temp_min=float(outside[inside].min() + rng.normal(0, 2)),
                temp_max=float(outside[inside].max() + rng.normal(0, 2)),
                sun_hours=max(0.0, got * rng.lognormal(0, 0.35)) if say_sun else None,
            )
        )
    return Plan(
        name="made",
        start_utc=k.start,
        end_utc=k.start + k.days * DAY,
        utc_offset=k.offset,
        opening_soc=None if rng.random() < 0.2 else round(k.opening, 1),
        every_day=None,
        days=tuple(days),
        loads=rows,
        fingerprint="",
    )


def recorded(rng, k, t, made, sources, cold, outside, inside):
    """What the logger kept: gains, zeros, noise, steps, holes; some things not."""
    n = len(t)

    def shunt(x, scale=1.0):
        gain, zero = 1 + rng.normal(0, 0.004), rng.normal(0, 0.03) * scale
        return x * gain + zero + rng.normal(0, 0.01, n)

    volts, amps = made[1:3]
    table = {
        "voltage_house_v": np.round((volts + rng.normal(0, 0.012)) / 0.004) * 0.004,
        "current_house_a": shunt(amps, k.rated / 100.0),
    }
    for name, given in sources.items():
        table[f"current_{name}_a"] = shunt(given, 0.4)
    if rng.random() < 0.6:
        table["current_fridge_a"] = shunt(cold / np.maximum(volts, 9.0), 0.3)
        table["temp_fridge_c"] = inside + rng.normal(0, 0.3, n)
    if rng.random() < 0.7:
        table["temp_air_c"] = outside + rng.normal(0, 0.2, n)
    if rng.random() < 0.6:
        table["temp_house_c"] = outside + 2 + rng.normal(0, 0.2, n)
    end = k.start + t + k.step
    keep = np.ones(n, dtype=bool)
    for _ in range(rng.poisson(0.7)):
        hole = rng.uniform(0, t[-1])
        keep &= ~((t >= hole) & (t < hole + rng.uniform(0.1, 4.0) * HOUR))
    return make_record(
        end[keep], {c: x[keep] for c, x in table.items()}, sampling="mean"
    )


def make_trip(seed: int) -> Made:
    """Make one trip; everything is drawn from the seed."""
    rng = np.random.default_rng(seed)
    k = knobs(rng)
    t = np.arange(0, k.days * DAY, k.step)
    outside = air(rng, k, t)
    loads, kinds, inside = demand_of(rng, k, t, outside)
    total = sum(loads.values())
    driven, planned = drives_of(rng, k, t)
    a_day = float(total.mean()) * 24 / 12.8
    # Size the battery so that the kinds differ in how many nights they hold.
    nights = {"ample": (3.0, 6.0), "near": (1.3, 3.0), "short": (0.7, 1.8)}[k.kind]
    wanted = a_day * rng.uniform(*nights) / (1 - k.floor)
    sizes = np.array([20, 30, 40, 50, 60, 80, 100, 120, 160, 200, 230, 300, 400])
    aged = k.capacity / k.rated
    k.rated = float(sizes[np.argmin(np.abs(np.log(sizes * aged / wanted)))])
    k.capacity = k.rated * aged
    with_sun = rng.random() < 0.75
    tilt = float(rng.choice([0.0, 0.0, 15.0, 35.0]))
    azimuth = 0.0 if k.latitude < 0 else 180.0
    share = {"ample": 1.5, "near": 0.9, "short": 0.45}[k.kind] * rng.uniform(0.6, 1.4)
    plane = clear(k, t, tilt, azimuth) * sky(rng, k, t)
    hours = max(0.5, float(plane.mean()) * 24 / 1000.0)
    panel = float(np.clip(10 * round(a_day * 13 * share / hours / 7.5), 20, 800))
    panel = panel if with_sun else 0.0
    sun = (
        panel * 0.8 * plane / 1000.0 / 13.4 * (1 - 0.002 * np.maximum(outside - 20, 0))
    )
    rated = float(rng.choice([10, 18, 25, 30, 40, 50]))
    rated = min(rated, 0.5 * k.rated)
    set_point = float(rng.choice([14.2, 14.4, 14.6]))
    made = battery(rng, k, total, sun, rated, driven, set_point)
    sources, described = {}, []
    if panel:
        sources["solar"] = made[3]
        described.append(
            Source(
                name="solar",
                kind="solar",
                power_panel=panel,
                tilt=tilt,
                azimuth=azimuth,
                voltage_absorption=set_point,
                voltage_float=min(set_point - 0.5, 13.6),
            )
        )
    sources["alternator"] = made[4]
    described.append(
        Source(
            name="alternator",
            kind="dcdc",
            current_rated=rated,
            voltage_absorption=set_point,
            voltage_float=min(set_point - 0.5, 13.6),
        )
    )
    record = recorded(
        rng, k, t, made, sources, loads["fridge"] * made[5], outside, inside
    )
    plan = plan_of(rng, k, t, loads, planned, driven, outside, plane)
    rig = Rig(
        name=f"made {seed}",
        timezone="UTC",
        latitude=k.latitude,
        longitude=0.0,
        house=House(
            chemistry=k.chemistry,
            capacity_rated=k.rated,
            capacity_now=k.capacity * rng.lognormal(0, 0.03)
            if rng.random() < 0.3
            else None,
            floor=k.floor,
            voltage_absorption=set_point,
            voltage_float=min(set_point - 0.5, 13.6),
            voltage_cutoff=10.8 if k.lead else 11.2,
            current_charge_max=rated + 60.0,
        ),
        sources=tuple(described),
        loads=tuple(
            Load(name=n, kind=kinds[n], current_on=float(w.max() / 12.8))
            for n, w in loads.items()
        ),
        sampling="mean",
        assumed=frozenset({"house.full_below_a", "house.temp_comp_mv_per_k"}),
    )
    per = round(60.0 / k.step)
    truth = {
        "time": k.start + np.arange(0, k.days * DAY, 60.0),
        "soc": made[0].reshape(-1, per)[:, 0],
        "battery_current_a": made[2].reshape(-1, per).mean(axis=1),
        "battery_voltage_v": made[1].reshape(-1, per).mean(axis=1),
        "load_power_w": (total * made[5]).reshape(-1, per).mean(axis=1),
        "solar_current_a": made[3].reshape(-1, per).mean(axis=1),
        "dcdc_current_a": made[4].reshape(-1, per).mean(axis=1),
        "solar_potential_w": (sun * 13.4).reshape(-1, per).mean(axis=1),
        "engine_on": driven.reshape(-1, per).mean(axis=1),
    }
    return Made(
        record=record,
        rig=rig,
        plan=plan,
        truth=truth,
        capacity=k.capacity,
        kind=f"{k.chemistry} {k.kind}",
    )
