"""An invented trip with estimates and statement, built without any estimator."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
from tests.support.cases import make_record

from campledger.judge.statement import make_statement
from campledger.model.estimates import (
    Anchor,
    BatteryEstimate,
    BatteryModel,
    Estimate,
    FridgeModel,
    LoadUse,
    SourceUse,
    TripEstimates,
)
from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import Cable, House, Load, Rig, Source
from campledger.model.words import Word
from campledger.present.report_data import build_report_data

START = 1777588200.0  # 2026-05-01T08:00:00+09:30
OFFSET = 9.5 * 3600
CAPACITY = 92.0


def invented_rig():
    return Rig(
        name="Demo van <b>&",
        timezone="Australia/Darwin",
        house=House(chemistry="agm", capacity_rated=100.0, floor=0.5),
        latitude=-23.7,
        longitude=133.9,
        sources=(
            Source(name="solar", kind="solar", power_panel=160.0),
            Source(name="alternator", kind="dcdc", current_rated=25.0),
        ),
        loads=(
            Load(name="fridge", kind="fridge", current_on=4.2, temp_set=3.0),
            Load(name="inverter", kind="inverter", current_idle=0.6),
            Load(name="logger", kind="logger", current_on=0.3),
            Load(name="lights", kind="lights", current_on=1.4),
        ),
        cables=(
            Cable(
                name="fridge",
                place_from="house",
                place_to="fridge",
                length=5.0,
                size="6 mm2",
                area=6.0,
            ),
        ),
        assumed=frozenset({"house.floor", "house.absorption_v"}),
    )


def invented_plan(days):
    first = date(2026, 5, 1)
    return Plan(
        name='Gorge & back "$$x$$" </script><img src=http://x.invalid/a>',
        start_utc=START,
        end_utc=START + days * 86400,
        utc_offset=OFFSET,
        opening_soc=1.0,
        every_day=None,
        days=tuple(
            PlanDay(
                date=first + timedelta(days=i),
                drive=5400.0 if i % 4 == 0 else 0.0,
                temp_min=14.0,
                temp_max=28.0,
                sun_hours=5.0,
            )
            for i in range(days + 1)
        ),
        loads=(
            PlanLoad(
                name="fridge",
                typed="hours",
                current_on=4.5,
                hours=8.0,
                figure="label",
            ),
            PlanLoad(name="logger", typed="hours", current_on=0.3, hours=24.0),
            PlanLoad(name="lights", typed="hours", current_on=1.4, hours=3.0),
            PlanLoad(name="inverter", typed="energy", current_on=None, energy=90.0),
        ),
        fingerprint="f" * 16,
    )


def _columns(days, dt, rng):
    time = np.arange(START + dt, START + days * 86400 + 1, dt)
    local = (time + OFFSET) % 86400 / 3600
    day = np.floor((time - START) / 86400)
    hot = 4 * np.sin(day * 1.7)
    air = 22 + hot + 9 * np.sin((local - 9) / 24 * 2 * np.pi)
    cloud = 0.55 + 0.45 * np.sin(day * 2.3 + 1)
    sun = 13.0 * np.clip(np.sin((local - 6.7) / 11.3 * np.pi), 0, None) * cloud
    sun[(local < 6.7) | (local > 18)] = 0.0
    duty = np.clip(0.02 + 0.018 * (air - 4), 0.1, 0.95)
    fridge = np.where((time % 1800) / 1800 < duty, 4.1, 0.05)
    lights = np.where((local > 18.5) & (local < 22 + day % 2), 1.4, 0.0)
    inverter = np.where((local > 18) & (local < 21), 2.2, 0.0)
    drive = np.where((day % 4 == 1) & (local > 9) & (local < 10.5), 22.0, 0.0)
    logger = np.full(len(time), 0.3)
    out = fridge + lights + inverter + logger + 0.05
    soc, held = _count(time, sun, drive, out, dt)
    sun, drive = sun * held, drive * held
    net = sun + drive - out + rng.normal(0, 0.02, len(time))
    net = net - 45 * (rng.random(len(time)) < 2e-5 * dt)
    volts = 11.9 + 1.0 * soc + 0.025 * net + rng.normal(0, 0.004, len(time))
    columns = {
        "voltage_house_v": volts,
        "current_house_a": net,
        "current_fridge_a": fridge,
        "current_solar_a": sun,
        "current_alternator_a": drive,
        "current_inverter_a": inverter,
        "current_lights_a": lights,
        "current_logger_a": logger,
        "temp_air_c": air,
        "temp_fridge_c": np.full(len(time), 3.6),
    }
    return time, columns, soc


def _count(time, sun, drive, out, dt):
    """Count charge in steps of five minutes; a full battery holds the sources back."""
    step = max(1, round(300 / dt))
    cut = np.arange(0, len(time), step)
    size = np.diff(np.append(cut, len(time)))
    came = np.add.reduceat(sun + drive, cut) / size
    went = np.add.reduceat(out, cut) / size
    charge, held, level = np.zeros(len(cut)), np.ones(len(cut)), 0.97 * CAPACITY
    for i in range(len(cut)):
        room = (CAPACITY - level) * 3600 / (size[i] * dt) + went[i]
        if 0.92 * came[i] > room:
            held[i] = max(0.0, room / (0.92 * came[i]))
        level += (0.92 * came[i] * held[i] - went[i]) * size[i] * dt / 3600
        level = min(CAPACITY, max(level, 4.0))
        charge[i] = level
    soc = np.interp(np.arange(len(time)), cut + size - 1, charge) / CAPACITY
    return soc, np.repeat(held, size)


def _battery(grid, soc, net, gap):
    spread = 0.02 + 0.03 * np.abs(np.sin(np.arange(len(grid)) / 3000))
    known = np.where(gap, np.nan, 1.0)
    return BatteryEstimate(
        minute_utc=grid,
        soc=soc,
        soc_lo=np.clip(soc - spread, 0, 1),
        soc_hi=np.clip(soc + spread, 0, 1.0),
        soc_live=soc,
        soc_live_lo=soc - 2 * spread,
        soc_live_hi=soc + 2 * spread,
        current_corrected=net * known,
        charging_loss=0.08 * np.clip(net, 0, None) * known,
        capacity=Estimate(value=CAPACITY, lo=86.0, hi=98.5),
        resistance=Estimate(value=0.0121, lo=0.0108, hi=0.0133),
        offset=Estimate(value=0.01, lo=-0.02, hi=0.04),
        efficiency=Estimate(value=0.92, lo=0.88, hi=0.95),
        anchors=(
            Anchor(
                time_utc=float(grid[100]),
                kind="full",
                soc=1.0,
                soc_std=0.01,
                change=0.004,
                text="14.4 V held for 40 min, 1.8 A",
            ),
            Anchor(
                time_utc=float(grid[len(grid) // 2]),
                kind="rest",
                soc=0.62,
                soc_std=0.05,
                change=-0.021,
            ),
        ),
        model=BatteryModel(
            chemistry="agm",
            capacity=CAPACITY,
            soc_table=np.array([0.0, 1.0]),
            voltage_open_table=np.array([11.6, 12.9]),
            resistance=0.012,
            resistance_per_k=0.0,
            hysteresis=0.0,
            efficiency_low=0.95,
            efficiency_full=0.8,
            soc_gassing=0.85,
            acceptance_time=5400.0,
            current_hidden=0.0,
        ),
        rung="charge balance with anchors at full charge and at rest",
        notes=(),
    )


def _load(name, record, gap, word=Word.MEASURED, running=4.1):
    minutes = record.minutes[f"current_{name}_a"]
    volts = record.minutes["voltage_house_v"].mean
    power = np.where(gap, np.nan, minutes.mean * volts)
    total = float(np.nansum(power)) / 60
    return LoadUse(
        name=name,
        word=word,
        power=power,
        power_lo=0.97 * power,
        power_hi=1.03 * power,
        charge=np.where(gap, np.nan, minutes.charge / 3600),
        on_share=np.where(gap, np.nan, (minutes.mean > running / 2) * 1.0),
        energy=Estimate(value=total, lo=0.97 * total, hi=1.03 * total),
        current_running=running,
        current_standing=0.0,
        starts=40,
    )


def _source(name, kind, record, gap):
    minutes = record.minutes[f"current_{name}_a"]
    power = np.where(gap, np.nan, minutes.mean * record.minutes["voltage_house_v"].mean)
    possible = power * 1.2 if kind == "solar" else np.full(len(power), np.nan)
    return SourceUse(
        name=name,
        kind=kind,
        word=Word.MEASURED,
        power=power,
        charge=np.where(gap, np.nan, minutes.charge / 3600),
        possible=possible,
        possible_lo=possible,
        possible_hi=possible,
        state=(power > 1).astype(float),
        energy_possible=Estimate.missing("not worked out"),
    )


def invented_trip(days=10, dt=60.0, seed=7, *, plan=True, holes=True, extra=0):
    """
    Give (record, rig, plan, estimates, statement) of an invented trip.

    With ``holes``, seven hours of the fourth night are dark; ``extra`` adds that many
    further metered loads.
    """
    rng = np.random.default_rng(seed)
    rig = invented_rig()
    time, columns, soc = _columns(days, dt, rng)
    names = [f"extra{i}" for i in range(extra)]
    for i, name in enumerate(names):
        columns[f"current_{name}_a"] = np.full(len(time), 0.05 + 0.02 * i)
    rig = replace(
        rig, loads=rig.loads + tuple(Load(name=n, kind="other") for n in names)
    )
    if holes and days >= 4:
        a = START + 3.7 * 86400
        keep = (time < a) | (time > a + 7 * 3600)
        time, soc = time[keep], soc[keep]
        columns = {n: v[keep] for n, v in columns.items()}
    record = make_record(time, columns, utc_offset=OFFSET)
    record = replace(record, notes=((START + 90000, "Moved camp to <the> shade"),))
    grid = record.minute_utc
    gap = record.minutes["current_house_a"].covered < 1
    at = np.clip(np.searchsorted(time, grid), 0, len(time) - 1)
    net = record.minutes["current_house_a"].mean
    loads = (
        _load("fridge", record, gap),
        _load("inverter", record, gap, running=2.2),
        _load("logger", record, gap, running=0.3),
        _load("lights", record, gap, Word.WORKED_OUT, running=1.4),
        *(_load(n, record, gap, running=0.05) for n in names),
    )
    estimates = TripEstimates(
        battery=_battery(grid, soc[at], np.nan_to_num(net), gap),
        loads=loads,
        sources=(
            _source("solar", "solar", record, gap),
            _source("alternator", "dcdc", record, gap),
        ),
        not_itemised=np.where(gap, np.nan, 0.05),
        fridges=(
            FridgeModel(
                name="fridge",
                base=9.0,
                slope=1.55,
                covariance=np.array([[2.0, -0.1], [-0.1, 0.0081]]),
                residual_std=1.5,
                difference_min=13.0,
                difference_max=24.0,
                days=days - 1,
                current_running=4.1,
                voltage_mean=12.4,
                inside_measured=True,
            ),
        ),
        censored=gap,
        demand={x.name: x.power for x in loads},
    )
    planned = invented_plan(days) if plan else None
    statement = make_statement(
        record,
        rig,
        estimates,
        plan=planned,
        plan_status="frozen before the trip" if plan else "",
    )
    return record, rig, planned, estimates, statement


def invented_data(days=10, dt=60.0, **options):
    record, rig, plan, estimates, statement = invented_trip(days, dt, **options)
    return build_report_data(statement, record, estimates, rig, plan=plan)
