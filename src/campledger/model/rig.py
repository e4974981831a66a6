"""
A rig as its owner describes it: frozen, validated at the file's edge.

Core units without suffix: V, A, W, Ohm, s, A.h, Cel, m, kg; shares 0..1.
``Rig.assumed`` names every key (dotted, as in the file) that holds a default, so that
whatever it decides can say "assumed".
"""

from __future__ import annotations

from dataclasses import dataclass, field

from campledger.model.quantities import PLACES

LEAD = frozenset({"flooded", "agm", "gel"})
CHEMISTRIES = ("flooded", "agm", "gel", "lfp")
COOLING = frozenset({"fridge", "freezer"})
SOURCE_KINDS = ("solar", "dcdc", "isolator", "mains")
LOAD_KINDS = (
    "fridge",
    "freezer",
    "inverter",
    "lights",
    "pump",
    "fan",
    "charger",
    "logger",
    "heater",
    "standby",
    "other",
)


@dataclass(frozen=True, kw_only=True)
class House:
    """The house battery."""

    chemistry: str
    capacity_rated: float
    duration_rated: float = 72000.0
    capacity_now: float | None = None
    voltage_nominal: float = 12.8
    floor: float = 0.5
    voltage_absorption: float = 14.4
    voltage_float: float = 13.6
    voltage_cutoff: float = 11.0
    current_full: float = 4.0
    duration_full: float = 1800.0
    current_charge_max: float = 50.0
    temp_charge_min: float = 0.0
    temp_charge_max: float = 45.0
    voltage_charge_high: float = 15.0
    temp_compensation: float = 0.0
    mass: float | None = None
    open_circuit: tuple[tuple[float, float], ...] = ()

    @property
    def is_lead(self) -> bool:
        """Tell lead-acid from lithium."""
        return self.chemistry in LEAD


@dataclass(frozen=True, kw_only=True)
class StartBattery:
    """The start battery."""

    chemistry: str = "flooded"
    voltage_rested_ok: float = 12.5
    voltage_rested_low: float = 12.2
    mass: float | None = None


@dataclass(frozen=True, kw_only=True)
class Source:
    """A thing that charges: sun, engine charger, isolator or mains."""

    name: str
    kind: str
    power_panel: float | None = None
    tilt: float = 0.0
    azimuth: float = 0.0
    regulator: str = "mppt"
    current_rated: float | None = None
    voltage_absorption: float = 14.4
    voltage_float: float = 13.6
    efficiency: float = 0.90
    voltage_input_min: float = 12.0
    temp_derate: float = 55.0
    voltage_cut_in: float = 13.3
    voltage_cut_out: float = 12.8
    mass: float | None = None


@dataclass(frozen=True, kw_only=True)
class Load:
    """A thing that uses."""

    name: str
    kind: str
    current_on: float | None = None
    current_idle: float | None = None
    temp_set: float | None = None
    temp_cold_line: float = 5.0
    voltage_cut_out: float | None = None
    voltage_restart: float | None = None
    contents: str = "food"
    never_list: bool = False
    mass: float | None = None


@dataclass(frozen=True, kw_only=True)
class Cable:
    """A run of cable; ``length`` is one way, ``area`` copper in mm2."""

    name: str
    place_from: str
    place_to: str
    length: float
    size: str
    area: float
    current_fuse: float | None = None
    distance_fuse: float | None = None
    current_rating: float | None = None
    mass: float | None = None


@dataclass(frozen=True, kw_only=True)
class PriceOption:
    """A price that the owner typed for a change."""

    change: str
    amount: float
    life_years: float | None = None
    life_cycles: float | None = None


@dataclass(frozen=True, kw_only=True)
class Correction:
    """The only thing that changes a reading: value = scale * raw + offset."""

    channel: str
    scale: float = 1.0
    offset: float = 0.0
    start_utc: float | None = None
    end_utc: float | None = None
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """A chip or meter and the channels it feeds (role -> channel)."""

    driver: str
    bus: str
    address: int | None = None
    shunt: float | None = None
    current_max: float | None = None
    channels: tuple[tuple[str, str], ...] = ()
    interval: float = 1.0
    map_file: str = ""
    options: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, kw_only=True)
class LoggerSettings:
    """How the daemon behaves; bytes where a size is meant."""

    window: float = 10.0
    free_warn: float = 200e6
    free_low: float = 50e6
    act_command: str = ""


@dataclass(frozen=True, kw_only=True)
class PushSettings:
    """Where readings are pushed to."""

    url: str = ""
    org: str = ""
    bucket: str = ""
    token_file: str = ""


@dataclass(frozen=True, kw_only=True)
class Rig:
    """The vehicle as described, and its sensors."""

    name: str
    timezone: str
    house: House
    latitude: float | None = None
    longitude: float | None = None
    start: StartBattery | None = None
    alternator: str = "unknown"
    sources: tuple[Source, ...] = ()
    loads: tuple[Load, ...] = ()
    cables: tuple[Cable, ...] = ()
    mass_limit: float | None = None
    mass_weighed: float | None = None
    nights_per_year: float | None = None
    currency: str = ""
    prices: tuple[PriceOption, ...] = ()
    corrections: tuple[Correction, ...] = ()
    sensors: tuple[Sensor, ...] = ()
    logger: LoggerSettings = field(default_factory=LoggerSettings)
    page_listen: str = "127.0.0.1:8080"
    push: PushSettings = field(default_factory=PushSettings)
    sampling: str = "point"
    assumed: frozenset[str] = frozenset()
    fingerprint: str = ""

    def source(self, name: str) -> Source | None:
        """Find a source by name."""
        return next((s for s in self.sources if s.name == name), None)

    def load(self, name: str) -> Load | None:
        """Find a load by name."""
        return next((x for x in self.loads if x.name == name), None)

    def cable_to(self, place: str) -> Cable | None:
        """Find the run that ends at a place."""
        return next((c for c in self.cables if c.place_to == place), None)

    def places(self) -> frozenset[str]:
        """Name every place that a channel may belong to."""
        named = {s.name for s in self.sources} | {x.name for x in self.loads}
        return frozenset(named) | frozenset((*PLACES, "vehicle"))
