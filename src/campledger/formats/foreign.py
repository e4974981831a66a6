"""
Other people's recordings: a map proposed by looking; what two answers fit is asked.

Nothing here is guessed. A hint may help the person, it is never applied.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import Fault, FaultsError
from campledger.formats.columnwords import Reading, read_name
from campledger.formats.dateorder import find_order
from campledger.formats.layout import (
    DATE_ORDERS,
    SEPARATORS,
    UNITS,
    ColumnMap,
    RecordingMap,
    TimeMap,
)
from campledger.formats.recording import Recording, thousands
from campledger.formats.textsource import TextSource, refuse
from campledger.formats.timetext import match_time, zone_of
from campledger.formats.tomlfile import listed, shorten
from campledger.model.quantities import CHANNEL_QUANTITIES
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from campledger.model.series import FloatArray

LOOK = 400
"""Rows looked at for shapes; whole files are read where one row may decide."""
STEPS_NEEDED = 20
STEP_LEAST = 0.5
"""Steps of current [A] that tell its sign, and how many are needed."""
STEPS_AGREE = 0.9
SIGN_ROWS = 400_000

SET_KEYS = (
    "voltage",
    "current",
    "time",
    "date",
    "current_sign",
    "current_unit",
    "voltage_unit",
    "temp_unit",
    "power_unit",
    "date_order",
    "start_date",
    "zone",
    "decimal",
    "separator",
    "time_format",
    "sampling",
)
_SHORT: Mapping[str, str] = {"voltage": "voltage_house_v", "current": "current_house_a"}
NONE = "none"
"""The answer that there is no such column in this file."""
_POINT = re.compile(r"[+-]?\d+\.\d+")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_GROUPED = re.compile(r"[+-]?\d{1,3},\d{3}")
_NUMERIC = re.compile(r"[+-]?\d*[.,]?\d+(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """A map for confirmation, and in words what was seen."""

    layout: RecordingMap
    notes: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(kw_only=True)
class _Look:
    """What one look at a file has shown, and what must be asked."""

    path: Path
    answers: Mapping[str, str]
    places: tuple[str, ...]
    zone: str
    separator: str = ","
    decimal: str = "."
    header_line: int = 1
    names: tuple[str, ...] = ()
    rows: list[list[str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def ask(
        self, place: str, got: str, expected: str, how: str, *, line: int = 0
    ) -> None:
        """Note a question in one line that tells how to answer."""
        self.faults.append(
            Fault(
                file=self.path.name,
                line=line or self.header_line,
                field=place,
                got=got,
                expected=expected,
                effect=f"{how} Nothing loaded.",
            )
        )

    def column(self, name: str) -> list[str]:
        """Give the looked-at texts of a column that are not empty."""
        at = self.names.index(name)
        return [row[at] for row in self.rows if row[at]]


def propose_map(
    path: Path,
    *,
    answers: Mapping[str, str] | None = None,
    places: Iterable[str] = (),
    zone: str = "UTC",
) -> Proposal:
    """
    Look at a foreign text recording and propose its map.

    Parameters
    ----------
    path : Path
        The recording.
    answers : mapping of str to str
        What ``--set KEY=VALUE`` has answered; a channel's name may be a key too.
    places : iterable of str
        Sources and loads of the rig.
    zone : str
        The rig's zone, for times that carry no offset.

    Raises
    ------
    FaultsError
        Everything that must be asked, one line each.
    """
    look = _Look(path=path, answers=answers or {}, places=tuple(places), zone=zone)
    check_answers(path, look.answers)
    source = TextSource(path)
    text = source.head.decode(source.encoding, "replace").removeprefix("\ufeff")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(text) > 100_000:
        lines.pop()
    _find_table(look, lines)
    time = _find_time(look)
    columns = _find_columns(look, time)
    if look.faults:
        raise FaultsError(*look.faults)
    layout = RecordingMap(
        columns=tuple(columns),
        time=time,
        encoding=source.encoding,
        separator=look.separator,
        decimal=look.decimal,
        header_line=look.header_line,
        sampling=look.answers.get("sampling", ""),
    )
    layout = _find_sign(look, layout)
    if look.faults:
        raise FaultsError(*look.faults)
    return Proposal(
        layout=layout, notes=tuple(look.notes), left_out=tuple(look.left_out)
    )


def check_answers(path: Path, answers: Mapping[str, str]) -> None:
    """Refuse keys and values of ``--set`` that mean nothing."""
    allowed: Mapping[str, tuple[str, ...]] = {
        "current_sign": ("+in", "+out"),
        "date_order": DATE_ORDERS,
        "decimal": (".", ","),
        "separator": tuple(SEPARATORS),
        "sampling": ("point", "mean"),
        "current_unit": ("A", "mA"),
        "voltage_unit": ("V", "mV"),
        "temp_unit": ("C", "F", "K"),
        "power_unit": ("W", "kW"),
        "time_format": ("text", "epoch_s", "epoch_ms", "sheet"),
    }
    faults = []
    for key, value in answers.items():
        expected = ""
        if key not in SET_KEYS and key != "recorder" and parse_channel(key) is None:
            expected = "one of " + ", ".join(SET_KEYS) + " or a channel"
        elif key in allowed and value not in allowed[key]:
            expected = " or ".join(allowed[key])
        elif key == "zone" and zone_of(value) is None:
            expected = "a zone or offset, e.g. +08:00"
        elif key == "start_date" and not _is_date(value):
            expected = "a date, e.g. 2026-05-01"
        if expected:
            faults.append(
                Fault(
                    file=path.name,
                    field=f"--set {key}",
                    got=f'"{shorten(value)}"',
                    expected=expected,
                    effect="Nothing loaded.",
                )
            )
    if faults:
        raise FaultsError(*faults)


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _find_table(look: _Look, lines: list[str]) -> None:
    """Find separator, header line, decimal mark and the first rows."""
    chosen = look.answers.get("separator")
    marks = [SEPARATORS[chosen]] if chosen else list(SEPARATORS.values())
    best = max(marks, key=lambda m: _fits(lines[:LOOK], m))
    look.separator = best
    width = _width(lines[:LOOK], best)
    header = _header_at(lines, best, width)
    if width < 2 or header is None:
        raise refuse(
            look.path,
            "header",
            f'"{shorten(lines[0])}"',
            "a line of column names over rows of numbers",
            line=1,
        )
    look.header_line = header + 1
    look.names = tuple(_fields(lines[header], best))
    twice = [n for n, count in Counter(look.names).items() if count > 1 and n]
    if twice:
        got = f'column "{shorten(twice[0])}" twice'
        raise refuse(look.path, "header", got, "each once", line=header + 1)
    look.rows = [
        f
        for f in (_fields(x, best) for x in lines[header + 1 : header + 1 + LOOK])
        if len(f) == width
    ]
    _find_decimal(look)
    words = {mark: name for name, mark in SEPARATORS.items()}
    look.notes.append(
        f"separator {words[best]}, decimal mark {look.decimal!r}, "
        f"column names in line {look.header_line}"
    )


def _fields(line: str, mark: str) -> list[str]:
    if '"' not in line:
        return [f.strip() for f in line.split(mark)]
    parts = re.findall(
        rf'(?:^|{re.escape(mark)})(?:"([^"]*)"|([^{re.escape(mark)}]*))', line
    )
    return [(a or b).strip() for a, b in parts]


def _width(lines: list[str], mark: str) -> int:
    counts = Counter(len(_fields(x, mark)) for x in lines if x.strip())
    return counts.most_common(1)[0][0] if counts else 0


def _fits(lines: list[str], mark: str) -> tuple[float, int]:
    """Score a separator: share of lines that have its usual width, and the width."""
    filled = [x for x in lines if x.strip()]
    width = _width(filled, mark)
    if width < 2:
        return (0.0, 0)
    rows = [_fields(x, mark) for x in filled]
    steady = sum(len(r) == width for r in rows) / len(rows)
    cells = [c for r in rows[1:] if len(r) == width for c in r if c]
    good = sum(bool(_NUMERIC.fullmatch(c) or match_time(c.encode())) for c in cells)
    return (steady * (0.2 + good / max(1, len(cells))), width)


def _header_at(lines: list[str], mark: str, width: int) -> int | None:
    for n in range(min(len(lines) - 1, 200)):
        fields = _fields(lines[n], mark)
        if len(fields) != width or not any(fields):
            continue
        numbers = sum(bool(_NUMERIC.fullmatch(f)) for f in fields if f)
        times = sum(match_time(f.encode()) is not None for f in fields)
        return None if numbers + times else n
    return None


def _find_decimal(look: _Look) -> None:
    answer = look.answers.get("decimal")
    cells = [c for row in look.rows for c in row]
    commas = [c for c in cells if _COMMA.fullmatch(c)]
    points = sum(bool(_POINT.fullmatch(c)) for c in cells)
    if answer:
        look.decimal = answer
    elif commas and not points and all(_GROUPED.fullmatch(c) for c in commas):
        look.ask(
            "decimal mark",
            f'"{commas[0]}"',
            "one reading of the comma",
            "Give --set decimal=, or decimal=. (then it parts thousands).",
            line=look.header_line + 1,
        )
    elif len(commas) > points:
        look.decimal = ","


def _find_time(look: _Look) -> TimeMap:
    names = _time_columns(look)
    if not names:
        look.ask(
            "time",
            "columns " + listed(look.names),
            "one for the time",
            "Name it with --set time=NAME.",
        )
        return TimeMap()
    first = " ".join(look.column(n)[0] if look.column(n) else "" for n in names)
    answered = look.answers.get("time_format")
    kind = answered or _time_format(look, names, first)
    zone = look.answers.get("zone") or look.zone
    if kind.startswith("epoch"):
        zone = "UTC"
    if kind == "text":
        return _text_time(look, names, first, zone)
    if kind:
        look.notes.append(f"time in column {names[0]} as {kind}, zone {zone}")
    return TimeMap(columns=names, format=kind or "text", zone=zone)


def _time_columns(look: _Look) -> tuple[str, ...]:
    said = look.answers.get("time"), look.answers.get("date")
    for name in said:
        if name and name not in look.names:
            shown = "columns " + listed(look.names)
            look.ask("time", shown, f'"{name}" among them', "Name another.")
            return ()
    if said[0]:
        return (said[1], said[0]) if said[1] else (said[0],)
    readings = [read_name(n) for n in look.names]
    dates = [r.name for r in readings if r.date and not r.time]
    times = [r.name for r in readings if r.time]
    full = [n for n in (*times, *dates) if _dated(look, n)]
    if full:
        return (full[0],)
    only_dates = [n for n in dates if _date_only(look, n)]
    if only_dates and times:
        return (only_dates[0], times[0])
    if times:
        return (times[0],)
    found = [n for n in look.names if _dated(look, n)]
    return (found[0],) if len(found) == 1 else ()


def _dated(look: _Look, name: str) -> bool:
    texts = look.column(name)
    spans = match_time(texts[0].encode()) if texts else None
    return spans is not None and "a" in spans.parts


def _date_only(look: _Look, name: str) -> bool:
    texts = look.column(name)
    spans = match_time(f"{texts[0]} 00:00:00".encode()) if texts else None
    return spans is not None and "a" in spans.parts


def _time_format(look: _Look, names: tuple[str, ...], first: str) -> str:
    """Tell text, epoch and sheet serial apart by their ranges, which do not meet."""
    if match_time(first.encode()):
        return "text"
    number = first.replace(",", ".")
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    for kind, low, high in (
        ("epoch_s", 9e8, 4.2e9),
        ("epoch_ms", 9e11, 4.2e12),
        ("sheet", 30000.0, 75000.0),
    ):
        if low <= value <= high:
            return kind
    look.ask(
        "time",
        f'"{shorten(first)}"',
        "a date and time, seconds since 1970 or a sheet's day number",
        "Name the column with --set time=NAME.",
        line=look.header_line + 1,
    )
    return ""


def _text_time(look: _Look, names: tuple[str, ...], first: str, zone: str) -> TimeMap:
    spans = match_time(first.encode())
    base = TimeMap(columns=names, zone=zone)
    if spans is None:
        look.ask(
            "time",
            f'"{shorten(first)}"',
            "a date and time",
            "Name the column with --set time=NAME.",
            line=look.header_line + 1,
        )
        return base
    if "a" not in spans.parts:
        start = look.answers.get("start_date", "")
        if not start:
            look.ask(
                "time",
                f'"{first}"',
                "a date too",
                "Give --set start_date=YYYY-MM-DD.",
                line=look.header_line + 1,
            )
        return replace(base, start_date=start)
    order = look.answers.get("date_order") or _order(look, names, first)
    if not spans.zoned:
        look.notes.append(f"times carry no offset; taken as {zone} time")
    return replace(base, date_order=order or "ymd")


def _order(look: _Look, names: tuple[str, ...], first: str) -> str:
    """Find the order of day and month, or ask."""
    found = find_order(_texts(look, names, dates_only=True))
    if len(found.orders) == 1:
        order = found.orders[0]
        if found.decided_by:
            look.notes.append(f"dates are {order}, as {found.decided_by} shows")
        return order
    hint = " (" + found.hint + ")" if found.hint else ""
    choices = " or ".join(found.orders) or "dmy or mdy"
    look.ask(
        "time",
        f'"{shorten(first)}"',
        "to know day from month",
        f"Give --set date_order={choices}{hint}.",
        line=look.header_line + 1,
    )
    return ""


def _texts(
    look: _Look, names: tuple[str, ...], *, dates_only: bool = False
) -> Iterator[str]:
    """
    Give the texts of columns of the whole file.

    With ``dates_only`` a block that begins and ends on one date gives its ends alone.
    """
    at = [look.names.index(n) for n in names]
    mark, width = look.separator.encode(), len(look.names)
    header = True
    for block in TextSource(look.path).blocks():
        lines = block.data.split(b"\n")
        if dates_only and not header and len(lines) > 3:
            first, last = (lines[k].split(mark) for k in (0, -2))
            if (
                len(first) == len(last) == width
                and first[at[0]][:10] == last[at[0]][:10]
            ):
                lines = [lines[0]]
        for line in lines:
            if header:
                header = block.line == 1 and line.count(mark) != width - 1
                continue
            fields = line.split(mark)
            if len(fields) == width:
                texts = (fields[k].strip().strip(b'"') for k in at)
                yield b" ".join(texts).decode("utf-8", "replace")


def _find_columns(look: _Look, time: TimeMap) -> list[ColumnMap]:
    taken = set(time.columns)
    readings = {
        n: read_name(n, look.places) for n in look.names if n and n not in taken
    }
    columns: list[ColumnMap] = []
    for key, name in look.answers.items():
        channel = _SHORT.get(key, key)
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


def _answered(look: _Look, key: str) -> bool:
    return key in look.answers or _SHORT[key] in look.answers


def _one_of(
    look: _Look, readings: dict[str, Reading], quantity: str, have: set[str]
) -> list[ColumnMap]:
    """Find the column of the house battery's volts or amps, or ask."""
    fitting = [
        r
        for r in readings.values()
        if r.quantity == quantity
        and r.place in {"", "house"}
        and _numeric(look, r.name)
    ]
    own = [r for r in fitting if r.place == "house"]
    chosen = own if len(own) == 1 else fitting
    if len(chosen) == 1:
        channel = _SHORT[quantity]
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


def _numeric(look: _Look, name: str) -> bool:
    texts = look.column(name)
    good = sum(bool(_NUMERIC.fullmatch(t)) for t in texts)
    return good > 0.5 * len(texts) if texts else False


def _others(
    look: _Look,
    readings: dict[str, Reading],
    have: set[str],
    columns: list[ColumnMap],
) -> list[ColumnMap]:
    """Take columns whose place is plain; others are left out and said so."""
    out: list[ColumnMap] = []
    wanted: dict[str, list[Reading]] = {}
    for reading in readings.values():
        channel = _channel(reading, look)
        if channel and channel not in have and _numeric(look, reading.name):
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


def _channel(reading: Reading, look: _Look) -> str:
    known = {"house", "start", "air", "logger", "charge", *look.places}
    if not reading.quantity or reading.place not in known:
        return ""
    return f"{reading.quantity}_{reading.place}_{CHANNEL_QUANTITIES[reading.quantity]}"


def _column(look: _Look, reading: Reading, channel: str, key: str) -> ColumnMap | None:
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


def _unit_by_range(look: _Look, name: str, quantity: str, key: str) -> str:
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


def _values(look: _Look, name: str) -> FloatArray:
    """Give all numbers of a column of the whole file."""
    return _numbers(_texts(look, (name,)), look.decimal)


def _numbers(texts: Iterable[str], decimal: str) -> FloatArray:
    """Read what is a number in the file's own style; the rest is no evidence."""
    out: list[float] = []
    for text in texts:
        plain = text.replace(",", ".") if decimal == "," else text
        if "," not in plain and _NUMERIC.fullmatch(plain):
            out.append(float(plain))
    numbers = np.array(out, dtype=np.float64)
    return numbers[np.isfinite(numbers)]


def _largest(look: _Look, name: str) -> float:
    values = _values(look, name)
    return float(np.abs(values).max()) if len(values) else 0.0


def _middle(look: _Look, name: str) -> float:
    numbers = _numbers(look.column(name), look.decimal)
    return float(np.median(numbers)) if len(numbers) else float("nan")


def _find_sign(look: _Look, layout: RecordingMap) -> RecordingMap:
    """Find which way the current counts up: a charging step lifts the volts."""
    wanted = _SHORT["current"]
    if wanted not in [c.channel for c in layout.columns]:
        return layout
    answer = look.answers.get("current_sign")
    sign = (1 if answer == "+in" else -1) if answer else _sign_by_steps(look, layout)
    if not sign:
        look.ask(
            "current",
            "charge and discharge could not be told apart; expected + on charge",
            "",
            "Give --set current_sign=+in or +out.",
        )
        return layout
    return replace(
        layout,
        columns=tuple(
            replace(c, sign=sign) if c.channel == wanted else c for c in layout.columns
        ),
    )


def _sign_by_steps(look: _Look, layout: RecordingMap) -> int:
    pair = (_SHORT["voltage"], _SHORT["current"])
    only = replace(
        layout, columns=tuple(c for c in layout.columns if c.channel in pair)
    )
    if len(only.columns) < 2:
        return 0
    up = down = rows = 0
    for chunk in Recording(look.path, only, look.names, keep_rejected=False):
        volts, amps = chunk.values[pair[0]], chunk.values[pair[1]]
        d_volts, d_amps = np.diff(volts), np.diff(amps)
        step = (np.abs(d_amps) >= STEP_LEAST) & (np.abs(d_volts) >= 0.002)
        rising = d_volts[step] * d_amps[step] > 0
        up, down = up + int(rising.sum()), down + int((~rising).sum())
        rows += len(volts)
        if rows > SIGN_ROWS:
            break
    total = up + down
    if total < STEPS_NEEDED or max(up, down) < STEPS_AGREE * total:
        return 0
    sign, word = (1, "+in") if up > down else (-1, "+out")
    look.notes.append(
        f"current counts {word}: volts follow it so in {thousands(max(up, down))} of "
        f"{thousands(total)} steps"
    )
    return sign
