"""
Make the demo trip: an INVENTED scenario, ten days on two legs, physically sound.

    python replay_data/make_demo.py

Writes ``demo_trip.csv.gz`` beside this file; the rig and the plan are
``config/demo_rig.toml`` and ``config/demo_plan.toml``. Nothing here is a record of a
real vehicle, person or place.

The story: four mild nights by the sea, a day's drive, six hot nights inland. The plan
gives the inverter one hour a day, but somebody leaves it on; inland is hotter than
planned; two days of cloud follow each other, and the second night goes below the floor.
The fridge cable is thinner than described.

The battery is a two-well lead-acid model with resistance, slow polarisation, charge
acceptance and gassing. It shares no code with the estimators.
"""

from __future__ import annotations

import gzip
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

SEED = 20260306
STEP = 5.0
DAYS = 10.25
UTC_OFFSET = 10.5 * 3600.0
START = datetime(2026, 3, 5, 21, 30, tzinfo=UTC).timestamp()

CAPACITY = 100.0
TRUE_CAPACITY = 93.0
LEGS = ((0.0, -34.3, 135.7), (4.25, -30.6, 138.4))
CLEAR = (0.95, 0.9, 0.7, 0.95, 0.9, 0.95, 0.9, 0.50, 0.44, 0.85, 0.95)
AIR_MEAN = (21, 22, 21, 22, 25, 29, 31, 29, 28, 31, 32)
AIR_SWING = (5, 5, 4, 6, 8, 9, 9, 6, 6, 9, 9)
DRIVES = ((0.10, 1.5), (2.15, 0.8), (4.05, 4.0), (6.55, 1.0), (9.12, 1.6))
"""Start in days from the start of the trip, length in hours."""


def sun_elevation(time: float, latitude: float, longitude: float) -> float:
    """Sine of the sun's elevation; declination and equation of time to 0.5 degrees."""
    day = (time / 86400.0 + 10957.5 - 20454.0) % 365.25
    gamma = 2 * math.pi * (time / 86400.0 - 20454.0) / 365.25
    declination = math.radians(-23.44) * math.cos(2 * math.pi * (day + 10) / 365.25)
    equation = 9.87 * math.sin(2 * gamma - 2.8) - 7.53 * math.cos(gamma - 1.4)
    solar = (time % 86400.0) / 3600.0 + longitude / 15.0 + equation / 60.0
    hour = math.radians(15.0 * (solar - 12.0))
    phi = math.radians(latitude)
    return math.sin(phi) * math.sin(declination) + math.cos(phi) * math.cos(
        declination
    ) * math.cos(hour)


def open_circuit(soc: float) -> float:
    """Rest volts of a sealed lead-acid battery, six cells."""
    return 11.70 + 1.18 * soc - 0.08 * (1 - soc) ** 3


class Battery:
    """Two wells of charge, resistance, polarisation, gassing."""

    def __init__(self, soc: float) -> None:
        self.near = 0.35 * soc * TRUE_CAPACITY
        self.far = 0.65 * soc * TRUE_CAPACITY
        self.slow = 0.0
        self.resistance = 0.0085

    @property
    def soc(self) -> float:
        return (self.near + self.far) / TRUE_CAPACITY

    def voltage(self, current: float) -> float:
        near = self.near / (0.35 * TRUE_CAPACITY)
        surface = open_circuit(0.55 * near + 0.45 * self.soc)
        rise = 0.0
        if current > 0:
            room = max(0.0006, 1.002 - self.soc)
            rise = 0.26 * current / TRUE_CAPACITY / room
        return surface + self.slow + self.resistance * current + rise

    def step(self, current: float) -> None:
        hours = STEP / 3600.0
        volts = self.voltage(current)
        gas = 0.012 * math.exp(min(1.9 * (volts - 13.2), 5.0)) if volts > 13.2 else 0.0
        room = max(0.0, 1.002 - self.soc) * TRUE_CAPACITY * 6.0
        kept = min(current - min(gas, max(current, 0.0)), room)
        flow = 0.5 * (self.far / 0.65 - self.near / 0.35) * hours
        self.near = max(0.0, self.near + kept * hours + flow)
        self.far = max(0.0, self.far - flow)
        target = 0.0035 * current
        self.slow += (target - self.slow) * STEP / 1500.0


def cloud_factor(rng: np.random.Generator, n: int) -> np.ndarray:
    """Slow random walk around one, with fast dips on broken days."""
    out = np.empty(n)
    x = 0.0
    noise = rng.normal(size=n)
    for k in range(n):
        x += -x * STEP / 900.0 + 0.35 * noise[k] * math.sqrt(2 * STEP / 900.0)
        out[k] = x
    return out


def habits(rng: np.random.Generator, n: int) -> dict[str, np.ndarray]:
    """Switching of everything that people switch; local time decides."""
    t = START + STEP * np.arange(1, n + 1)
    hour = ((t + UTC_OFFSET) / 3600.0) % 24
    day = ((t + UTC_OFFSET) // 86400.0).astype(int)
    day -= day[0]
    lights, inverter = np.zeros(n), np.zeros(n)
    laptop, phones, pump = np.zeros(n), np.zeros(n), np.zeros(n)
    for d in range(day[-1] + 1):
        on = 19.2 + rng.normal(0, 0.25)
        off = 22.3 + rng.normal(0, 0.4)
        lights[(day == d) & (hour >= on) & (hour < off)] = 1.1
        work = 17.5 + rng.normal(0, 0.4)
        laptop[(day == d) & (hour >= work) & (hour < work + 1.1)] = 52.0
        until = work + 1.2
        if d in {2, 5, 7}:
            until = 24.0
            inverter[(day == d + 1) & (hour < 9.5 + rng.normal(0, 0.5))] = 1.0
        inverter[(day == d) & (hour >= work - 0.05) & (hour < until)] = 1.0
        p = 20.5 + rng.normal(0, 0.5)
        phones[(day == d) & (hour >= p) & (hour < p + 2.2)] = 0.9
        for _ in range(rng.poisson(9)):
            k = int(rng.choice(np.flatnonzero((day == d) & (hour > 6.5))))
            pump[k : k + int(rng.integers(2, 9))] = 4.6
    return {
        "lights": lights,
        "inverter": inverter,
        "laptop": laptop,
        "phones": phones,
        "pump": pump,
        "hour": hour,
        "day": day.astype(float),
    }


def engine_on(n: int) -> np.ndarray:
    """Engine switch from the drives."""
    at = STEP * np.arange(1, n + 1) / 86400.0
    out = np.zeros(n, dtype=bool)
    for begin, hours in DRIVES:
        out |= (at >= begin) & (at < begin + hours / 24.0)
    return out


def simulate() -> dict[str, np.ndarray]:
    """Run the trip second by second (five at a time)."""
    rng = np.random.default_rng(SEED)
    n = int(DAYS * 86400 / STEP)
    use, engine = habits(rng, n), engine_on(n)
    cloud = cloud_factor(rng, n)
    battery = Battery(0.985)
    inside, contents, running = 4.0, 4.0, False
    start_volts, joined_surface = 12.68, 0.0
    house_temp = 22.0
    flat_since, absorbed = 0, 0.0
    names = (
        "voltage_house_v current_house_a temp_house_c current_solar_a "
        "voltage_solar_panel_v current_alternator_a voltage_alternator_in_v "
        "state_engine voltage_start_v current_fridge_a voltage_fridge_v temp_fridge_c "
        "current_inverter_a current_logger_a temp_air_c"
    ).split()
    out = {name: np.empty(n) for name in (*names, "soc")}
    volts, connected = 12.7, True
    for k in range(n):
        t = START + STEP * (k + 1)
        d = (t - START) / 86400.0
        leg = LEGS[1] if d >= LEGS[1][0] else LEGS[0]
        index = min(int(use["day"][k]), len(CLEAR) - 1)
        phase = math.cos(2 * math.pi * (use["hour"][k] - 15.0) / 24.0)
        air = AIR_MEAN[index] + AIR_SWING[index] * phase
        # Fridge: warm contents, a thermostat, a compressor that works harder in heat.
        cabin = air + 2.0
        if running and inside < 2.2:
            running = False
        elif not running and inside > 4.8:
            running = True
        compressor = (47.0 + 0.35 * (cabin - 25.0)) if running and connected else 0.0
        heat = 0.80 * (cabin - inside)
        cold = 1.32 * compressor * (1 - 0.011 * (cabin - 25.0))
        if use["hour"][k] in {8.0, 12.5, 18.5} or rng.random() < 2.2e-4:
            contents += 0.12
        inside += STEP * (heat - cold + 9.0 * (contents - inside)) / 9000.0
        contents += STEP * 9.0 * (inside - contents) / 70000.0
        fridge = compressor / (volts - 0.105 * 4.0) if compressor else 0.03
        inverter = 0.0
        if use["inverter"][k] and connected:
            inverter = 0.62 + use["laptop"][k] / 0.86 / volts
        lights = use["lights"][k] * volts / 12.5 if connected else 0.0
        other = use["phones"][k] + use["pump"][k] if connected else 0.0
        logger = 3.4 / volts
        demand = lights + other + logger + 0.06
        demand += (fridge if connected else 0.0) + inverter
        # Sources: what they could give, cut back to the absorption volts.
        height = sun_elevation(t, leg[1], leg[2])
        potential = 0.0
        if height > 0.02:
            clear = 1098.0 * height * math.exp(-0.059 / height)
            thick = CLEAR[index]
            share = thick * (1.0 + (0.55 if thick < 0.8 else 0.08) * cloud[k])
            cell = 1 - 0.004 * (air + 0.03 * clear * share - 25.0)
            potential = 0.86 * 200.0 * clear / 1000.0 * min(max(share, 0.04), 1.06)
            potential *= cell
        driving = bool(engine[k])
        limit = 14.5 if absorbed < 3 * 3600 else 13.6
        offered_sun = potential / max(volts, 11.0)
        offered_drive = 25.0 if driving else 0.0
        offered = offered_sun + offered_drive
        net = offered - demand
        if net > 0 and battery.voltage(net) > limit:
            low, high = -demand, net
            for _ in range(18):
                mid = 0.5 * (low + high)
                low, high = (mid, high) if battery.voltage(mid) < limit else (low, mid)
            net = low
        given = max(0.0, net + demand)
        drive = min(offered_drive, given)
        sun = min(offered_sun, given - drive)
        near_limit = limit > 14 and battery.voltage(net) > limit - 0.05 and given > 0.1
        absorbed = absorbed + STEP if near_limit else absorbed
        if potential <= 0 and not driving:
            absorbed = 0.0
        net = sun + drive - demand
        battery.step(net)
        volts = battery.voltage(net)
        if volts < 11.2:
            flat_since += 1
            connected = connected and flat_since <= 12
        elif not connected and volts > 12.6:
            connected, flat_since = True, 0
        house_temp += STEP * (air + 3.0 - house_temp) / 20000.0
        if driving:
            start_volts += (14.15 - start_volts) * STEP / 20.0
            joined_surface = 0.55
        else:
            joined_surface *= 1 - STEP / 5400.0
            start_volts = 12.66 - 0.006 * d + joined_surface
        panel = 0.0
        if height > 0.02:
            panel = 17.6 if sun >= offered_sun - 0.05 else 20.4
        out["voltage_house_v"][k] = volts
        out["current_house_a"][k] = net
        out["temp_house_c"][k] = house_temp
        out["current_solar_a"][k] = sun
        out["voltage_solar_panel_v"][k] = panel
        out["current_alternator_a"][k] = drive
        feed = drive * volts / 0.9 / 13.4 * 0.018
        out["voltage_alternator_in_v"][k] = start_volts - feed
        out["state_engine"][k] = float(driving)
        out["voltage_start_v"][k] = start_volts
        out["current_fridge_a"][k] = fridge if connected else 0.0
        out["voltage_fridge_v"][k] = volts - 0.105 * (fridge if connected else 0.0)
        out["temp_fridge_c"][k] = inside
        out["current_inverter_a"][k] = inverter
        out["current_logger_a"][k] = logger
        out["temp_air_c"][k] = air
        out["soc"][k] = battery.soc
    return out


SENSORS = {
    "voltage": (0.00125, 0.0015, 2e-4),
    "current": (0.005, 0.010, 2e-3),
    "temp": (0.0625, 0.04, 0.0),
    "state": (1.0, 0.0, 0.0),
}
"""Step, noise and scale error of each kind of sensor (own choice, no source)."""


def write(trip: dict[str, np.ndarray], path: Path) -> None:
    """Read the trip through imperfect sensors and write it as a native recording."""
    rng = np.random.default_rng(SEED + 1)
    soc = trip.pop("soc")
    n = len(soc)
    keep = np.ones(n, dtype=bool)
    for begin, minutes in ((1.31, 0.6), (6.52, 41.0)):
        a = int(begin * 86400 / STEP)
        keep[a : a + int(minutes * 60 / STEP)] = False
    columns = {}
    for name, true in trip.items():
        step, noise, scale = SENSORS[name.split("_")[0]]
        seen = true * (1 + scale * rng.uniform(-1, 1)) + noise * rng.normal(size=n)
        if name == "current_house_a":
            seen = seen - 0.018
        if name.startswith("voltage"):
            seen = np.maximum(seen, 0.0)
        columns[name] = np.round(np.round(seen / step) * step, 5)
        if step < 1.0:
            columns[name][rng.random(n) < 1e-4] = np.nan
    time = START + STEP * np.arange(1, n + 1)
    stamp = np.datetime_as_string(
        (time * 1000).astype("int64").astype("datetime64[ms]"), unit="s"
    )
    with gzip.GzipFile(path, "wb", compresslevel=9, mtime=0) as file:
        file.write(("time_utc," + ",".join(columns) + "\n").encode())
        data = list(columns.values())
        for k in np.flatnonzero(keep):
            cells = ["" if math.isnan(x[k]) else f"{x[k]:.5g}" for x in data]
            file.write(f"{stamp[k]}Z,{','.join(cells)}\n".encode())


if __name__ == "__main__":
    result = simulate()
    soc = result["soc"]
    hours_below = float((soc < 0.5).mean() * DAYS * 24)
    print(f"lowest true soc {soc.min():.3f}, {hours_below:.1f} h below one half")
    daily = [
        soc[int(k * 86400 / STEP) : int((k + 1) * 86400 / STEP)] for k in range(10)
    ]
    print("daily low", [f"{x.min():.2f}" for x in daily])
    print("daily high", [f"{x.max():.2f}" for x in daily])
    print("fridge Ah/day", result["current_fridge_a"].mean() * 24)
    write(result, Path(__file__).with_name("demo_trip.csv.gz"))
