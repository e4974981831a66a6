"""How a recording is laid out: which column is which channel, unit, sign and time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.formats.tomlfile import shorten

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.series import FloatArray


@dataclass(frozen=True, kw_only=True)
class Unit:
    """A unit of a file: core = (value - offset) * times / over, each step exact."""

    quantity: str
    times: float = 1.0
    over: float = 1.0
    offset: float = 0.0


UNITS: Mapping[str, Unit] = {
    "V": Unit(quantity="voltage"),
    "mV": Unit(quantity="voltage", over=1000.0),
    "A": Unit(quantity="current"),
    "mA": Unit(quantity="current", over=1000.0),
    "W": Unit(quantity="power"),
    "kW": Unit(quantity="power", times=1000.0),
    "C": Unit(quantity="temp"),
    "F": Unit(quantity="temp", offset=32.0, times=5.0, over=9.0),
    "K": Unit(quantity="temp", offset=273.15),
    "m/s": Unit(quantity="speed"),
    "km/h": Unit(quantity="speed", over=3.6),
    "": Unit(quantity="state"),
}

DECIMALS = 9
"""Digits kept by a change of unit, so that 13475.96 mV is 13.47596 V exactly."""
WORDS: Mapping[str, str] = {"voltage_house_v": "volts", "current_house_a": "current"}

ENCODINGS = ("utf-8", "utf-16", "cp1252")
SEPARATORS: Mapping[str, str] = {
    "comma": ",",
    "semicolon": ";",
    "tab": "\t",
    "bar": "|",
}
TIME_FORMATS = ("text", "epoch_s", "epoch_ms", "sheet")
DATE_ORDERS = ("ymd", "dmy", "mdy")


@dataclass(frozen=True, kw_only=True)
class ColumnMap:
    """One column that is used; ``sign`` -1 turns it into the house's sense."""

    name: str
    channel: str
    unit: str
    sign: int = 1

    @property
    def word(self) -> str:
        """Name the column in messages: plain words for the two that matter most."""
        return WORDS.get(self.channel) or shorten(self.name)

    def convert(self, value: FloatArray) -> FloatArray:
        """Turn the file's numbers into the core's unit and sense."""
        unit = UNITS[self.unit]
        if unit.offset:
            value = value - unit.offset
        if unit.times != 1.0:
            value = value * unit.times
        if unit.over != 1.0:
            value = value / unit.over
        if unit.over != 1.0 or unit.times != 1.0 or unit.offset:
            value = np.round(value, DECIMALS)
        return value if self.sign > 0 else -value


@dataclass(frozen=True, kw_only=True)
class TimeMap:
    """
    Where the time stands and how it is written.

    ``columns`` are one name, or date and time; empty if ``boot`` and ``uptime`` rule
    alone. ``zone`` holds for texts without offset. ``date_order`` may be empty for
    times that begin with the year or have ``start_date``.
    """

    columns: tuple[str, ...] = ("time_utc",)
    format: str = "text"
    zone: str = "UTC"
    date_order: str = "ymd"
    start_date: str = ""
    boot: str = ""
    uptime: str = ""


@dataclass(frozen=True, kw_only=True)
class RecordingMap:
    """Everything that is needed to read a recording without looking again."""

    columns: tuple[ColumnMap, ...]
    time: TimeMap
    encoding: str = "utf-8"
    separator: str = ","
    decimal: str = "."
    header_line: int = 1
    sampling: str = ""
    native: bool = False
