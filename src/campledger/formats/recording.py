"""
Recordings to columns: streamed, native or by a map; originals are never altered.

What cannot be used is set aside in ``NAME.rejected`` or kept as missing, and counted.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np

from campledger.errors import Fault
from campledger.formats.chunks import Chunk, empty_block, joined
from campledger.formats.importsummary import KEPT_OF_A_KIND, Summary, thousands
from campledger.formats.layout import UNITS, ColumnMap, RecordingMap
from campledger.formats.nativerecording import header_names, mapped_names, native_map
from campledger.formats.parquetsource import parquet_blocks
from campledger.formats.rowparse import Parsed, RowParser, Trouble
from campledger.formats.textsource import TextSource, is_parquet, refuse
from campledger.formats.timetext import zone_of
from campledger.formats.tomlfile import listed, shorten
from campledger.model.quantities import PLAUSIBLE
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from campledger.formats.timetext import IntArray
    from campledger.model.series import FloatArray

ROWS_AT_ONCE = 80_000
"""Rows of a chunk, at least: what the store packs well."""
INDISPENSABLE = "voltage_house_v"
COUNTED = "current_house_a"


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
                yield joined(held)
                held = []
        if sum(len(c.lines) for c in held):
            yield joined(held)

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
            parsed = empty_block(self.layout)
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


def _nth(data: bytes, number: int) -> bytes:
    """Give line ``number`` (first is 1) of a block."""
    lines = data.split(b"\n", number)
    return lines[number - 1].removesuffix(b"\r") if len(lines) >= number else b""


def _bounds(column: ColumnMap) -> tuple[float, float]:
    channel = parse_channel(column.channel)
    return PLAUSIBLE[channel.quantity] if channel else (-np.inf, np.inf)


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
