"""A light generator of trips whose battery is not the truth lab's.

Closed forms only: an open-circuit curve of its own shape for each chemistry, one ohmic
and one slow resistance, charge efficiency falling near full, a charger with constant
current and constant voltage, loads by the clock. Everything is drawn from one seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tests.support.cases import make_record

from campledger.model.rig import House, Load, Rig, Source

HOUR = 3600.0
START = 1_777_593_600.0


def lithium(s):
    """Two soft steps, an early knee, a steep end."""
    low = -1.9 * np.exp(-s / 0.035)
    steps = 0.09 / (1 + np.exp(-(s - 0.30) / 0.04))
    steps = steps + 0.11 / (1 + np.exp(-(s - 0.74) / 0.02))
    return 13.06 + low + steps + 0.06 * s + 1.20 * np.exp((s - 1.0) / 0.006)


def flooded(s):
    return 11.60 + 1.08 * s + 0.10 * (1 - np.exp(-s / 0.08))


def gel(s):
    return 11.70 + 1.25 * s - 0.12 * s**2


CURVES = {"lfp": lithium, "flooded": flooded, "gel": gel, "agm": gel}


@dataclass(frozen=True, kw_only=True)
class World:
    """Record, rig and truth of a made trip."""

    record: object
    rig: Rig
    soc: np.ndarray
    capacity: float
    offset: float


def _efficiency(chemistry, s):
    if chemistry == "lfp":
        return 0.997
    return 0.97 - 0.35 * np.clip((s - 0.88) / 0.12, 0.0, 1.0) ** 2


def _held(curve, s, volts, resistance, gain):
    """Current that brings the end of the step to the held volts: no hunting."""
    low, high = 0.0, 1e3
    for _ in range(24):
        half = 0.5 * (low + high)
        under = curve(s + half * gain) + resistance * half < volts
        low, high = (half, high) if under else (low, half)
    return low


def make_world(
    chemistry="lfp",
    *,
    seed=0,
    days=5,
    capacity=92.0,
    rated=100.0,
    start=0.7,
    interval=10.0,
    sampling="point",
    resistance=0.011,
    offset=0.03,
    charger=18.0,
    drive_hours=2.5,
    demand=1.6,
    temp=True,
    gap=None,
    drop=(),
):
    """Make a trip; ``gap`` = (start hour, hours) without rows, ``drop`` = channels."""
    rng = np.random.default_rng(seed)
    step = 10.0
    n = int(days * 86400 / step)
    t = np.arange(1, n + 1) * step
    hour = (t / HOUR) % 24
    lead = chemistry != "lfp"
    absorb = 14.4 if lead else 14.3
    fridge = np.where((t % 2400) < 2400 * 0.35, 4.1, 0.0)
    lights = np.where((hour > 18.5) & (hour < 22), 1.6, 0.0)
    load = 0.15 + (fridge + lights + rng.gamma(2.0, 0.1, n)) * demand / 2.0
    drive = (hour > 9) & (hour < 9 + drive_hours)
    curve = CURVES[chemistry]
    soc, volts, amps, source = (np.empty(n) for _ in range(4))
    cold = fridge * demand / 2.0
    s, slow, off = start, 0.0, False
    r2 = 0.6 * resistance
    for k in range(n):
        v0 = float(curve(s)) + slow
        give = charger if drive[k] else 0.0
        off = s < 0.012 or (off and not drive[k])
        asked = 0.0 if off else load[k]
        cold[k] = 0.0 if off else cold[k]
        i = give - asked
        if give > 0.0:
            most = (absorb - v0) / resistance
            if not lead:
                most = _held(
                    curve, s, absorb - slow, resistance, step / HOUR / capacity
                )
            if lead:
                most = min(most, 0.8 * max(1.0 - s, 0.0) * capacity + 0.1)
            i = min(i, max(most, 0.0))
        source[k] = max(i + asked, 0.0) if give else 0.0
        stored = i * (_efficiency(chemistry, s) if i > 0 else 1.0) - 0.008
        s = float(np.clip(s + stored * step / HOUR / capacity, 0.0, 1.0))
        slow += (r2 * i - slow) * (1 - np.exp(-step / 1800.0))
        soc[k], amps[k] = s, i
        volts[k] = float(curve(s)) + slow + resistance * i
        if lead and give > 0.0 and i < give - asked - 1e-6:
            volts[k] = absorb  # held: the battery takes what it accepts
    every = max(1, int(interval / step))
    m = n // every * every

    def kept(x):
        x = x[:m].reshape(-1, every)
        return x.mean(axis=1) if sampling == "mean" else x[:, -1]

    rows = len(kept(t))
    end = t[:m].reshape(-1, every)[:, -1] + START
    table = {
        "voltage_house_v": np.round(kept(volts) / 0.00125) * 0.00125
        + rng.normal(0, 0.002, rows),
        "current_house_a": kept(amps) * 1.004 + offset + rng.normal(0, 0.01, rows),
        "current_alternator_a": kept(source) + rng.normal(0, 0.01, rows),
    }
    table["current_fridge_a"] = kept(cold) + rng.normal(0, 0.01, rows)
    if temp:
        table["temp_house_c"] = 22 + 5 * np.sin((end / HOUR) * np.pi / 12)
    for name in drop:
        table.pop(name)
    keep = np.ones(rows, dtype=bool)
    if gap is not None:
        since = end - START
        keep = ~((since > gap[0] * HOUR) & (since <= (gap[0] + gap[1]) * HOUR))
    record = make_record(
        end[keep], {k: v[keep] for k, v in table.items()}, sampling=sampling
    )
    house = House(
        chemistry=chemistry,
        capacity_rated=rated,
        voltage_absorption=absorb,
        voltage_float=13.5,
    )
    rig = Rig(
        name="made",
        timezone="UTC",
        house=house,
        sources=(
            Source(
                name="alternator",
                kind="dcdc",
                current_rated=charger,
                voltage_absorption=absorb,
                voltage_float=13.5,
            ),
        ),
        loads=(Load(name="fridge", kind="fridge", current_on=4.1),),
        sampling=sampling,
        assumed=frozenset({"house.full_below_a", "house.temp_comp_mv_per_k"}),
    )
    truth = np.interp(record.minute_utc, t + START, soc)
    return World(
        record=record, rig=rig, soc=truth, capacity=capacity, offset=offset + 0.008
    )
