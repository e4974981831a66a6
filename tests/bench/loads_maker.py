"""
A light generator of household loads behind one shunt, for tests of their telling apart.

It knows nothing of the code it tests: runs droop or ripple, motors surge, chargers
fade, the sun flickers with clouds, shunts are polled at different instants and have
gains and zeros of their own. Everything comes from one seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from campledger.model.rig import House, Load, Rig, Source


@dataclass(frozen=True, kw_only=True)
class Made:
    """A made trip: ``columns`` as recorded, ``truth`` W per load at ``time``."""

    time: np.ndarray
    columns: dict[str, np.ndarray]
    truth: dict[str, np.ndarray]
    rig: Rig


SHAPES = ("droop", "ripple", "flat", "sag")


def _put(power: np.ndarray, start: float, values: np.ndarray) -> None:
    a = int(start)
    if a < 0 or a >= len(power):
        return
    b = min(len(power), a + len(values))
    power[a:b] = np.maximum(power[a:b], values[: b - a])


def cooling(rng: np.random.Generator, n: int, watts: float, shape: str) -> np.ndarray:
    """A thermostat: longer by day, a surge, a run that is not flat, odd long runs."""
    power = np.zeros(n)
    at = rng.uniform(0, 1200)
    duty_base = rng.uniform(0.2, 0.4)
    period = rng.uniform(1500, 3000)
    while at < n:
        warm = 1 + 0.5 * np.sin(2 * np.pi * (at / 86400 - 0.35))
        on = period * duty_base * warm * rng.lognormal(0, 0.12)
        if rng.random() < 0.02:
            on *= rng.uniform(3, 7)
        k = max(60, int(on))
        t = np.arange(k)
        level = watts * (1 + 0.05 * (warm - 1))
        run = np.full(k, level)
        if shape == "droop":
            run = level * (0.9 + 0.22 * np.exp(-t / 90))
        elif shape == "ripple":
            run = level * (1 + 0.02 * np.sin(t / 7.0)) + rng.normal(0, 0.02 * level, k)
        elif shape == "sag":
            run = level * (1.06 - 0.12 * t / k)
        run[:2] *= rng.uniform(1.5, 2.5)
        _put(power, at, run)
        at += k + period * (1 - duty_base) / warm * rng.lognormal(0, 0.15)
    return power


def sessions(rng, n, hours, a_day, length, spread):
    """Starts and lengths of things that people switch."""
    out = []
    for day in range(int(np.ceil(n / 86400))):
        for _ in range(rng.poisson(a_day)):
            h = rng.choice(hours) + rng.uniform(0, 1)
            out.append((day * 86400 + h * 3600, length * rng.lognormal(0, spread)))
    return out


def switched(rng, n, levels, hours, a_day, length, spread, ripple=0.0):
    """Lights, fans: one of some levels, changed now and then."""
    power = np.zeros(n)
    for start, d in sessions(rng, n, hours, a_day, length, spread):
        k = int(max(30, d))
        run = np.full(k, rng.choice(levels))
        if rng.random() < 0.3:
            run[int(rng.uniform(0.2, 0.8) * k) :] = rng.choice(levels)
        _put(power, start, run * (1 + rng.normal(0, ripple, k)))
    return power


def charging(rng, n, watts, hours, a_day):
    """A charging device: steady, then fading."""
    power = np.zeros(n)
    for start, d in sessions(rng, n, hours, a_day, 6000, 0.4):
        k = int(max(900, d))
        full = int(k * rng.uniform(0.4, 0.7))
        level = watts * rng.uniform(0.8, 1.1)
        run = np.full(k, level)
        run[full:] = level * np.exp(-np.arange(k - full) / (0.4 * (k - full)))
        slow = np.repeat(rng.normal(0, 0.02, k // 60 + 1), 60)[:k]
        _put(power, start, run * (1 + slow))
    return power


def bursts(rng, n, watts, a_day):
    """A pump."""
    power = np.zeros(n)
    for start, d in sessions(rng, n, np.arange(6, 23), a_day, 14, 0.6):
        _put(power, start, np.full(int(max(3, d)), watts * rng.uniform(0.95, 1.05)))
    return power


def sun(rng, n, peak):
    """Amps of a panel with clouds that take seconds."""
    t = np.arange(n) % 86400 / 3600
    clear = peak * np.clip(np.sin(np.pi * (t - 6) / 12), 0, None) ** 1.3
    cloud = np.ones(n)
    for day in range(int(np.ceil(n / 86400))):
        if rng.random() < 0.5:
            a = day * 86400
            k = min(86400, n - a)
            walk = np.cumsum(rng.normal(0, 0.05, k // 5 + 1))
            wave = 0.65 + 0.35 * np.tanh(2 * np.sin(walk))
            cloud[a : a + k] = np.interp(np.arange(k), np.arange(len(wave)) * 5, wave)
    return clear * cloud


def rough_trip(seed: int, *, days: float = 7) -> Made:
    """
    Make a trip of another household: a compressor of two speeds, a reading lamp beside
    the main light, a fan of four speeds, a charger that pulses while it fades, a radio
    that wakes, clouds within the minute, shunts polled up to 3 s apart.
    """
    rng = np.random.default_rng(seed + 70_000)
    n = int(days * 86400)
    t = np.arange(n)
    volts = 12.9 + 0.3 * np.sin(2 * np.pi * (t / 86400 - 0.3)) + 0.05 * rng.normal()
    cold, light, pump = rng.uniform(28, 60), rng.uniform(10, 25), rng.uniform(35, 80)
    fan, laptop, standby = rng.uniform(15, 40), rng.uniform(40, 90), rng.uniform(1, 6)
    fridge = cooling(rng, n, cold, rng.choice(SHAPES))
    slow = np.sin(2 * np.pi * (t / 86400 - 0.35)) < rng.uniform(-0.6, -0.2)
    fridge = np.where(slow, rng.uniform(0.65, 0.8) * fridge, fridge)
    lights = switched(
        rng, n, light * np.array([0.4, 0.7, 1.0]), np.arange(17, 24), 2.5, 4800, 0.8
    )
    bursting = bursts(rng, n, pump, 14) * (volts / 12.8)
    speeds = fan * np.array([0.25, 0.5, 0.75, 1.0])
    moving = switched(rng, n, speeds, np.arange(10, 24), 1.5, 12_000, 0.7, 0.02)
    fading = charging(rng, n, laptop, np.arange(9, 23), 1.5)
    pulse = 1 + 0.06 * np.sign(np.sin(2 * np.pi * t / rng.uniform(40, 90)))
    fading = np.where((fading > 0) & (fading < 0.6 * laptop), fading * pulse, fading)
    radio = np.where(t % int(rng.uniform(200, 900)) < 4, 1.5, 0.0)
    truth = {
        "fridge": fridge,
        "lights": lights,
        "pump": bursting,
        "fan": moving,
        "laptop": fading,
        "standby": standby + radio,
    }
    stated = dict(zip(truth, (cold, light, pump, fan, laptop, standby), strict=True))
    panel = sun(rng, n, rng.uniform(4, 9))
    flicker = np.repeat(rng.uniform(0.5, 1, n // 20 + 1), 20)[:n]
    cloudy = np.repeat(rng.random(n // 3600 + 1) < 0.2, 3600)[:n]
    panel = np.where(cloudy, panel * flicker, panel)
    charger = np.zeros(n)
    for start, d in sessions(rng, n, np.arange(8, 17), 0.8, 4800, 0.5):
        k = int(max(900, d))
        amps = rng.uniform(12, 28) * np.exp(-np.arange(k) / rng.uniform(5e3, 2e4))
        _put(charger, start, amps)
    house = panel + charger - np.sum(list(truth.values()), axis=0) / volts
    noise = rng.uniform(0.005, 0.025)

    def sensor(x: np.ndarray) -> np.ndarray:
        gain, zero = 1 + rng.normal(0, 0.007), rng.normal(0, 0.04)
        late = int(rng.integers(0, 4))
        return gain * np.roll(x, late) + zero + rng.normal(0, noise, len(x))

    columns = {
        "voltage_house_v": volts + rng.normal(0, 0.004, n),
        "current_house_a": sensor(house),
        "current_solar_a": sensor(panel),
        "current_alternator_a": sensor(charger),
    }
    return Made(
        time=1_750_032_000.0 + t,
        columns=columns,
        truth=truth,
        rig=_rig(truth, stated, rng),
    )


KINDS = {
    "fridge": "fridge",
    "lights": "lights",
    "pump": "pump",
    "fan": "fan",
    "laptop": "charger",
    "usb": "charger",
    "inverter": "inverter",
    "standby": "standby",
}


def _rig(
    truth: dict[str, np.ndarray], stated: dict[str, float], rng: np.random.Generator
) -> Rig:
    loads = tuple(
        Load(
            name=name,
            kind=KINDS[name],
            current_on=stated[name] / 12.8 * rng.uniform(0.85, 1.15),
        )
        for name in truth
    )
    return Rig(
        name="made",
        timezone="UTC",
        house=House(chemistry="lfp", capacity_rated=100.0),
        sources=(
            Source(name="solar", kind="solar", power_panel=120.0),
            Source(name="alternator", kind="dcdc", current_rated=25.0),
        ),
        loads=loads,
    )


def make_trip(seed: int, *, days: float = 7, kinds: str = "plain") -> Made:
    """
    Make a trip at 1 s: ``kinds`` plain (six loads), rich (eight, with an inverter) or
    rough (six, of another household).
    """
    if kinds == "rough":
        return rough_trip(seed, days=days)
    rng = np.random.default_rng(seed)
    n = int(days * 86400)
    volts = 13.1 + 0.25 * np.sin(2 * np.pi * (np.arange(n) / 86400 - 0.3))
    evening, day = np.arange(18, 23), np.arange(8, 22)
    fridge = rng.uniform(35, 75)
    light, fan, pump = rng.uniform(8, 22), rng.uniform(10, 35), rng.uniform(40, 90)
    laptop = rng.uniform(45, 80)
    truth = {
        "fridge": cooling(rng, n, fridge, rng.choice(SHAPES)),
        "lights": switched(
            rng, n, light * np.array([0.5, 1.0, 1.0]), evening, 2.0, 6000, 0.5
        )
        * (volts / 12.8) ** 1.5,
        "pump": bursts(rng, n, pump, 10),
        "fan": switched(
            rng, n, fan * np.array([0.45, 1.0]), day, 1.2, 9000, 0.5, 0.015
        ),
        "laptop": charging(rng, n, laptop, day, 1.2),
    }
    if kinds == "rich":
        usb = rng.uniform(8, 20)
        truth["usb"] = charging(rng, n, usb, day, 2.0)
        idle = rng.uniform(6, 12)
        inverter = np.zeros(n)
        for start, d in sessions(rng, n, day, 1.2, 5400, 0.5):
            k = int(max(1200, d))
            run = np.full(k, idle)
            a, b = int(0.1 * k), int(rng.uniform(0.5, 0.9) * k)
            run[a:b] += rng.uniform(25, 110)
            _put(inverter, start, run)
        truth["inverter"] = inverter
    standby = rng.uniform(1.2, 5.0)
    truth["standby"] = np.full(n, standby)
    stated = {
        "fridge": fridge,
        "lights": light,
        "pump": pump,
        "fan": fan,
        "laptop": laptop,
        "usb": 15.0,
        "inverter": 60.0,
        "standby": standby,
    }
    total = np.sum(list(truth.values()), axis=0) / volts
    panel = sun(rng, n, rng.uniform(5, 10))
    charger = np.zeros(n)
    for start, d in sessions(rng, n, np.arange(9, 16), 0.6, 5400, 0.4):
        _put(charger, start, np.full(int(max(900, d)), rng.uniform(18, 30)))
    house = panel + charger - total
    skew = rng.integers(0, 2)
    noise = rng.uniform(0.004, 0.02)

    def sensor(x: np.ndarray, late: int) -> np.ndarray:
        gain, zero = 1 + rng.normal(0, 0.005), rng.normal(0, 0.03)
        return gain * np.roll(x, late) + zero + rng.normal(0, noise, len(x))

    columns = {
        "voltage_house_v": volts + rng.normal(0, 0.003, n),
        "current_house_a": sensor(house, 0),
        "current_solar_a": sensor(panel, int(skew)),
        "current_alternator_a": sensor(charger, 0),
    }
    rig = _rig(truth, stated, rng)
    time = 1_750_032_000.0 + np.arange(n)
    return Made(time=time, columns=columns, truth=truth, rig=rig)
