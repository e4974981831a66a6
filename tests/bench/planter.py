"""
Plant one fault of the catalogue in an otherwise sound trip, at a multiple of its limit.

``plant(finding, factor, seed)`` gives a record, rig, plan, proofs and stand-in
estimates; ``plant("", 0, seed)`` a clean one. Written from the job description, before
the judging code. The estimates are a stand-in made from truth with an honest error, so
that what is measured here is the judging and not the estimating.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from planter_world import DAY, OFFSET, START, Knobs, simulate

from campledger.judge.finding import Fingerprint, Proof
from campledger.model.estimates import (
    BatteryEstimate,
    BatteryModel,
    Estimate,
    TripEstimates,
)
from campledger.model.integrate import to_minutes
from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import (
    Cable,
    House,
    Load,
    Rig,
    Sensor,
    Source,
    StartBattery,
)
from campledger.model.series import Boot, Series, TripRecord, minute_grid


@dataclass
class Trip:
    """What is judged, and what was planted."""

    record: TripRecord
    rig: Rig
    estimates: TripEstimates
    plan: Plan
    proofs: tuple
    earlier: Fingerprint
    world: object
    planted: str
    factor: float


class Lazy(dict):
    """Condense a channel when it is first asked for."""

    def __init__(self, channels, grid):
        super().__init__()
        self.source, self.grid = channels, grid

    def __missing__(self, name):
        self[name] = to_minutes(self.source[name], self.grid)
        return self[name]

    def __contains__(self, name):
        return name in self.source

    def __iter__(self):
        return iter(self.source)

    def __len__(self):
        return len(self.source)

    def get(self, name, default=None):
        return self[name] if name in self.source else default

    def keys(self):
        return self.source.keys()


def say(**values):
    """Write settings as keyword arguments."""
    return values


def make_rig(k: Knobs) -> Rig:
    """Describe the vehicle as its owner would."""
    lead = k.chemistry != "lfp"
    sources = [
        Source(
            name="solar",
            kind="solar",
            power_panel=k.panel_w,
            regulator="mppt",
            voltage_absorption=14.4 if lead else 14.3,
            voltage_float=13.6 if lead else 13.5,
        ),
        Source(
            name="alternator",
            kind="dcdc" if k.charger == "dcdc" else "isolator",
            current_rated=25.0 if k.charger == "dcdc" else None,
            voltage_absorption=14.4 if lead else 14.3,
            voltage_float=13.6 if lead else 13.5,
        ),
    ]
    loads = (
        Load(
            name="fridge",
            kind="fridge",
            current_on=4.2,
            temp_set=3.0,
            voltage_cut_out=k.extra.get("cut_out", 10.4),
            voltage_restart=k.extra.get("restart", 11.7),
        ),
        Load(name="lights", kind="lights", current_on=1.2),
        Load(name="pump", kind="pump", current_on=5.2),
        Load(name="inverter", kind="inverter", current_idle=0.6),
        Load(name="fan", kind="fan", current_on=0.5),
        Load(name="logger", kind="logger", current_on=k.logger),
    )
    feed = "trailer" if k.trailer else "alternator"
    cable = say(place_from="house")
    cables = (
        Cable(
            name="fridge",
            place_to="fridge",
            length=5.0,
            size="6 mm2",
            area=6.0,
            current_fuse=15.0,
            distance_fuse=k.extra.get("fuse_at", 0.15),
            current_rating=k.extra.get("fridge_rating", 25.0),
            **cable,
        ),
        Cable(
            name="inverter",
            place_to="inverter",
            length=2.0,
            size="4 mm2",
            area=4.0,
            current_fuse=15.0,
            distance_fuse=0.15,
            current_rating=20.0,
            **cable,
        ),
        Cable(
            name=feed,
            place_from="start",
            place_to="alternator",
            length=5.0,
            size="10 mm2",
            area=10.0,
            current_fuse=50.0,
            distance_fuse=0.15,
            current_rating=60.0,
        ),
    )
    return Rig(
        name="bench van",
        timezone="Australia/Darwin",
        latitude=-23.7,
        longitude=133.9,
        house=House(
            chemistry=k.chemistry,
            capacity_rated=k.capacity,
            floor=k.extra.get("floor", 0.5 if lead else 0.2),
            voltage_absorption=14.4 if lead else 14.3,
            voltage_float=13.6 if lead else 13.5,
            voltage_charge_high=15.0 if lead else 14.6,
            voltage_cutoff=10.8,
            current_full=0.02 * k.capacity if lead else 0.05 * k.capacity,
            temp_compensation=-0.024 if lead else 0.0,
        ),
        start=StartBattery(),
        alternator=k.extra.get("alternator", k.alternator),
        sources=tuple(sources),
        loads=loads,
        cables=cables,
        mass_limit=3100.0,
        mass_weighed=3040.0,
        sensors=(
            Sensor(
                driver="ina226",
                bus="i2c:1",
                address=0x40,
                shunt=0.0005,
                current_max=150.0,
                channels=(("current", "current_house_a"),),
            ),
        ),
    )


def sense(world, rng):
    """Turn truth into what cheap sensors say."""
    k = world.knobs
    n = len(world.t)
    keep = np.ones(n, bool)
    if k.gaps:
        for _ in range(rng.integers(1, 3)):
            a = int(rng.uniform(0.2, 0.95) * n)
            keep[a : a + int(rng.uniform(2, 25) * 60 / k.dt)] = False
        keep &= rng.uniform(size=n) > 0.0005
    out = {}
    for name, x in world.s.items():
        y = np.array(x, dtype=float)
        if name.startswith("voltage"):
            gain = 1 + rng.normal(0, 0.0006) * (k.offset_fridge_v == 0)
            if name == "voltage_fridge_v":
                gain *= k.gain_fridge_v
                y = y + k.offset_fridge_v
            y = y * gain + rng.normal(0, 0.003, n)
            y = np.round(y / 0.00125) * 0.00125
        elif name.startswith("current"):
            gain, zero = 1 + rng.normal(0, 0.003), rng.normal(0, 0.004)
            if name == "current_house_a":
                gain, zero = gain * k.gain_house_i, zero + k.zero_house_i
            y = y * gain + zero + rng.normal(0, 0.008, n)
            if name == "current_house_a" and k.clip_at:
                y = np.clip(y, -k.clip_at, k.clip_at)
            y = np.round(y / 0.005) * 0.005
        elif name.startswith("temp"):
            y = np.round((y + rng.normal(0, 0.08, n)) / 0.0625) * 0.0625
        out[name] = y
    for place in ("house", "fan", "lights"):
        base = out[f"current_{place}_a"]
        depth = k.ripple if place == "lights" else 0.02
        swing = np.abs(world.s[f"current_{place}_a"]) * depth + 0.01
        out[f"current_{place}_min_a"] = base - swing / 2
        out[f"current_{place}_max_a"] = base + swing / 2
    boots = []
    if k.reboot_at_crank:
        for c in world.cranks[: k.reboot_at_crank]:
            keep &= ~((world.t > c + 1) & (world.t < c + 28))
    for name, hour, value in k.stuck:
        at = int(hour * 3600 / k.dt)
        y = out[name]
        out[name] = np.where(np.arange(n) >= at, y[at] if value is None else value, y)
    t = world.t[keep]
    starts = [t[0]]
    if k.reboot_at_crank:
        starts += [float(t[t > c + 1][0]) for c in world.cranks[: k.reboot_at_crank]]
    ends = [*starts[1:], t[-1] + k.dt]
    for number, (a, b) in enumerate(zip(starts, ends, strict=True), 1):
        boots.append(
            Boot(
                number=number,
                recorder="bench",
                start_utc=a,
                end_utc=float(t[t < b][-1]),
                dated_by="phone",
            )
        )
    channels = {x: Series(time_utc=t, value=y[keep]) for x, y in out.items()}
    grid = minute_grid(float(t[0]) - k.dt, float(t[-1]))
    return TripRecord(
        start_utc=float(t[0]) - k.dt,
        end_utc=float(t[-1]),
        utc_offset=OFFSET,
        minute_utc=grid,
        channels=channels,
        minutes=Lazy(channels, grid),
        boots=tuple(boots),
    )


def stand_in(world, record, rng) -> TripEstimates:
    """Make estimates from truth with an honest error."""
    k = world.knobs
    grid = record.minute_utc
    soc = np.interp(grid, world.minute, world.soc)
    soc = np.clip(soc + rng.normal(0, 0.012), 0, 1)
    band = 0.03
    cap = k.capacity * k.capacity_true_share
    cap_say = cap * (1 + rng.normal(0, 0.025))
    lead = k.chemistry != "lfp"
    r0 = (0.007 if lead else 0.005) * k.r_house_scale * 100 / k.capacity
    nan = np.full(len(grid), np.nan)
    estimate = lambda v, d: Estimate(value=v, lo=v - d, hi=v + d)  # noqa: E731
    battery = BatteryEstimate(
        minute_utc=grid,
        soc=soc,
        soc_lo=np.clip(soc - band, 0, 1),
        soc_hi=np.clip(soc + band, 0, 1),
        soc_live=soc,
        soc_live_lo=np.clip(soc - band, 0, 1),
        soc_live_hi=np.clip(soc + band, 0, 1),
        current_corrected=nan,
        charging_loss=np.interp(grid, world.minute, world.loss)
        * (1 + rng.normal(0, 0.1)),
        capacity=estimate(cap_say, 0.07 * cap)
        if k.days >= 8
        else estimate(k.capacity, 0.3 * k.capacity),
        resistance=estimate(r0, 0.1 * r0),
        offset=estimate(0.0, 0.02),
        efficiency=estimate(0.96 if lead else 0.995, 0.03),
        anchors=(),
        model=BatteryModel(
            chemistry=k.chemistry,
            capacity=cap_say,
            soc_table=np.array([0.0, 1.0]),
            voltage_open_table=np.array([11.8, 12.8]),
            resistance=r0,
            resistance_per_k=0.0,
            hysteresis=0.0,
            efficiency_low=0.96,
            efficiency_full=0.9,
            soc_gassing=0.9,
            acceptance_time=5400.0,
            current_hidden=0.0,
        ),
        rung="counted",
    )
    return TripEstimates(
        battery=battery,
        loads=(),
        sources=(),
        not_itemised=nan,
        fridges=(),
        censored=np.zeros(len(grid), bool),
        demand={},
    )


def make_plan(k: Knobs, days) -> Plan:
    """Plan as the owner would, from the habits."""
    rows = {"lights": 3.2, "inverter": 0.8, "pump": 0.1, "fan": 4.0}
    return Plan(
        name="bench",
        start_utc=START,
        end_utc=START + days * DAY,
        utc_offset=OFFSET,
        opening_soc=k.opening,
        every_day=PlanDay(date=None, sun_hours=5.0),
        days=(),
        loads=tuple(
            PlanLoad(
                name=x,
                typed="hours",
                hours=h,
                current_on={"lights": 1.2, "inverter": 6, "pump": 5.2, "fan": 0.5}[x],
            )
            for x, h in rows.items()
        ),
        fingerprint="bench",
    )


DCDC, ISO, LEAD, LFP = "dcdc", "isolator", "lead", "lfp"
LONG = say(days=10, dt=10.0, drives=((2.6, 1.6), (75.5, 1.4), (150.0, 1.3)))


def plants(f, rng):
    """Say which knobs each finding turns, and which rigs it needs."""
    t = {
        "C1": (say(r_fridge_scale=f * 0.36 / 4.2 / 0.0413), ()),
        "C2": (say(r_fridge_scale=1 + 0.3 * f), ()),
        "C3": (say(extra={"early_cut": f}), ()),
        "C4": (say(r_fridge_growth=0.25 * f), ()),
        "C5": (say(fridge_neg_scale=f * 0.1 / (0.35 * 0.0413 * 4.2)), ()),
        "C6": (say(inverter_long=(0.8 * 15 * f, 1500.0)), ()),
        "C7": (say(extra={"fridge_rating": 15.0 / f}), ()),
        "C7b": (say(extra={"fuse_at": 0.2 * f}), ()),
        "C8": (
            say(trailer=True, r_plug=f * 0.5 / 27.0 + 0.0 * f, panel_w=160.0),
            (DCDC,),
        ),
        "C9": (
            say(r_feed_scale=1 + 0.5 * f, charger_fold_v=12.9, opening=0.6),
            (DCDC,),
        ),
        "C10": (
            say(
                derate=0.15 * f * 18 / 16,
                opening=0.45,
                capacity=200.0,
                panel_w=120.0,
                extra={"floor": 0.2},
            ),
            (DCDC,),
        ),
        "C12": (say(dead_start_s=600 * f, opening=0.6), (DCDC,)),
        "C13": (say(run_on_s=600 * f, opening=0.4, panel_w=60.0), (DCDC,)),
        "C14": (say(absorb_shift=-0.15 * f), ()),
        "C15": (
            say(
                absorb_cut_at=0.04 * 100 * f,
                opening=0.6,
                panel_w=60.0,
                drives=((2.6, 4.0), (27.5, 4.0), (51.0, 4.0)),
            ),
            (LEAD, DCDC),
        ),
        "C16": (say(absorb_shift=0.2 * f), ()),
        "C17": (
            say(comp_mv=-5.0 / f, days=6, dt=4.0, temp_trend=3.0, hot=False),
            (LEAD, DCDC),
        ),
        "C17b": (
            say(comp_mv=-5.0 * f, days=6, dt=4.0, temp_trend=3.0, hot=False),
            (LFP,),
        ),
        "C18": (say(over_v=14.4 + f * 0.6, panel_w=300.0), (LEAD,)),
        "C19": (say(alt_low_share=0.2 * f, alternator="fixed"), ()),
        "C20": (
            say(alt_sag=f * 1.0 / 28, charger_fold_v=10.5, opening=0.55),
            (DCDC,),
        ),
        "C21": (say(iso_chatter=round(6 * f) + 1), (ISO,)),
        "C22": (say(iso_sun_tied_s=900.0 * f), (ISO,)),
        "C23": (say(start_step=0.02 * f), ()),
        "C23b": (say(start_night_fall=0.05 * f), ()),
        "C24": (say(start_rest_v=12.7 - 0.5 * f), ()),
        "C25": (say(crank_v=12.6 - 3.0 * f), ()),
        "C26": (say(charger_self=3.0 * f, opening=0.4, panel_w=60.0), (DCDC,)),
        "C27": (say(inverter_idle_h=2.0 * f), ()),
        "C28": (say(standing=0.15 * f), ()),
        "C29": (say(logger=0.05 * f * 50 / 24, extra={"floor": 0.5}), (LEAD,)),
        "C30": (say(space_excess=15.0 * f), ()),
        "C31": (
            say(
                hunting_per_hour=5.0 * f,
                r_fridge_scale=5.8,
                extra={"cut_out": 11.8, "restart": 12.3},
            ),
            (LEAD,),
        ),
        "C32": (say(night_pump=round(3 * f)), ()),
        "C33": (say(lights_hours=3.2 * 1.5 * f), ()),
        "C34": (say(hidden=(2.0 * f / 3.5, 3.5)), ()),
        "C35": (say(gain_house_i=-1.0), ()),
        "C36": (say(gain_house_i=1 - 0.03 * f), ()),
        "C36b": (say(gain_house_i=0.667), ()),
        "C37": (say(zero_house_i=-0.02 * f), ()),
        "C38": (say(bypass=0.165 * f, panel_w=260.0, hot=False), ()),
        "C40": (say(stuck=(("temp_fridge_c", 31.0, 85.0),)), ()),
        "C40b": (say(stuck=(("voltage_fridge_v", 31.0, None),)), ()),
        "C40c": (say(stuck=(("current_house_a", 31.0, None),)), ()),
        "C41": (say(clip_at=163.84, inverter_long=(30.0, 60.0)), ()),
        "C42": (say(ripple=0.2 * f), ()),
        "C43": (say(offset_fridge_v=-0.05 * f), ()),
        "C44": (say(reboot_at_crank=3), ()),
        "C45": (
            say(
                solar_share=0.36 / f,
                panel_w=220.0,
                opening=0.6,
                capacity=300.0,
                drives=((2.6, 0.4), (27.5, 0.4), (51.0, 0.4)),
            ),
            (DCDC,),
        ),
        "C46": (
            say(
                shade=(14.2, 15.4, min(0.4 * f, 0.95)),
                opening=0.35,
                clouds=False,
                capacity=400.0,
                panel_w=180.0,
                drives=((2.6, 0.4), (27.5, 0.4), (51.0, 0.4)),
            ),
            (DCDC,),
        ),
        "C47": (
            say(
                string_share=0.66,
                string_from=1.2,
                string_v=1 - min(0.22 * f, 0.6),
                opening=0.35,
                capacity=400.0,
                panel_w=180.0,
                drives=((2.6, 0.4), (27.5, 0.4), (51.0, 0.4)),
            ),
            (DCDC,),
        ),
        "C48": (say(solar_unseen=True), ()),
        "C50": (say(freeze_charge=0.02 * 100 * f, hot=False, opening=0.6), (LFP,)),
        "C51": (say(temp_house_hot_h=2.0 * f), (LEAD,)),
        "C52": (
            say(
                dt=10.0,
                days=int(7 * f) + 1,
                panel_w=60.0,
                capacity=400.0,
                opening=0.93,
                extra={"floor": 0.1},
                drives=((2.0, 0.2),),
            ),
            (LEAD, DCDC),
        ),
        "C53": (say(**LONG, capacity_true_share=0.8 / f, hot=True), (LEAD,)),
        "C54": (say(r_house_scale=1.5 * f, hot=True, temp_house_shift=-4.0), ()),
        "C55": (say(half_gap=0.2 * f), (LEAD,)),
        "C55b": (say(half_gap=0.05 * f * 0.75, extra={"lfp_v": 1}), (LFP,)),
        "C56": (say(share2=0.5 + 0.2 * f * 0.5), ()),
        "C57": (say(protection_at=START + DAY + 22.2 * 3600), ()),
        "C58": (
            say(opening=0.74, panel_w=60.0, logger=0.02, extra={"sink": f >= 1}),
            (LEAD, DCDC),
        ),
        "C59": (
            say(
                days=7,
                dt=6.0,
                park_from=START + 3.2 * DAY,
                park_draw=0.01 * 100 / 24 * f,
                panel_w=220.0,
                extra={"park_dark": True},
            ),
            (),
        ),
    }
    t["I13"] = (
        say(
            r_fridge_scale=4.2,
            hunting_per_hour=8.0,
            opening=0.75,
            panel_w=60.0,
            logger=0.02,
            extra={"cut_out": 11.9, "restart": 12.3, "sink": True, "early_cut": 1.5},
        ),
        (LEAD, DCDC),
    )
    return t


UNSCALED = {
    "C35",
    "C36b",
    "C40",
    "C40b",
    "C40c",
    "C41",
    "C44",
    "C48",
    "C57",
    "C58",
    "C3",
}
"""Faults that are there or not: a factor below one plants nothing."""
SENSOR = {"C35", "C36", "C36b", "C37", "C38", "C40", "C40b", "C40c", "C41", "C43"}
RIGHT = {
    "C1": {"C1", "C2"},
    "C2": {"C2", "C1"},
    "C31": {"C1", "C2"},
    "C3": {"C3", "C1", "C2"},
    "C5": {"C5", "C1", "C2"},
    "C4": {"C4"},
    "C8": {"C8", "C9"},
    "C18": {"C18", "C16"},
    "C16": {"C16", "C18"},
    "C38": {"C38"},
    "C52": {"C52", "C14"},
    "I13": {"C1", "C2"},
}
"""Findings that name the same thing to open up (job C-0 rule 3, C2 and C4)."""


def plantable() -> list[str]:
    """Name every fault that can be planted, as ids with a variant letter."""
    return [x for x in plants(1.0, np.random.default_rng(0)) if x != "I13"]


def plant(finding: str, factor: float, seed: int) -> Trip:
    """Make a trip with one fault at a multiple of its limit, or a clean one."""
    rng = np.random.default_rng([seed, sum(map(ord, finding or "clean"))])
    knobs, needs = plants(factor, rng)[finding] if finding else ({}, ())
    if finding in UNSCALED and factor < 1:
        knobs = {}
    free = rng.uniform() < 0.5
    lead = LEAD in needs or ISO in needs or (LFP not in needs and free)
    base = say(
        chemistry=str(rng.choice(["agm", "agm", "flooded"])) if lead else "lfp",
        hot=bool(rng.uniform() < 0.5),
        charger="dcdc",
        panel_w=float(rng.choice([180, 220, 260])),
        opening=float(rng.uniform(0.75, 0.95)),
        fridge_on=float(rng.uniform(3.9, 4.5)),
        capacity=100.0,
    )
    if lead and (ISO in needs or (DCDC not in needs and rng.uniform() < 0.3)):
        base["charger"] = "isolator"
    base["drives"] = tuple(
        (a + float(rng.uniform(-0.4, 0.4)), w * float(rng.uniform(0.9, 1.3)))
        for a, w in ((2.6, 1.6), (27.5, 1.4), (51.0, 1.3))
    )
    base.update(knobs)
    k = Knobs(**base)
    world = simulate(k, rng)
    if k.extra.get("early_cut") and factor >= 1:
        v = world.s["voltage_fridge_v"]
        on = world.s["current_fridge_a"] > 2
        at = START + DAY + 17.5 * 3600
        i = np.flatnonzero(on & (world.t > at))[60]
        knobs = say(
            **{k_: v_ for k_, v_ in base.items() if k_ != "extra"},
            fridge_off_from=float(world.t[i]),
            fridge_off_until=START + 2 * DAY + 3.3 * 3600,
            extra={
                **k.extra,
                "cut_out": k.extra.get("cut_out", float(np.round(v[i], 2))),
                "restart": k.extra.get("restart", float(np.round(v[i], 2)) + 0.9),
            },
        )
        k = Knobs(**knobs)
        world = simulate(k, rng)
    if k.extra.get("sink"):
        k.extra["floor"] = float(world.soc.min()) + 0.08
    if k.clip_at:
        i = int((DAY + 12 * 3600) / k.dt)
        world.s["current_house_a"][i : i + 3] = -200.0
        world.s["current_inverter_a"][i : i + 3] = 200.0
    record = sense(world, rng)
    proofs = (
        Proof(
            step=1,
            time_utc=START - 86400,
            channel="current_house_a",
            typed=0.0,
            logged=float(k.zero_house_i + rng.normal(0, 0.0015)),
        ),
    )
    lead = k.chemistry != "lfp"
    earlier = Fingerprint(
        made_utc=START - 200 * DAY,
        loops={"fridge": 0.041},
        resistance_house=0.007 if lead else 0.005,
        resistance_temp=25.0,
        current_standing=0.08,
    )
    return Trip(
        record=record,
        rig=make_rig(k),
        estimates=stand_in(world, record, rng),
        plan=make_plan(k, k.days),
        proofs=proofs,
        earlier=earlier,
        world=world,
        planted=finding if not (finding in UNSCALED and factor < 1) else "",
        factor=factor,
    )
