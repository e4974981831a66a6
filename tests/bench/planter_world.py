"""
A light, physically sound world for fit-out fixtures: one trip, every channel.

Written from the job description before any judging code existed. Nothing here imports a
judge or an estimator. A two-element battery (ohmic part and a slow part whose size
follows what the battery accepts), chargers with stages, an alternator, a cable to the
charger and one to the fridge that a second load shares, sun with clouds, a fridge on a
thermostat, habits, sensors with gain, offset, noise and steps, gaps and reboots.
All figures are plausible round numbers: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

DAY = 86400.0
OFFSET = 9.5 * 3600.0
START = 1_780_000_200.0 - (1_780_000_200.0 + OFFSET) % DAY + 6 * 3600.0
OCV = {
    "agm": ([0, 0.25, 0.5, 0.75, 1.0], [11.75, 12.06, 12.30, 12.55, 12.80]),
    "flooded": ([0, 0.25, 0.5, 0.75, 1.0], [11.7, 12.0, 12.22, 12.45, 12.68]),
    "lfp": (
        [0, 0.05, 0.15, 0.4, 0.7, 0.95, 1.0],
        [11.0, 12.4, 12.88, 13.1, 13.25, 13.33, 13.5],
    ),
}


@dataclass
class Knobs:
    """Everything that can be turned; the defaults are a sound fit-out."""

    chemistry: str = "agm"
    hot: bool = True
    charger: str = "dcdc"
    alternator: str = "fixed"
    days: int = 3
    dt: float = 2.0
    capacity: float = 100.0
    capacity_true_share: float = 1.0
    panel_w: float = 220.0
    solar_share: float = 1.0
    opening: float = 0.85
    clouds: bool = True
    drives: tuple = ((2.6, 1.6), (27.5, 1.4), (51.0, 1.3))
    r_house_scale: float = 1.0
    r_fridge_scale: float = 1.0
    r_fridge_growth: float = 0.0
    r_fridge_rough: float = 0.0
    fridge_neg_share: float = 0.35
    fridge_neg_scale: float = 1.0
    fridge_on: float = 4.2
    fridge_off_from: float | None = None
    fridge_off_until: float | None = None
    hunting_per_hour: float = 0.0
    fridge_duty: float | None = None
    space_excess: float = 6.0
    inverter_long: tuple = (0.0, 0.0)
    inverter_idle_h: float = 0.7
    lights_hours: float = 3.0
    night_pump: int = 0
    standing: float = 0.02
    logger: float = 0.06
    hidden: tuple = (0.0, 0.0)
    bypass: float = 0.0
    r_feed_scale: float = 1.0
    r_plug: float = 0.0
    trailer: bool = False
    charger_fold_v: float = 12.55
    derate: float = 0.0
    dead_start_s: float = 40.0
    run_on_s: float = 0.0
    charger_self: float = 0.0
    absorb_shift: float = 0.0
    absorb_cut_at: float | None = None
    comp_mv: float | None = None
    over_v: float = 0.0
    alt_low_share: float = 0.0
    alt_sag: float = 0.0
    iso_cut_in: float = 13.3
    iso_tied_s: float = 150.0
    iso_chatter: int = 0
    iso_sun_tied_s: float = 0.0
    start_rest_v: float = 12.66
    start_night_fall: float = 0.0
    start_step: float = 0.0
    crank_v: float = 11.0
    shade: tuple = (0.0, 0.0, 0.0)
    string_share: float = 1.0
    solar_unseen: bool = False
    temp_house_shift: float = 0.0
    temp_house_hot_h: float = 0.0
    freeze_charge: float = 0.0
    half_gap: float = 0.0
    share2: float = 0.5
    protection_at: float | None = None
    park_from: float | None = None
    park_draw: float = 0.0
    temp_trend: float = 0.0
    string_from: float = 0.0
    string_v: float = 1.0
    gain_house_i: float = 1.0
    zero_house_i: float = 0.0
    gain_fridge_v: float = 1.0
    offset_fridge_v: float = 0.0
    stuck: tuple = ()
    clip_at: float | None = None
    ripple: float = 0.02
    reboot_at_crank: int = 0
    gaps: bool = True
    extra: dict = field(default_factory=dict)


@dataclass
class World:
    """Truth of a trip: minute and sample arrays, before any sensor."""

    knobs: Knobs
    t: np.ndarray
    minute: np.ndarray
    soc: np.ndarray
    loss: np.ndarray
    s: dict
    loads: dict
    sources: dict
    cranks: list
    boots: list


def slow_noise(rng, n, sd, tau):
    """Give a smooth random path with unit steps of one sample."""
    k = max(2, int(n / max(tau, 1.0)) + 3)
    x = rng.normal(0, sd, k)
    return np.interp(np.linspace(0, k - 1, n), np.arange(k), x)


def make_loads(k: Knobs, rng, hour, air, t):
    """Lay every load over the samples; A, >= 0."""
    n = len(t)
    on = np.zeros(n, bool)
    at, end = t[0], t[-1]
    run = False
    spans = []
    while at < end:
        i = min(int((at - t[0]) / k.dt), n - 1)
        duty = np.clip(0.10 + 0.013 * (air[i] - 4), 0.10, 0.75)
        if k.fridge_duty is not None:
            duty = k.fridge_duty
        burst = rng.uniform(8, 13) * 60 * (2.5 if duty > 0.8 else 1.0)
        span = burst if run else burst * (1 - duty) / duty
        if run:
            spans.append((at, at + span))
        at += span
        run = not run
    if k.hunting_per_hour > 0:
        keep = []
        for a, b in spans:
            h = ((a - t[0]) / 3600 + 6) % 24
            if not 18.5 <= h <= 23.0:
                keep.append((a, b))
        gap = 3600.0 / k.hunting_per_hour
        for d in range(k.days):
            a = t[0] + d * DAY + 13.0 * 3600
            while a < t[0] + d * DAY + 16.5 * 3600:
                keep.append((a, a + rng.uniform(50, 85)))
                a += gap * rng.uniform(0.9, 1.1)
        spans = sorted(keep)
    for a, b in spans:
        on[int((a - t[0]) / k.dt) : int((b - t[0]) / k.dt)] = True
    if k.fridge_off_from is not None:
        on &= ~((t >= k.fridge_off_from) & (t < k.fridge_off_until))
    fridge = (
        on
        * (k.fridge_on * (1 + 0.004 * (air - 25)))
        * (1 + slow_noise(rng, n, 0.01, 300))
    )
    start = on & ~np.concatenate(([False], on[:-1]))
    fridge[start] *= 1.25
    lights = np.zeros(n)
    for d in range(k.days + 1):
        a = 18.7 + rng.uniform(-0.3, 0.3)
        h = hour + 24 * np.floor((t - t[0]) / DAY + 0.25)
        lo = 24 * d + a
        lights[(h >= lo) & (h < lo + k.lights_hours)] = 1.2
    pump = np.zeros(n)
    for d in range(k.days):
        for _ in range(12):
            a = t[0] + d * DAY + rng.uniform(0.8, 15.5) * 3600
            i = int((a - t[0]) / k.dt)
            pump[i : i + int(rng.uniform(8, 25) / k.dt)] = 5.2
        for _ in range(k.night_pump if d else 0):
            a = t[0] + d * DAY + rng.uniform(17.2, 22.5) * 3600
            i = int((a - t[0]) / k.dt)
            pump[i : i + int(15 / k.dt)] = 5.2
    inverter = np.zeros(n)
    for d in range(k.days):
        a = int((d * DAY + rng.uniform(11.5, 12.5) * 3600) / k.dt)
        w = int(k.inverter_idle_h * 3600 / k.dt)
        inverter[a : a + w] = 0.6
        if k.inverter_idle_h < 2:
            inverter[a + w // 4 : a + 3 * w // 4] = rng.uniform(5, 7)
        else:
            inverter[a + w // 2 : a + w // 2 + int(1200 / k.dt)] = 5.0
    if k.inverter_long[0] > 0:
        a = int((1 * DAY + 8.0 * 3600) / k.dt)
        inverter[a : a + int(k.inverter_long[1] / k.dt)] = k.inverter_long[0]
    fan = 0.5 * ((hour > 13.2) & (hour < 17.1))
    hidden = np.zeros(n)
    if k.hidden[0] > 0:
        h = (hour > 18) & (hour < 18 + k.hidden[1])
        hidden = k.hidden[0] * h
    logger = np.full(n, k.logger) * (1 + 0.03 * rng.normal(size=n))
    loads = {
        "fridge": fridge,
        "lights": lights,
        "pump": pump,
        "inverter": inverter,
        "fan": fan * 1.0,
        "logger": logger,
    }
    if k.park_from is not None:
        away = t >= k.park_from
        for name in ("fridge", "lights", "pump", "inverter", "fan"):
            loads[name] = np.where(away, 0.0, loads[name])
    return loads, hidden, on


def simulate(k: Knobs, rng) -> World:
    """Run the trip; give truth at samples and minutes."""
    n = int(k.days * DAY / k.dt)
    t = START + k.dt * np.arange(1, n + 1)
    hour = ((t + OFFSET) % DAY) / 3600
    mean, amp = (29.0, 7.0) if k.hot else (11.0, 6.0)
    air = mean + amp * np.cos((hour - 15) / 24 * 2 * np.pi)
    air = air + slow_noise(rng, n, 1.2, 14400 / k.dt)
    air = air + k.temp_trend * (t - START) / DAY
    loads, hidden, fridge_on = make_loads(k, rng, hour, air, t)
    total = sum(loads.values()) + k.standing + hidden + k.bypass
    if k.park_from is not None:
        total = np.where(t >= k.park_from, k.park_draw + k.standing, total)
    per = int(60 / k.dt)
    m = n // per
    grid = START + 60.0 * np.arange(1, m + 1)
    low = lambda x: x.reshape(m, per).mean(axis=1)  # noqa: E731
    load_m, air_m = low(total), low(air)
    box = np.zeros(m)
    box[0] = air_m[0]
    for i in range(1, m):
        box[i] = box[i - 1] + (air_m[i] - box[i - 1]) / 240
    box += k.temp_house_shift
    hm = ((grid + OFFSET) % DAY) / 3600
    if k.temp_house_hot_h > 0:
        base = min(float(np.max(box)), 38.0)
        box = np.minimum(box, base)
        w = k.temp_house_hot_h / 2
        box = np.where(np.abs(hm - 15) < w, 43.0, box)
    if k.freeze_charge > 0:
        box = np.where((hm < 12), -3.0, np.maximum(box, 1.0))
    # sun
    up = np.clip((hm - 6.3) / 11.4, 0, 1)
    shape = np.sin(np.pi * up) ** 1.25
    clear = np.ones(m)
    if k.clouds:
        for d in range(k.days):
            for _ in range(rng.integers(0, 9)):
                a = int(d * 1440 + rng.uniform(2, 10) * 60)
                clear[a : a + int(rng.uniform(4, 25))] = rng.uniform(0.3, 0.8)
    block = np.ones(m)
    if k.shade[2] > 0:
        block = np.where((hm > k.shade[0]) & (hm < k.shade[1]), 1 - k.shade[2], 1.0)
    string = np.where(grid > START + k.string_from * DAY, k.string_share, 1.0)
    sun_power = 0.78 * k.panel_w * k.solar_share * string * shape * clear * block
    if k.park_from is not None:
        sun_power = np.where(grid >= k.park_from, 0.0, sun_power)
    sun_avail = sun_power / 13.5
    # engine
    engine = np.zeros(m, bool)
    since_on = np.full(m, 1e9)
    since_off = np.full(m, 1e9)
    cranks = []
    for a, w in k.drives:
        i, j = int(a * 60), int((a + w) * 60)
        engine[i:j] = True
        since_on[i:j] = np.arange(j - i) * 60.0
        since_off[j:] = np.arange(m - j) * 60.0
        cranks.append(START + i * 60.0)
    v_alt = (14.0 if k.hot else 14.25) + slow_noise(rng, m, 0.04, 20)
    if k.alt_low_share > 0:
        for a, w in k.drives:
            i, j = int(a * 60), int((a + w) * 60)
            cut = j - int((j - i) * k.alt_low_share)
            v_alt[cut:j] = 12.6 + slow_noise(rng, j - cut, 0.02, 10)
    rated = 25.0
    warm = np.clip(since_on / 2400.0, 0, 1) * engine
    temp_charger = air_m + 18 * warm
    if k.derate > 0:
        temp_charger = air_m + 12 + (68 - air_m - 12) * warm
        temp_charger = np.where(engine, temp_charger, air_m)
    derate = 1 - k.derate * np.clip((temp_charger - 50) / 18, 0, 1) * (k.derate > 0)
    r_feed = 0.028 * k.r_feed_scale + np.where(
        grid > START + k.drives[-1][0] * 3600 - 60, k.r_plug, 0.0
    )
    fold_in = np.maximum(0.0, (v_alt - 0.25 - k.charger_fold_v) / r_feed)
    alt_avail = np.minimum(rated, 0.9 * k.charger_fold_v * fold_in / 13.7) * derate
    alt_avail = np.where(engine & (since_on >= k.dead_start_s), alt_avail, 0.0)
    if k.run_on_s > 0:
        alt_avail = np.where(
            (~engine) & (since_off < k.run_on_s), np.minimum(rated, 15.0), alt_avail
        )
    if k.charger_self > 0:
        alt_avail = np.where((~engine) & (since_off < 3600), k.charger_self, alt_avail)
    if k.charger == "isolator":
        alt_avail = np.where(engine & (since_on >= 60) & (v_alt > 12.8), 38.0, 0.0)
    lead = k.chemistry != "lfp"
    cap = k.capacity * k.capacity_true_share
    r0 = (0.007 if lead else 0.005) * k.r_house_scale * 100 / k.capacity
    r1 = 0.012 if lead else 0.006
    a10 = 1 - np.exp(-1 / 10)
    ocv_x, ocv_y = OCV[k.chemistry]
    soc_at, slow, stage_s, stage_d = k.opening, 0.0, 0, 0
    tail_s = 0.0
    comp = (-0.024 if lead else 0.0) if k.comp_mv is None else k.comp_mv / 1000
    soc = np.zeros(m)
    out = {x: np.zeros(m) for x in ("ocv", "slow", "over", "vt", "icv", "cv", "loss")}
    v_abs, v_float = (14.4, 13.6) if lead else (14.3, 13.5)
    v_abs, v_float = v_abs + k.absorb_shift, v_float + max(0.0, k.absorb_shift) * 0.3
    dark = (
        (grid >= k.protection_at) & (grid < k.protection_at + 3 * 3600)
        if k.protection_at
        else np.zeros(m, bool)
    )
    hold = 0
    for i in range(m):
        load = 0.0 if dark[i] else load_m[i]
        ocv = float(np.interp(soc_at, ocv_x, ocv_y))
        accept = (
            cap * max(0.004, 1 - soc_at) / 1.5
            if lead
            else cap * max(0.0003, 1 - soc_at) / 0.08
        )
        reff = max(r0 + r1, (14.4 - ocv) / accept) if slow > 0 else r0 + r1
        if since_on[i] == 0:
            stage_d = 0
        if hm[i] < 6.1:
            stage_s = 0
        dv = comp * (box[i] - 25)
        vt_d = (v_float if stage_d else v_abs) + dv
        vt_s = (v_float if stage_s else v_abs) + dv
        if k.charger == "isolator":
            vt_d = v_alt[i] - 0.15
        if k.over_v > 0 and 1440 + 300 < i < 1440 + 340:
            vt_s = k.over_v
        sun, alt = (0.0, 0.0) if dark[i] else (sun_avail[i], alt_avail[i])
        if k.freeze_charge > 0 and hm[i] < 12:
            sun = min(sun, load + k.freeze_charge)
            alt = min(alt, max(0.0, load + k.freeze_charge - sun))
        active = sorted(
            [x for x in ((vt_d, alt, 1), (vt_s, sun, 0)) if x[1] > 0.05],
            key=lambda x: x[0],
        )

        def at_volts(v, ocv=ocv, reff=reff, slow=slow):
            top = v - ocv - (reff - r0) * (1 - a10) * slow
            return top / (r0 * (1 - a10) + reff * a10)

        if active:
            both = sum(x[1] for x in active) - load
            vt, icv = active[0][0], at_volts(active[0][0])
            cur, cv = both, False
            if both > icv:
                high = active[-1]
                if len(active) == 1 or high[1] - load <= icv:
                    cur, cv = icv, True
                else:
                    sun, alt = (sun, 0.0) if high[2] == 0 else (0.0, alt)
                    vt, icv = high[0], at_volts(high[0])
                    cv = icv < high[1] - load
                    cur = min(high[1] - load, icv)
            cur = max(cur, -load)
        else:
            vt, icv, cur, cv = 0.0, 99.0, -load, False
        slow += a10 * (cur - slow)
        size = reff if slow > 0 else r0 + r1
        if cv and vt > v_abs + dv - 0.1:
            tail = 0.02 * cap if lead else 0.05 * cap
            if k.absorb_cut_at is not None:
                hold += 1
                if hold > 4 and cur < k.absorb_cut_at:
                    stage_s = stage_d = 1
            else:
                tail_s = tail_s + 60 if cur < tail else 0.0
                if tail_s > 2700:
                    stage_s = stage_d = 1
        else:
            tail_s = 0.0
        if not (alt > 0.05 or sun > 0.05):
            hold = 0
        soc_at += cur * (0.96 if lead and cur > 0 else 1.0) / 60 / cap
        out["loss"][i] = max(0.0, soc_at - 1.0) * cap * 60
        out["loss"][i] += 0.04 * cur if lead and cur > 0 else 0.0
        soc_at = min(soc_at, 1.0)
        soc[i] = soc_at
        out["ocv"][i], out["slow"][i], out["over"][i] = ocv, slow, size * slow
        out["vt"][i], out["icv"][i], out["cv"][i] = vt, icv, cv
        sun_avail[i], alt_avail[i] = sun, alt
    up_t = lambda x: np.interp(t, grid - 30, x)  # noqa: E731
    rep = lambda x: np.repeat(x, per)  # noqa: E731
    avail = rep(sun_avail + alt_avail)
    load_s = np.where(rep(dark), 0.0, total)
    cv = rep(out["cv"]) > 0
    icv = np.where(cv, up_t(np.where(out["cv"] > 0, out["icv"], np.nan)), 1e9)
    icv = np.where(np.isnan(icv), rep(out["icv"]), icv)
    cur = np.where(cv, np.minimum(avail - load_s, icv), avail - load_s)
    cur = np.maximum(cur, -load_s)
    ocv_s, slow_s, over_s = up_t(out["ocv"]), up_t(out["slow"]), up_t(out["over"])
    volt = ocv_s + r0 * (cur - slow_s) + over_s
    vt = rep(out["vt"])
    volt = np.where(cv & (cur >= icv - 1e-9), vt, volt)
    volt = np.where(vt > 0, np.minimum(volt, vt + 0.01), volt)
    source = np.maximum(cur + load_s, 0.0)
    share = rep(sun_avail) / np.maximum(avail, 1e-9)
    solar, alt = source * share, source * (1 - share) * (avail > 0)
    engine_s = rep(engine)
    # start battery, charger input, isolator
    off = rep(since_off)
    rest = k.start_rest_v + 0.30 * np.exp(-off / 5400.0) * (off < 1e8)
    night = np.floor((t - START + 12 * 3600) / DAY)
    rest = rest - k.start_night_fall * ((t - START) / DAY) * 2.4
    rest = rest + 0 * night
    v_in_guess = rep(v_alt)
    r_f = np.interp(t, grid, r_feed) if np.ndim(r_feed) else np.full(n, r_feed)
    v_alt_s = rep(v_alt)
    for _ in range(4):
        i_in = alt * volt / (0.9 * np.maximum(v_in_guess, 8.0))
        if k.charger == "isolator":
            i_in = alt
        v_start = np.where(engine_s, v_alt_s - (0.006 + k.alt_sag) * i_in, rest)
        v_start = np.where(engine_s, v_start, rest - 0.02 * i_in)
        v_in_guess = v_start - r_f * i_in
    v_start = v_start + slow_noise(rng, n, 0.002, 600)
    if k.run_on_s > 0 or k.charger_self > 0:
        v_start = v_start - np.where((~engine_s) & (alt > 0.5), 0.1 * off / 3600, 0)
    state_iso = np.zeros(n)
    if k.charger == "isolator":
        state_iso = (engine_s & (rep(since_on) >= 60)) | (
            (~engine_s) & (off < k.iso_tied_s)
        )
        if k.iso_sun_tied_s > 0:
            a = START + DAY + 5.5 * 3600
            state_iso |= (t > a) & (t < a + k.iso_sun_tied_s)
        if k.iso_chatter:
            a = START + k.drives[1][0] * 3600 + 600
            w = 540.0 / k.iso_chatter
            inside = (t > a) & (t < a + 540)
            state_iso = np.where(inside, np.floor((t - a) / w) % 2, state_iso)
        state_iso = np.asarray(state_iso).astype(float)
        if k.alt_low_share > 0:
            state_iso = np.where(engine_s & (v_alt_s < 12.8), 0.0, state_iso)
        tied = state_iso > 0.5
        v_tied = volt + 0.004 * np.where(engine_s, alt, 0.0) + 0.01
        v_start = np.where(tied, v_tied, v_start)
        before = engine_s & (rep(since_on) < 60)
        ramp = 12.7 + (k.iso_cut_in + 0.02 - 12.7) * rep(since_on) / 60
        frac = ((t - START) % 60) / 60
        v_start = np.where(
            before, 12.7 + (k.iso_cut_in + 0.02 - 12.7) * frac + 0 * ramp, v_start
        )
    if k.start_step > 0:
        v_start = v_start - np.where(engine_s | (state_iso > 0), 0, fridge_on) * (
            k.start_step
        )
    for c in cranks:
        i = round((c - START) / k.dt)
        w = max(1, int(3 / k.dt))
        v_start[i : i + w] = k.crank_v
        v_in_guess[i : i + w] = np.minimum(v_in_guess[i : i + w], k.crank_v)
    if k.charger_self > 0:
        same = (~engine_s) & (alt > 0.5)
        v_start = np.where(same, volt + 0.02, v_start)
        v_in_guess = np.where(same, volt + 0.01, v_in_guess)
    # fridge feed: 6 mm2, 5 m one way, joints, shared with the fan
    r_fr = (2 * 5 * 0.0172 / 6 * (1 + 0.00393 * (air - 20)) + 0.010) * (
        rng.uniform(0.92, 1.06) if k.r_fridge_scale == 1.0 else 1.0
    )
    r_fr = r_fr * k.r_fridge_scale
    r_fr = r_fr * (1 + k.r_fridge_growth * (t - START) / (t[-1] - START))
    if k.r_fridge_rough > 0:
        r_fr = r_fr + engine_s * np.abs(
            slow_noise(rng, n, k.r_fridge_rough, 240 / k.dt)
        )
    drop_neg = r_fr * k.fridge_neg_share * k.fridge_neg_scale
    drop_all = r_fr * (1 - k.fridge_neg_share) + drop_neg
    shared = 0.4 * 0.03 * loads["fan"]
    v_fridge = volt - drop_all * loads["fridge"] - shared
    v_neg = drop_neg * loads["fridge"] + 0.3 * shared
    inside_temp = 3.0 + 0.8 * slow_noise(rng, n, 1.0, 1800 / k.dt)
    i_mp = 18.2 - 0.07 * (rep(air_m) - 25)
    v_panel = np.where(
        rep(sun_avail) > 0.05,
        i_mp
        * (1 + 0.12 * (1 - np.clip(solar / np.maximum(rep(sun_avail), 0.05), 0, 1))),
        np.where(rep(shape) > 0.02, 19.5, 0.3),
    )
    v_panel = v_panel * np.where(t > START + k.string_from * DAY, k.string_v, 1.0)
    s = {
        "voltage_house_v": volt,
        "current_house_a": cur + k.bypass * (load_s > 0),
        "temp_house_c": up_t(box),
        "current_solar_a": solar,
        "voltage_solar_panel_v": v_panel,
        "current_alternator_a": alt,
        "voltage_alternator_in_v": v_in_guess,
        "temp_alternator_c": up_t(temp_charger),
        "current_charge_a": solar + alt,
        "voltage_fridge_v": v_fridge,
        "voltage_fridge_neg_v": v_neg,
        "temp_fridge_c": inside_temp,
        "temp_fridge_space_c": air
        + k.space_excess * np.clip(0.8 + 0.4 * low_pass(fridge_on, k.dt), 0, 1.1),
        "temp_air_c": air,
        "voltage_start_v": v_start,
        "temp_logger_c": air + 8,
        "state_engine": engine_s.astype(float),
        "voltage_house_half_v": volt / 2 + 0.5 * k.half_gap * (cur > 1.0),
        "current_house_battery2_a": cur * (1 - k.share2),
    }
    for name, x in loads.items():
        s[f"current_{name}_a"] = np.where(rep(dark), 0.0, x)
    if k.charger == "isolator":
        s["state_isolator"] = state_iso
        del s["voltage_alternator_in_v"], s["temp_alternator_c"]
    if k.chemistry == "lfp":
        del s["voltage_house_half_v"]
        for c in range(1, 5):
            bad = k.half_gap if c == 3 else 0.0
            s[f"voltage_house_cell{c}_v"] = volt / 4 + (
                bad if c == 3 else -k.half_gap / 3
            ) * (volt > 13.7)
    if k.solar_unseen:
        s["current_solar_a"] = 0 * solar
        s["current_charge_a"] = alt
    if k.protection_at:
        s["voltage_house_v"] = np.where(rep(dark), 0.3, volt)
        s["voltage_fridge_v"] = np.where(rep(dark), 0.1, v_fridge)
    true_loads = dict(loads.items())
    return World(
        knobs=replace(k),
        t=t,
        minute=grid,
        soc=soc,
        loss=out["loss"],
        s=s,
        loads=true_loads,
        sources={"solar": solar, "alternator": alt},
        cranks=cranks,
        boots=[],
    )


def low_pass(on, dt, tau=900.0):
    """Follow a switched thing slowly, 0..1."""
    per = int(60 / dt)
    m = len(on) // per
    x = on.reshape(m, per).mean(axis=1)
    y = np.zeros(m)
    a = 60 / tau
    for i in range(1, m):
        y[i] = y[i - 1] + a * (x[i] - y[i - 1])
    return np.interp(np.arange(len(on)) / per, np.arange(m), y)
