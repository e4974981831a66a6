"""The map file of a foreign recording: TOML to ``RecordingMap`` and back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from campledger.formats.layout import (
    DATE_ORDERS,
    ENCODINGS,
    SEPARATORS,
    TIME_FORMATS,
    UNITS,
    ColumnMap,
    RecordingMap,
    TimeMap,
)
from campledger.formats.planfile import quote
from campledger.formats.timetext import zone_of
from campledger.formats.tomlfile import Checker, Key, Table, load, spell
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterable

TABLES = ("file", "time", "recording", "column")
SIGNS = ("+in", "+out")

FILE_KEYS = (
    Key(
        name="encoding",
        field="encoding",
        kind="choice",
        choices=ENCODINGS,
        default="utf-8",
    ),
    Key(
        name="separator",
        field="separator",
        kind="choice",
        choices=tuple(SEPARATORS),
        default="comma",
    ),
    Key(
        name="decimal", field="decimal", kind="choice", choices=(".", ","), default="."
    ),
    Key(
        name="header_line",
        field="header_line",
        low=1,
        high=1000,
        default=1,
        expected="the line of the column names, e.g. 1",
    ),
)
TIME_KEYS = (
    Key(
        name="format",
        field="format",
        kind="choice",
        choices=TIME_FORMATS,
        default="text",
    ),
    Key(name="zone", field="zone", kind="text", default="UTC"),
    Key(
        name="date_order",
        field="date_order",
        kind="choice",
        choices=DATE_ORDERS,
        default="ymd",
    ),
    Key(name="start_date", field="start_date", kind="text"),
    Key(name="boot", field="boot", kind="text"),
    Key(name="uptime", field="uptime", kind="text"),
)
RECORDING_KEYS = (
    Key(
        name="sampling",
        field="sampling",
        kind="choice",
        choices=("point", "mean"),
    ),
)
COLUMN_KEYS = (
    Key(name="name", field="name", kind="text", required=True),
    Key(name="channel", field="channel", kind="text", required=True),
    Key(name="unit", field="unit", kind="choice", choices=tuple(UNITS), required=True),
    Key(
        name="sign",
        field="sign",
        kind="choice",
        choices=SIGNS,
        expected='"+in" (charging counts up) or "+out"',
    ),
)


def read_map(path: Path | str) -> RecordingMap:
    """
    Read and check a map file.

    Raises
    ------
    FaultsError
        Everything that is wrong with it, in the order of its lines.
    """
    data, _, checker = load(Path(path), "Map")
    checker.unknown(data, "", TABLES)
    file = checker.read(checker.table(data.get("file"), "file"), "file", FILE_KEYS)
    sampling = checker.read(
        checker.table(data.get("recording"), "recording"), "recording", RECORDING_KEYS
    )
    layout = RecordingMap(
        columns=_columns(data, checker),
        time=_time(checker.table(data.get("time"), "time"), checker),
        encoding=file["encoding"],
        separator=SEPARATORS[file["separator"]],
        decimal=file["decimal"],
        header_line=int(file["header_line"]),
        sampling=sampling.get("sampling", ""),
    )
    checker.raise_if_any()
    return layout


def _time(table: Table, checker: Checker) -> TimeMap:
    values = checker.read(table, "time", TIME_KEYS, others=("columns",))
    names = table.get("columns", [])
    good = isinstance(names, list) and all(isinstance(n, str) and n for n in names)
    booted = bool(values.get("boot")) and bool(values.get("uptime"))
    if not good or len(names) > 2 or not (names or booted):
        checker.fault(
            "time.columns",
            spell(names) if names else "nothing",
            'one column or date and time, e.g. ["Date", "Time"]',
        )
        names = []
    if zone_of(values["zone"]) is None:
        checker.fault(
            "time.zone",
            spell(values["zone"]),
            'a zone or offset, e.g. "Australia/Perth" or "+08:00"',
        )
    return TimeMap(columns=tuple(names), **values)


def _columns(data: Table, checker: Checker) -> tuple[ColumnMap, ...]:
    columns: list[ColumnMap] = []
    for path, table in checker.tables(data.get("column"), "column"):
        values = checker.read(table, path, COLUMN_KEYS)
        if not {"name", "channel", "unit"} <= values.keys():
            continue
        channel = parse_channel(values["channel"])
        unit = UNITS[values["unit"]]
        if channel is None:
            checker.fault(
                f"{path}.channel",
                spell(values["channel"]),
                'a channel, e.g. "current_house_a"',
            )
        elif channel.quantity != unit.quantity:
            right = ", ".join(
                u for u, v in UNITS.items() if v.quantity == channel.quantity
            )
            checker.fault(f"{path}.unit", spell(values["unit"]), right or "no unit")
        if values["channel"] in [c.channel for c in columns]:
            checker.fault(f"{path}.channel", spell(values["channel"]), "each once")
        sign = -1 if values.pop("sign", "+in") == "+out" else 1
        columns.append(ColumnMap(sign=sign, **values))
    if not columns and not checker.faults:
        checker.fault("column", "nothing", "at least one [[column]]")
    return tuple(columns)


def write_map(layout: RecordingMap, *, found: Iterable[str] = ()) -> str:
    """
    Write a map as the text of a map file.

    Parameters
    ----------
    layout : RecordingMap
        What to write.
    found : iterable of str
        What was seen and not used; stands in the file as remarks.
    """
    separators = {mark: name for name, mark in SEPARATORS.items()}
    encoding = "utf-16" if "16" in layout.encoding else layout.encoding
    time = layout.time
    lines = [
        "# How this recording is laid out. Check every line, then import with --map.",
        *(f"# {line}" for line in found),
        "",
        "[file]",
        f'encoding = "{encoding}"',
        f'separator = "{separators[layout.separator]}"  # comma, semicolon, tab, bar',
        f'decimal = "{layout.decimal}"',
        f"header_line = {layout.header_line}",
        "",
        "[time]",
        f"columns = [{', '.join(quote(n) for n in time.columns)}]",
        f'format = "{time.format}"    # text, epoch_s, epoch_ms or sheet',
        f'zone = "{time.zone}"    # of times that carry no offset',
        f'date_order = "{time.date_order}"    # ymd, dmy or mdy',
    ]
    for key, value in (
        ("start_date", time.start_date),
        ("boot", time.boot),
        ("uptime", time.uptime),
    ):
        if value:
            lines.append(f"{key} = {quote(value)}")
    if layout.sampling:
        lines += ["", "[recording]", f'sampling = "{layout.sampling}"']
    for column in layout.columns:
        lines += [
            "",
            "[[column]]",
            f"name = {quote(column.name)}",
            f'channel = "{column.channel}"',
            f'unit = "{column.unit}"',
        ]
        if column.channel.startswith("current_house"):
            lines.append(
                f'sign = "{SIGNS[0] if column.sign > 0 else SIGNS[1]}"    '
                "# which way the file counts up"
            )
        elif column.sign < 0:
            lines.append(f'sign = "{SIGNS[1]}"')
    return "\n".join(lines) + "\n"
