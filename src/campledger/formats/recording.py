"""
Recordings to columns: streamed, native or by a map; originals are never altered.

What cannot be used is set aside in ``NAME.rejected`` or kept as missing, and counted.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from campledger.errors import Fault, InputError
from campledger.formats.layout import UNITS, ColumnMap, RecordingMap, TimeMap
from campledger.formats.parquetsource import parquet_blocks, parquet_names
from campledger.formats.rowparse import Parsed, RowParser, Trouble
from campledger.formats.textsource import TextSource, is_parquet, refuse
from campledger.formats.timetext import zone_of
from campledger.formats.tomlfile import listed, shorten
from campledger.model.quantities import CHANNEL_QUANTITIES, PLAUSIBLE
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from campledger.formats.timetext import IntArray
    from campledger.model.series import FloatArray

KEPT_OF_A_KIND = 20
"""Lines of one kind of trouble that are spelt out; the rest is counted."""
ROWS_AT_ONCE = 80_000
"""Rows of a chunk, at least: what the store packs well."""
INDISPENSABLE = "voltage_house_v"
COUNTED = "current_house_a"


@dataclass(frozen=True, kw_only=True)
class Chunk:
    """
    Rows in file order, units of the core, signs of the house.

    ``boot`` (n,) with ``uptime`` (n,), or neither; ``time_utc`` (n,) or None; ``lines``
    (n,) where each row stood; ``values`` (n,) each, NaN = missing.
    """

    values: Mapping[str, FloatArray]
    lines: IntArray
    time_utc: FloatArray | None = None
    boot: NDArray[np.int64] | None = None
    uptime: FloatArray | None = None
    raw: bytes = b""
    raw_line: int = 0

    def text(self, index: int) -> bytes:
        """Give the line of a row as it stood in the file."""
        nth = int(self.lines[index]) - self.raw_line
        every = self.raw.split(b"\n", nth + 1)
        return every[nth].removesuffix(b"\r") if nth < len(every) else b""


@dataclass(kw_only=True)
class Summary:
    """What became of a file; complete when its last chunk was taken."""

    file: str
    rows: int = 0
    missing: int = 0
    aside: int = 0
    unused: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)
    trouble: list[Trouble] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    warnings: list[Fault] = field(default_factory=list)
    groups: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    asides: list[tuple[int, str]] = field(default_factory=list)
    rejected: str = ""

    def add(self, trouble: Trouble) -> None:
        """Count one trouble and keep it if it is among the first of its kind."""
        self.kinds[trouble.kind] += 1
        if self.kinds[trouble.kind] <= KEPT_OF_A_KIND:
            self.trouble.append(trouble)
        if trouble.effect == "missing":
            self.missing += 1
            key = (trouble.field, trouble.got.strip('"'))
            if len(self.groups) < KEPT_OF_A_KIND or key in self.groups:
                self.groups.setdefault(key, []).append(trouble.line)

    def faults(self) -> tuple[Fault, ...]:
        """Give every warning as a line of the house, in file order."""
        effects = {
            "missing": "Kept as missing.",
            "aside": f"Set aside; {thousands(self.rows)} rows loaded.",
            "stretch": "New stretch begun; nothing dropped.",
            "twice": "First kept, second in .rejected.",
        }
        out = list(self.warnings)
        out.extend(
            Fault(
                file=self.file,
                line=t.line,
                field=t.field,
                got=t.got,
                expected=t.expected,
                effect=effects[t.effect],
            )
            for t in self.trouble
        )
        out.sort(key=lambda f: f.line)
        for kind, count in self.kinds.items():
            if count > KEPT_OF_A_KIND:
                more = f"{thousands(count - KEPT_OF_A_KIND)} more of this kind"
                out.append(
                    Fault(
                        file=self.file,
                        field=kind,
                        got=more,
                        expected="",
                        effect="Treated like those above.",
                    )
                )
        return tuple(out)

    def sentence(self) -> str:
        """Say in one line what was loaded, kept as missing and set aside."""
        text = f"{thousands(self.rows)} rows loaded"
        if self.missing:
            detail = "; ".join(
                f"lines {_list(lines)}: {name} '{got}'"
                if len(lines) > 1
                else f"line {lines[0]}: {name} '{got}'"
                for (name, got), lines in self.groups.items()
            )
            text += f", {thousands(self.missing)} values kept as missing ({detail})"
        if self.aside:
            detail = "; ".join(f"{line}: {why}" for line, why in self.asides)
            more = self.aside - len(self.asides)
            detail += f"; {thousands(more)} more" if more > 0 else ""
            text += f"; {thousands(self.aside)} lines set aside ({detail})"
            text += f" in {self.rejected}" if self.rejected else ""
        return text + "."


def thousands(count: int) -> str:
    """Write a count with spaces between thousands."""
    return f"{count:,}".replace(",", " ")


def _list(lines: list[int]) -> str:
    shown = ", ".join(str(n) for n in lines[:10])
    return shown + (f" and {len(lines) - 10} more" if len(lines) > 10 else "")


class Recording:
    """
    A recording opened for reading; iterate over it once.

    ``summary`` grows while chunks are taken. Leaving the context (or the last chunk)
    finishes the ``.rejected`` file.
    """

    def __init__(
        self,
        path: Path,
        layout: RecordingMap,
        header: tuple[str, ...],
        *,
        keep_rejected: bool = True,
    ) -> None:
        self.path = path
        self.layout = layout
        self.header = header
        self.keep_rejected = keep_rejected
        self.summary = Summary(file=path.name)
        self._out: IO[bytes] | None = None
        self._last = float("nan")
        self.zone = zone_of(layout.time.zone) or UTC
        self._bounds = [_bounds(c) for c in layout.columns]

    @property
    def channels(self) -> tuple[str, ...]:
        """Name the channels that this recording carries."""
        return tuple(c.channel for c in self.layout.columns)

    def __enter__(self) -> Recording:
        """Enter."""
        return self

    def __exit__(self, *_: object) -> None:
        """Finish the rejected file."""
        self.close()

    def __iter__(self) -> Iterator[Chunk]:
        """Give chunks of about a day at 1 Hz, in file order."""
        held: list[Chunk] = []
        for chunk in self._chunks():
            held.append(chunk)
            if sum(len(c.lines) for c in held) >= ROWS_AT_ONCE:
                yield _joined(held)
                held = []
        if sum(len(c.lines) for c in held):
            yield _joined(held)

    def _chunks(self) -> Iterator[Chunk]:
        pieces = self._parquet() if is_parquet(self.path) else self._text()
        for parsed, raw, raw_line in pieces:
            for trouble in parsed.trouble:
                self.summary.add(trouble)
            for line, text, reason in parsed.aside:
                self.reject(line, text, reason)
            yield self._chunk(parsed, raw, raw_line)
        self.close()

    def _text(self) -> Iterator[tuple[Parsed, bytes, int]]:
        source = TextSource(self.path)
        parser: RowParser | None = None
        for block in source.blocks():
            skip = 0
            if parser is None:
                skip = self.layout.header_line
                parser = RowParser(
                    layout=self.layout,
                    header=self.header,
                    header_line=_nth(block.data, skip),
                )
            yield parser.parse(block, skip=skip), block.data, block.line
        if source.encoding not in {"utf-8", "cp1252"}:
            self._warn_encoding(source.encoding)
        if source.truncated:
            self.summary.warnings.append(
                Fault(
                    file=self.path.name,
                    field="file",
                    got=source.truncated,
                    expected="a whole file",
                    effect=f"{thousands(self.summary.rows)} rows loaded.",
                )
            )

    def _warn_encoding(self, encoding: str) -> None:
        name = encoding.upper().removesuffix("-LE").removesuffix("-BE")
        self.summary.warnings.append(
            Fault(
                file=self.path.name,
                line=1,
                field="encoding",
                got=f"{name}, read as {name}",
                expected="",
                effect=f"{thousands(self.summary.rows)} rows loaded.",
            )
        )

    def _parquet(self) -> Iterator[tuple[Parsed, bytes, int]]:
        for parsed in parquet_blocks(self.path, self.layout):
            yield parsed, b"", 0

    def _chunk(self, parsed: Parsed, raw: bytes, raw_line: int) -> Chunk:
        values: dict[str, FloatArray] = {}
        if not len(parsed.lines):
            parsed = _empty(self.layout)
        for column, array, (low, high) in zip(
            self.layout.columns, parsed.values, self._bounds, strict=True
        ):
            value = column.convert(array)
            outside = (value < low) | (value > high)
            if outside.any():
                self._impossible(column, array, outside, parsed.lines, (low, high))
                value = np.where(outside, np.nan, value)
            values[column.channel] = value
        if parsed.boot is None and parsed.time is not None:
            self._watch_clock(parsed.time, parsed.lines)
        self.summary.rows += len(parsed.lines)
        return Chunk(
            values=values,
            lines=parsed.lines,
            time_utc=parsed.time,
            boot=None if parsed.boot is None else parsed.boot.astype(np.int64),
            uptime=parsed.uptime,
            raw=raw,
            raw_line=raw_line,
        )

    def _impossible(
        self,
        column: ColumnMap,
        raw: FloatArray,
        outside: NDArray[np.bool_],
        lines: IntArray,
        bounds: tuple[float, float],
    ) -> None:
        unit = column.unit if UNITS[column.unit].over != 1.0 else ""
        low, high = bounds
        dash = "-" if low >= 0 else " to "
        for at in np.flatnonzero(outside):
            got = f"{raw[at]:.12g}" + (f" {unit}" if unit else "")
            self.summary.add(
                Trouble(
                    line=int(lines[at]),
                    field=column.word,
                    got=got,
                    expected=f"{low:g}{dash}{high:g}",
                    effect="missing",
                    kind="impossible",
                )
            )

    def _watch_clock(self, time: FloatArray, lines: IntArray) -> None:
        """Note where the clock of a recorder without boots falls back."""
        before = np.concatenate(([self._last], time[:-1]))
        for at in np.flatnonzero(time < before):
            now, then = self._spell(time[at]), self._spell(before[at])
            self.summary.add(
                Trouble(
                    line=int(lines[at]),
                    field="time",
                    got=f"{now} after {then}",
                    expected="later (clock change?)",
                    effect="stretch",
                    kind="backwards",
                )
            )
        if len(time):
            self._last = float(time[-1])

    def _spell(self, when: float) -> str:
        try:
            return datetime.fromtimestamp(when, self.zone).strftime("%H:%M:%S")
        except (OverflowError, ValueError, OSError):
            return f"{when:g}"

    def reject_rows(self, chunk: Chunk, indices: IntArray) -> None:
        """
        Set rows aside that the store already holds with other values.

        For recordings with a clock the line is that of a time given twice.
        """
        for at in indices:
            line = int(chunk.lines[at])
            when = ""
            if chunk.time_utc is not None and np.isfinite(chunk.time_utc[at]):
                when = self._spell(float(chunk.time_utc[at]))
            self.summary.add(
                Trouble(
                    line=line,
                    field="time",
                    got=f"{when} twice".strip(),
                    expected="once",
                    effect="twice",
                    kind="twice",
                )
            )
            self.reject(line, chunk.text(int(at)), "time given twice")
        self.summary.rows -= len(indices)

    def reject(self, line: int, text: bytes, reason: str) -> None:
        """Write one line into ``NAME.rejected``."""
        summary = self.summary
        summary.aside += 1
        if len(summary.asides) < KEPT_OF_A_KIND:
            summary.asides.append((line, reason))
        if not self.keep_rejected:
            return
        if self._out is None:
            target = self.path.with_name(self.path.name + ".rejected")
            try:
                self._out = target.open("wb")
            except OSError:
                self.keep_rejected = False
                summary.notes.append(f"{target.name} could not be written")
                return
            summary.rejected = target.name
        why = "".join(c if c.isprintable() else "?" for c in reason)
        self._out.write(f"# line {line}: {why}\n".encode() + text + b"\n")

    def close(self) -> None:
        """Finish the rejected file."""
        if self._out is not None:
            self._out.close()
            self._out = None


def _empty(layout: RecordingMap) -> Parsed:
    """Give the columns of a block without rows."""
    none = np.zeros(0)
    return Parsed(
        lines=np.zeros(0, dtype=np.int64),
        time=none if layout.time.columns else None,
        boot=none if layout.time.boot else None,
        uptime=none if layout.time.boot else None,
        values=[none for _ in layout.columns],
    )


def _joined(chunks: list[Chunk]) -> Chunk:
    """Lay neighbouring chunks of one recording end to end."""
    if len(chunks) == 1:
        return chunks[0]
    first = chunks[0]

    def laid(parts: list[NDArray[Any] | None]) -> NDArray[Any] | None:
        present = [p for p in parts if p is not None]
        return np.concatenate(present) if len(present) == len(parts) else None

    return Chunk(
        values={n: np.concatenate([c.values[n] for c in chunks]) for n in first.values},
        lines=np.concatenate([c.lines for c in chunks]),
        time_utc=laid([c.time_utc for c in chunks]),
        boot=laid([c.boot for c in chunks]),
        uptime=laid([c.uptime for c in chunks]),
        raw=b"".join(c.raw for c in chunks),
        raw_line=first.raw_line,
    )


def _nth(data: bytes, number: int) -> bytes:
    """Give line ``number`` (first is 1) of a block."""
    lines = data.split(b"\n", number)
    return lines[number - 1].removesuffix(b"\r") if len(lines) >= number else b""


def _bounds(column: ColumnMap) -> tuple[float, float]:
    channel = parse_channel(column.channel)
    return PLAUSIBLE[channel.quantity] if channel else (-np.inf, np.inf)


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


def read_recording(
    path: Path | str,
    mapping: RecordingMap | None = None,
    *,
    need_voltage: bool = True,
    keep_rejected: bool = True,
) -> Recording | None:
    """
    Open a recording.

    Parameters
    ----------
    path : Path or str
        ``.csv``, ``.csv.gz`` or ``.parquet``; the content decides, not the name.
    mapping : RecordingMap or None
        How a foreign file is laid out; None for a native one.
    need_voltage : bool
        Refuse a native file without ``voltage_house_v``.
    keep_rejected : bool
        Write lines set aside into ``NAME.rejected`` beside the file.

    Returns
    -------
    recording : Recording or None
        None if no map was given and the header is not native.

    Raises
    ------
    InputError
        The file cannot be used at all.
    """
    file = Path(path)
    names = header_names(file) if mapping is None else mapped_names(file, mapping)
    layout = native_map(names) if mapping is None else mapping
    if layout is None:
        return None
    twice = [n for n, count in Counter(names).items() if count > 1 and n]
    if twice:
        raise refuse(
            file,
            "header",
            f'column "{shorten(twice[0])}" twice',
            "each column once",
            line=1,
        )
    recording = Recording(file, layout, names, keep_rejected=keep_rejected)
    used = {c.name for c in layout.columns} | {*layout.time.columns}
    used |= {layout.time.boot, layout.time.uptime}
    recording.summary.unused = tuple(n for n in names if n not in used)
    _check_wanted(file, recording, need_voltage=need_voltage)
    return recording


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


def _check_wanted(path: Path, recording: Recording, *, need_voltage: bool) -> None:
    names = listed(recording.header)
    if need_voltage and INDISPENSABLE not in recording.channels:
        raise refuse(
            path,
            "voltage",
            f"columns {names}",
            "one for battery volts",
            line=recording.layout.header_line,
            effect="Name it with --set voltage=NAME. Nothing loaded.",
        )
    if COUNTED not in recording.channels:
        recording.summary.warnings.append(
            Fault(
                file=path.name,
                line=recording.layout.header_line,
                field="current",
                got="no such column",
                expected="one for battery current",
                effect="Loaded without it, no amp-hours possible.",
            )
        )
