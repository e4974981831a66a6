"""
The glossary, as data: every name, its unit and its meaning.

Column headers, axis labels, the README's table and the docstring test are made from it.
Units are spelt after UCUM (A.h, Cel, Ohm, 1 for a share) and fixed inside the core.
"""

from collections.abc import Mapping
from dataclasses import dataclass

CHANNEL_QUANTITIES: Mapping[str, str] = {
    "voltage": "v",
    "current": "a",
    "power": "w",
    "temp": "c",
    "state": "",
    "speed": "mps",
}
"""Quantity word of a channel name, and the unit suffix that it must carry."""

CELLS = tuple(f"cell{n}" for n in range(1, 17))
BATTERIES = tuple(f"battery{n}" for n in range(2, 9))
QUALIFIERS = frozenset(
    ("panel", "in", "min", "max", "half", "neg", "space", *CELLS, *BATTERIES)
)

PLACES = ("house", "start", "air", "logger", "engine", "isolator", "charge")
"""Places that every rig has; sources and loads add their own."""

PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    "voltage": (0.0, 80.0),
    "current": (-2000.0, 2000.0),
    "power": (-30000.0, 30000.0),
    "temp": (-60.0, 150.0),
    "state": (0.0, 1.0),
    "speed": (0.0, 100.0),
}
"""Bounds outside which a reading is kept as missing. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """One entry of the glossary."""

    name: str
    unit: str
    meaning: str


def _table(*rows: tuple[str, str, str]) -> Mapping[str, Quantity]:
    return {n: Quantity(name=n, unit=u, meaning=m) for n, u, m in rows}


GLOSSARY: Mapping[str, Quantity] = _table(
    ("time_utc", "s", "end of the period, or instant, since 1970 UTC"),
    ("minute_utc", "s", "ends of whole minutes, since 1970 UTC"),
    ("duration", "s", "length of a period"),
    ("coverage", "1", "share of the period with valid readings"),
    ("voltage_house", "V", "at the house battery's terminals"),
    ("voltage_open_circuit", "V", "no current, at rest"),
    ("voltage_cutoff", "V", "discharge ends here"),
    ("current_house", "A", "house battery current, + into the battery"),
    ("current_standing", "A", "draw with everything off"),
    ("soc", "1", "state of charge: charge left over capacity now"),
    ("soc_std", "1", "standard uncertainty of soc"),
    ("floor", "1", "share of the capacity now that the owner wants left"),
    ("charge", "A.h", "integral of current"),
    ("energy", "W.h", "integral of power"),
    ("capacity", "A.h", "what a full battery gives today at its rated hours, 25 Cel"),
    ("capacity_rated", "A.h", "declared by the maker"),
    ("duration_rated", "s", "discharge time of that rating"),
    ("resistance", "Ohm", "ohmic resistance, method stated"),
    ("coulombic_efficiency", "1", "charge out over charge in"),
    ("temp_house", "Cel", "house battery case"),
    ("temp_air", "Cel", "air outside the fridge"),
    ("temp_fridge", "Cel", "inside the fridge"),
    ("duty", "1", "share of time running"),
    ("power", "W", "mean over the period"),
    ("power_possible", "W", "had the battery taken everything"),
    ("poa_global", "W/m2", "irradiance on the panel plane"),
    ("difference", "K", "air minus inside temperature"),
    ("latitude", "deg", "north positive"),
    ("longitude", "deg", "east positive"),
    ("utc_offset", "s", "rig time minus UTC"),
    ("hours", "h", "how long until, or length of a stretch in words"),
    ("length", "m", "one way along a cable; a loop is twice that"),
    ("mass", "kg", "what is carried"),
    ("elevation", "deg", "of the sun above the horizon"),
    ("zenith", "deg", "of the sun from straight up"),
    ("azimuth", "deg", "clockwise from north"),
    ("tilt", "deg", "of a panel from level"),
    ("ghi", "W/m2", "irradiance on the flat"),
    ("time_constant", "s", "of a fall to 1/e"),
    ("share", "1", "part of a whole, 0..1"),
    ("efficiency", "1", "out over in"),
)

FAMILIES: Mapping[str, str] = {
    "voltage": "V",
    "volts": "V",
    "current": "A",
    "amps": "A",
    "power": "W",
    "energy": "W.h",
    "charge": "A.h",
    "capacity": "A.h",
    "resistance": "Ohm",
    "temp": "Cel",
    "soc": "1",
    "duration": "s",
    "time": "s",
    "utc": "s",
    "share": "1",
    "ratio": "1",
}
"""Unit of every name that begins, or for ``utc`` and ``share`` ends, with this word."""

UNITS_KNOWN = frozenset(
    {unit.unit for unit in GLOSSARY.values()}
    | set(FAMILIES.values())
    | {"min", "d", "1/K", "V/K", "W/K", "1/h", "byte"}
)
"""The only spellings of units in docstrings: one unit, one spelling (after UCUM)."""
