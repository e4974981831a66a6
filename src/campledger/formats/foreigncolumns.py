"""Which columns of a foreign recording are which channels, and in which units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.formats.columnwords import Reading, read_name
from campledger.formats.foreignlook import (
    SHORT,
    Look,
    is_numeric,
    numbers_in,
    whole_texts,
)
from campledger.formats.layout import (
    UNITS,
    ColumnMap,
    TimeMap,
)
from campledger.formats.tomlfile import listed, shorten
from campledger.model.quantities import CHANNEL_QUANTITIES
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

NONE = "none"
"""The answer that there is no such column in this file."""


def find_columns(look: Look, time: TimeMap) -> list[ColumnMap]:
    """Match columns to channels by answers and names; ask what several fit."""
    taken = set(time.columns)
    readings = {
        n: read_name(n, look.places) for n in look.names if n and n not in taken
    }
    columns: list[ColumnMap] = []
    for key, name in look.answers.items():
        channel = SHORT.get(key, key)
        if parse_channel(channel) is None:
            continue
        if name not in look.names:
            if name == NONE:
                continue
            look.ask(
                key,
                "columns " + listed(look.names),
                f'"{shorten(name)}" among them',
                f"Name another with --set {key}=NAME.",
            )
            continue
        column = _column(look, readings.pop(name, read_name(name)), channel, key)
        columns += [column] if column else []
    have = {c.channel for c in columns}
    if not _answered(look, "voltage"):
        columns += _one_of(look, readings, "voltage", have)
    if not _answered(look, "current"):
        columns += _one_of(look, readings, "current", have)
    columns += _others(look, readings, {c.channel for c in columns}, columns)
    return columns


def _answered(look: Look, key: str) -> bool:
    return key in look.answers or SHORT[key] in look.answers


def _one_of(
    look: Look, readings: dict[str, Reading], quantity: str, have: set[str]
) -> list[ColumnMap]:
    """Find the column of the house battery's volts or amps, or ask."""
    fitting = [
        r
        for r in readings.values()
        if r.quantity == quantity
        and r.place in {"", "house"}
        and is_numeric(look, r.name)
    ]
    own = [r for r in fitting if r.place == "house"]
    chosen = own if len(own) == 1 else fitting
    if len(chosen) == 1:
        channel = SHORT[quantity]
        column = _column(look, readings.pop(chosen[0].name), channel, quantity)
        return [column] if column and channel not in have else []
    if chosen:
        names = " and ".join(f'"{shorten(r.name)}"' for r in chosen)
        count = {2: "two", 3: "three"}.get(len(chosen), str(len(chosen)))
        look.ask(
            quantity,
            f"{count} possible columns {names}",
            "one",
            f"Choose with --set {quantity}={shorten(chosen[0].name)}.",
        )
    elif quantity == "voltage":
        look.ask(
            "voltage",
            "columns " + listed(look.names),
            "one for battery volts",
            "Name it with --set voltage=NAME.",
        )
    return []


def _others(
    look: Look,
    readings: dict[str, Reading],
    have: set[str],
    columns: list[ColumnMap],
) -> list[ColumnMap]:
    """Take columns whose place is plain; others are left out and said so."""
    out: list[ColumnMap] = []
    wanted: dict[str, list[Reading]] = {}
    for reading in readings.values():
        channel = _channel(reading, look)
        if channel and channel not in have and is_numeric(look, reading.name):
            wanted.setdefault(channel, []).append(reading)
        else:
            look.left_out.append(reading.name)
    for channel, several in wanted.items():
        if len(several) > 1:
            look.left_out.extend(r.name for r in several)
            continue
        unit = several[0].unit or look.answers.get(f"{several[0].quantity}_unit", "")
        if unit:
            out.append(ColumnMap(name=several[0].name, channel=channel, unit=unit))
            look.notes.append(f"{channel} from column {several[0].name!r} in {unit}")
        else:
            look.left_out.append(several[0].name)
    return out


def _channel(reading: Reading, look: Look) -> str:
    known = {"house", "start", "air", "logger", "charge", *look.places}
    if not reading.quantity or reading.place not in known:
        return ""
    return f"{reading.quantity}_{reading.place}_{CHANNEL_QUANTITIES[reading.quantity]}"


def _column(look: Look, reading: Reading, channel: str, key: str) -> ColumnMap | None:
    parsed = parse_channel(channel)
    quantity = parsed.quantity if parsed else reading.quantity
    answered = look.answers.get(f"{quantity}_unit", "")
    unit = answered or (reading.unit if _of(reading.unit, quantity) else "")
    if quantity in {"state", "speed"}:
        unit = "" if quantity == "state" else "m/s"
    elif not unit:
        unit = _unit_by_range(look, reading.name, quantity, key)
    if not unit and quantity != "state":
        return None
    look.notes.append(f"{channel} from column {reading.name!r} in {unit or 'no unit'}")
    return ColumnMap(name=reading.name, channel=channel, unit=unit)


def _of(unit: str, quantity: str) -> bool:
    return bool(unit) and UNITS[unit].quantity == quantity


def _unit_by_range(look: Look, name: str, quantity: str, key: str) -> str:
    """Volts of a 12 V battery tell V from mV; for all else the unit is asked."""
    size = _largest(look, name)
    if quantity == "voltage":
        middle = _middle(look, name)
        for unit, low, high in (("V", 7.0, 18.0), ("mV", 7000.0, 18000.0)):
            if low <= middle <= high:
                look.notes.append(
                    f"column {name!r} has no unit; its size is that of {unit}"
                )
                return unit
    units = {
        "voltage": ("V", "mV"),
        "current": ("A", "mA"),
        "power": ("W", "kW"),
        "temp": ("C", "F"),
    }[quantity]
    small, big = units
    over = UNITS[big].over * UNITS[small].over
    second = size / over if quantity in {"voltage", "current"} else size
    core = units[0] if quantity in {"voltage", "current"} else big
    expected = (
        f"{small} or {big} (as {small} this is {size:.6g} {small}, "
        f"as {big} {second:.6g} {core})"
    )
    look.ask(
        key,
        f"no unit; expected {expected}",
        "",
        f"Give --set {quantity}_unit={small} or {big}.",
    )
    return ""


def _values(look: Look, name: str) -> FloatArray:
    """Give all numbers of a column of the whole file."""
    return numbers_in(whole_texts(look, (name,)), look.decimal)


def _largest(look: Look, name: str) -> float:
    values = _values(look, name)
    return float(np.abs(values).max()) if len(values) else 0.0


def _middle(look: Look, name: str) -> float:
    numbers = numbers_in(look.column(name), look.decimal)
    return float(np.median(numbers)) if len(numbers) else float("nan")
