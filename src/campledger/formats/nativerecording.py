"""Native recordings: their header is their map; and the names that a map expects."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.errors import Fault, InputError
from campledger.formats.layout import ColumnMap, RecordingMap, TimeMap
from campledger.formats.parquetsource import parquet_names
from campledger.formats.textsource import TextSource, is_parquet, refuse
from campledger.formats.tomlfile import listed, shorten
from campledger.model.quantities import CHANNEL_QUANTITIES
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from pathlib import Path


def native_unit(channel: str) -> str:
    """Give the unit word of a native channel."""
    parsed = parse_channel(channel)
    suffix = CHANNEL_QUANTITIES[parsed.quantity] if parsed else ""
    return {"v": "V", "a": "A", "w": "W", "c": "C", "mps": "m/s"}.get(suffix, "")


def native_map(names: tuple[str, ...]) -> RecordingMap | None:
    """Give the map of a native recording's header, None if it is foreign."""
    timed = "time_utc" in names
    booted = "boot" in names and "uptime_s" in names
    channels = [n for n in names if parse_channel(n)]
    if not (timed or booted) or not channels:
        return None
    return RecordingMap(
        columns=tuple(
            ColumnMap(name=n, channel=n, unit=native_unit(n)) for n in channels
        ),
        time=TimeMap(
            columns=("time_utc",) if timed else (),
            boot="boot" if booted else "",
            uptime="uptime_s" if booted else "",
        ),
        native=True,
    )


def header_names(path: Path) -> tuple[str, ...]:
    """Give the column names of a file's first line as a native recording has them."""
    if is_parquet(path):
        return parquet_names(path)
    source = TextSource(path)
    text = source.head.decode(source.encoding, "replace").removeprefix("\ufeff")
    first = text.replace("\r", "\n").split("\n", 1)[0]
    return tuple(name.strip().strip('"') for name in first.split(","))


def mapped_names(path: Path, layout: RecordingMap) -> tuple[str, ...]:
    """Give the column names that stand in the header line of a map."""
    if is_parquet(path):
        names = parquet_names(path)
    else:
        source = TextSource(path)
        text = source.head.decode(source.encoding, "replace").removeprefix("\ufeff")
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        if len(lines) < layout.header_line:
            raise refuse(path, "header", "fewer lines", f"line {layout.header_line}")
        line = lines[layout.header_line - 1]
        names = tuple(
            n.strip().strip('"').strip() for n in line.split(layout.separator)
        )
    wanted = [c.name for c in layout.columns]
    wanted += [*layout.time.columns, layout.time.boot, layout.time.uptime]
    faults = [
        Fault(
            file=path.name,
            line=layout.header_line,
            field=shorten(name),
            got="columns " + listed(names),
            expected="this one, as the map says",
            effect="Nothing loaded.",
        )
        for name in wanted
        if name and name not in names
    ]
    if faults:
        raise InputError(*faults)
    return names
