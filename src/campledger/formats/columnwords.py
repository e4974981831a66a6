"""What column names of other people's files say: quantity, unit and place."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

QUANTITY_WORDS: Mapping[str, frozenset[str]] = {
    "voltage": frozenset(
        [
            "voltage",
            "volt",
            "volts",
            "v",
            "u",
            "mv",
            "spannung",
            "tension",
            "voltaje",
            "tensione",
            "spanning",
            "millivolt",
            "millivolts",
        ]
    ),
    "current": frozenset(
        [
            "current",
            "amps",
            "amp",
            "ampere",
            "amperes",
            "a",
            "i",
            "ma",
            "strom",
            "courant",
            "corriente",
            "corrente",
            "stroom",
            "milliamps",
            "milliamp",
            "shunt",
        ]
    ),
    "temp": frozenset(
        [
            "temp",
            "temperature",
            "temperatur",
            "temperatura",
            "temperatuur",
            "t",
            "degc",
            "celsius",
            "fahrenheit",
        ]
    ),
    "power": frozenset(
        ["power", "watt", "watts", "w", "p", "leistung", "puissance", "potencia", "kw"]
    ),
}
"""Plain words of the trade in several languages. Common practice, no source."""

TIME_WORDS = frozenset(
    [
        "time",
        "timestamp",
        "datetime",
        "zeit",
        "zeitstempel",
        "uhrzeit",
        "heure",
        "hora",
        "ora",
        "tijd",
        "temps",
        "zeitpunkt",
        "utc",
        "epoch",
        "unixtime",
        "ts",
    ]
)
DATE_WORDS = frozenset(["date", "datum", "fecha", "data", "day", "tag", "jour"])

PLACE_WORDS: Mapping[str, frozenset[str]] = {
    "house": frozenset(
        [
            "house",
            "battery",
            "batt",
            "bat",
            "batterie",
            "bateria",
            "accu",
            "akku",
            "aux",
            "auxiliary",
            "leisure",
            "service",
            "bordbatterie",
        ]
    ),
    "start": frozenset(["start", "starter", "crank", "cranking", "starterbatterie"]),
    "solar": frozenset(["solar", "pv", "panel", "sun", "solaire"]),
    "alternator": frozenset(["alternator", "dcdc", "alt", "lichtmaschine"]),
    "fridge": frozenset(
        ["fridge", "kuhlschrank", "frigo", "cooler", "refrigerator", "nevera"]
    ),
    "air": frozenset(
        ["air", "ambient", "outside", "aussen", "outdoor", "exterieur", "cabin"]
    ),
    "logger": frozenset(["logger", "board", "cpu"]),
    "charge": frozenset(["charge", "charging", "charger"]),
}

_UNIT_WORDS: Mapping[str, str] = {
    "v": "V",
    "volt": "V",
    "volts": "V",
    "mv": "mV",
    "millivolt": "mV",
    "millivolts": "mV",
    "a": "A",
    "amp": "A",
    "amps": "A",
    "ampere": "A",
    "amperes": "A",
    "ma": "mA",
    "milliamp": "mA",
    "milliamps": "mA",
    "w": "W",
    "watt": "W",
    "watts": "W",
    "kw": "kW",
    "c": "C",
    "°c": "C",
    "degc": "C",
    "celsius": "C",
    "f": "F",
    "°f": "F",
    "degf": "F",
    "fahrenheit": "F",
    "k": "K",
    "kelvin": "K",
}
_UNIT_QUANTITY: Mapping[str, str] = {
    "V": "voltage",
    "mV": "voltage",
    "A": "current",
    "mA": "current",
    "W": "power",
    "kW": "power",
    "C": "temp",
    "F": "temp",
    "K": "temp",
}
_BRACKET = re.compile(r"[\[(]\s*([^\])]*?)\s*[\])]")
_TAIL = re.compile(r"(?:[_/ ,.-]|\bin\b)\s*([°A-Za-z]+)\s*$")


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What a column's name says; empty where it says nothing."""

    name: str
    quantity: str = ""
    unit: str = ""
    place: str = ""
    time: bool = False
    date: bool = False


def plain(text: str) -> str:
    """Take accents off and put into lower case."""
    spread = unicodedata.normalize("NFKD", text)
    return "".join(c for c in spread if not unicodedata.combining(c)).lower()


def words(name: str) -> list[str]:
    """Take a name apart into plain words; digits fall away."""
    apart = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
    return [w for w in re.split(r"[^a-z]+", plain(apart)) if w]


def read_name(name: str, places: Iterable[str] = ()) -> Reading:
    """
    Read what a column's name says.

    Parameters
    ----------
    name : str
        As in the header, e.g. ``U [V]``.
    places : iterable of str
        Sources and loads of the rig, which may stand in a name.
    """
    unit, rest = _unit(name)
    said = words(rest) or words(name)
    quantity = next(
        (q for q, known in QUANTITY_WORDS.items() if known & set(said)),
        _UNIT_QUANTITY.get(unit, ""),
    )
    if unit and _UNIT_QUANTITY[unit] != quantity:
        quantity = _UNIT_QUANTITY[unit]
    place = next((p for p in places if p in said), "") or next(
        (p for p, known in PLACE_WORDS.items() if known & set(said)), ""
    )
    return Reading(
        name=name,
        quantity=quantity,
        unit=unit,
        place=place,
        time=bool(TIME_WORDS & set(said)) and not unit,
        date=bool(DATE_WORDS & set(said)) and not unit,
    )


def _unit(name: str) -> tuple[str, str]:
    """Split the unit off a name: ``I [mA]``, ``Current_mA``, ``Volts``."""
    bracket = _BRACKET.search(name)
    if bracket:
        unit = _UNIT_WORDS.get(bracket[1].strip().lower(), "")
        if unit:
            return unit, name[: bracket.start()] + name[bracket.end() :]
    tail = _TAIL.search(name)
    if tail:
        unit = _UNIT_WORDS.get(tail[1].lower(), "")
        if unit:
            return unit, name[: tail.start()]
    whole = words(name)
    for word in whole:
        if word in _UNIT_WORDS and len(word) > 2:
            return _UNIT_WORDS[word], name
    return "", name
