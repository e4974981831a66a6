"""
Blocks of a text recording to columns: a fast way for clean blocks, an exact one else.

The fast way hands a whole block to the columnar engine, which refuses all of it for one
bad field. Only such blocks are then taken apart line by line, so that a bad line costs
itself and no neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from pyarrow import csv as pacsv

from campledger.formats.rowvalues import (
    convert_texts,
    even_bytes,
    floats_of,
    join_texts,
    localise,
    quoted,
    seconds_of,
    unquote,
)
from campledger.formats.timetext import (
    IntArray,
    TimeColumn,
    TimeStyle,
    zone_of,
)
from campledger.formats.tomlfile import shorten

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from campledger.formats.layout import RecordingMap
    from campledger.formats.textsource import Block
    from campledger.model.series import FloatArray

TIME_MOST = 7.25e9
"""Seconds since 1970 at the end of the year 2199."""
SHEET_EPOCH = 25569.0
"""Days from 1899-12-30, where sheet serials count from, to 1970-01-01."""


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """One thing wrong in one line; ``effect`` is missing or aside."""

    line: int
    field: str
    got: str
    expected: str
    effect: str
    kind: str


@dataclass(kw_only=True)
class Parsed:
    """Columns of a block in the file's units, and what was wrong with it."""

    lines: IntArray
    time: FloatArray | None = None
    boot: FloatArray | None = None
    uptime: FloatArray | None = None
    values: list[FloatArray] = field(default_factory=list)
    trouble: list[Trouble] = field(default_factory=list)
    aside: list[tuple[int, bytes, str]] = field(default_factory=list)


@dataclass(kw_only=True)
class RowParser:
    """Parses blocks of one file by its map; ``header`` are the names of all columns."""

    layout: RecordingMap
    header: tuple[str, ...]
    header_line: bytes = b""
    clock: TimeColumn = field(init=False)
    at_time: tuple[int, ...] = field(init=False)
    at_boot: int = field(init=False)
    at_uptime: int = field(init=False)
    at_values: tuple[int, ...] = field(init=False)
    arrow_time: bool = field(init=False)
    zoned_seen: bool = False

    def __post_init__(self) -> None:
        """Find where each wanted column stands."""
        time, index = self.layout.time, {n: k for k, n in enumerate(self.header)}
        self.at_time = tuple(index[n] for n in time.columns)
        self.at_boot = index[time.boot] if time.boot else -1
        self.at_uptime = index[time.uptime] if time.uptime else -1
        self.at_values = tuple(index[c.name] for c in self.layout.columns)
        zone = zone_of(time.zone) or UTC
        style = TimeStyle(
            date_order=time.date_order, zone=zone, start_date=time.start_date
        )
        self.clock = TimeColumn(style=style)
        self.arrow_time = (
            self.layout.native and time.format == "text" and len(self.at_time) == 1
        )

    def parse(self, block: Block, *, skip: int = 0) -> Parsed:
        """Parse a block, leaving out its first lines."""
        data, line = block.data, block.line + skip
        for _ in range(skip):
            data = data[data.find(b"\n") + 1 :]
        if not data:
            return Parsed(lines=np.zeros(0, dtype=np.int64))
        fast = None
        if block.ended and b'"' not in data and b"\0" not in data:
            fast = self._fast(data, line)
        return fast or self._careful(data, line, ended=block.ended)

    def _types(self) -> dict[str, pa.DataType]:
        number = pa.float64()
        types = dict.fromkeys((f"c{k}" for k in self.at_values), number)
        if self.at_boot >= 0:
            types[f"c{self.at_boot}"] = pa.int64()
        if self.at_uptime >= 0:
            types[f"c{self.at_uptime}"] = number
        for k in self.at_time:
            if self.arrow_time:
                types[f"c{k}"] = pa.timestamp("us", "UTC")
            elif self.layout.time.format == "text":
                types[f"c{k}"] = pa.binary()
            else:
                types[f"c{k}"] = number
        return types

    def _fast(self, data: bytes, line: int) -> Parsed | None:
        types = self._types()
        try:
            table = pacsv.read_csv(
                pa.BufferReader(data),
                read_options=pacsv.ReadOptions(
                    column_names=[f"c{k}" for k in range(len(self.header))],
                    block_size=len(data) + 1,
                    use_threads=False,
                ),
                parse_options=pacsv.ParseOptions(
                    delimiter=self.layout.separator, quote_char=False
                ),
                convert_options=pacsv.ConvertOptions(
                    column_types=types,
                    include_columns=list(types),
                    null_values=[""],
                    strings_can_be_null=True,
                    decimal_point=self.layout.decimal,
                ),
            )
        except (pa.ArrowException, ValueError):
            return None
        if table.num_rows != data.count(b"\n"):
            return None
        parsed = Parsed(lines=np.arange(line, line + table.num_rows, dtype=np.int64))
        if not self._fast_times(table, parsed):
            return None
        parsed.values = [floats_of(table[f"c{k}"]) for k in self.at_values]
        if not all(np.isfinite(v[~np.isnan(v)]).all() for v in parsed.values):
            return None
        return parsed

    def _fast_times(self, table: pa.Table, parsed: Parsed) -> bool:
        if self.at_boot >= 0:
            parsed.boot = floats_of(table[f"c{self.at_boot}"])
            parsed.uptime = floats_of(table[f"c{self.at_uptime}"])
            whole = np.isfinite(parsed.boot) & np.isfinite(parsed.uptime)
            if not whole.all() or (parsed.uptime < 0).any():
                return False
        if not self.at_time:
            return True
        columns = [table[f"c{k}"] for k in self.at_time]
        if self.arrow_time:
            parsed.time = seconds_of(columns[0])
        elif self.layout.time.format == "text":
            table_of_bytes = even_bytes(columns[0]) if len(columns) == 1 else None
            if table_of_bytes is not None:
                parsed.time = self._clock(table_of_bytes)
                return self.at_boot >= 0 or bool(np.isfinite(parsed.time).all())
            lists = [c.combine_chunks().to_pylist() for c in columns]
            if any(None in texts for texts in lists):
                return False
            parsed.time = self._clock(join_texts(lists))
        else:
            parsed.time = self._numbers(floats_of(columns[0]))
        return self.at_boot >= 0 or bool(np.isfinite(parsed.time).all())

    def _clock(self, texts: list[bytes] | NDArray[np.uint8]) -> FloatArray:
        trial = replace(self.clock)
        times = trial.read(texts)
        if np.isfinite(times).all():
            self.clock = trial
        return times

    def _numbers(self, value: FloatArray) -> FloatArray:
        """Turn epoch numbers or sheet serials into seconds."""
        kind = self.layout.time.format
        seconds = value
        if kind == "epoch_ms":
            seconds = value / 1000.0
        elif kind == "sheet":
            seconds = np.round((value - SHEET_EPOCH) * 86400.0, 3)
        believable = (seconds > 0.0) & (seconds < TIME_MOST)
        seconds = np.where(believable, seconds, np.nan)
        return localise(seconds, self.clock) if kind == "sheet" else seconds

    def _careful(self, data: bytes, line: int, *, ended: bool) -> Parsed:
        rows, numbers, parsed = self._split(data, line, ended=ended)
        every = data.split(b"\n")
        raws = [every[n - line].removesuffix(b"\r") for n in numbers]
        if not rows:
            return parsed
        columns = list(zip(*rows, strict=True))
        keep = np.ones(len(rows), dtype=bool)
        reasons: dict[int, str] = {}

        def aside(at: int, name: str, got: str, expected: str, kind: str) -> None:
            parsed.trouble.append(
                Trouble(
                    line=numbers[at],
                    field=name,
                    got=got,
                    expected=expected,
                    effect="aside",
                    kind=kind,
                )
            )
            reasons.setdefault(at, f"{name} {got}")
            keep[at] = False

        times = self._careful_times(columns, aside)
        values = []
        for column, k in zip(self.layout.columns, self.at_values, strict=True):
            array, odd = convert_texts(columns[k], self.layout.decimal)
            for at, raw, kind in odd:
                self._report(parsed, numbers, at, column.word, raw, kind, aside)
            values.append(array)
        self._keep(parsed, raws, numbers, keep, times, values, reasons)
        return parsed

    def _keep(
        self,
        parsed: Parsed,
        raws: list[bytes],
        numbers: list[int],
        keep: np.ndarray[tuple[int], np.dtype[np.bool_]],
        times: tuple[FloatArray | None, FloatArray | None, FloatArray | None],
        values: list[FloatArray],
        reasons: dict[int, str],
    ) -> None:
        for at, reason in reasons.items():
            parsed.aside.append((numbers[at], raws[at], reason))
        parsed.aside.sort(key=lambda item: item[0])
        parsed.lines = np.array(numbers, dtype=np.int64)[keep]
        time, boot, uptime = times
        parsed.time = None if time is None else time[keep]
        parsed.boot = None if boot is None else boot[keep]
        parsed.uptime = None if uptime is None else uptime[keep]
        parsed.values = [v[keep] for v in values]
        if self.at_boot < 0 and parsed.time is not None and len(parsed.time):
            self.clock.last = float(parsed.time[-1])

    def _report(
        self,
        parsed: Parsed,
        numbers: list[int],
        at: int,
        name: str,
        raw: bytes,
        kind: str,
        aside: Callable[[int, str, str, str, str], None],
    ) -> None:
        got = f'"{shorten(raw.decode("utf-8", "replace"))}"'
        if kind == "style":
            marks = "points" if self.layout.decimal == "." else "commas"
            aside(at, name, f"{got} in a file using {marks}", "one style", kind)
        elif kind == "thousands":
            aside(at, name, f"{got}, ambiguous", "one decimal mark", kind)
        else:
            parsed.trouble.append(
                Trouble(
                    line=numbers[at],
                    field=name,
                    got=got,
                    expected="a number",
                    effect="missing",
                    kind="text",
                )
            )

    def _careful_times(
        self,
        columns: Sequence[Sequence[bytes]],
        aside: Callable[[int, str, str, str, str], None],
    ) -> tuple[FloatArray | None, FloatArray | None, FloatArray | None]:
        boot = uptime = time = None
        if self.at_boot >= 0:
            boot = self._whole(columns[self.at_boot], self.layout.time.boot, aside)
            uptime, odd = convert_texts(columns[self.at_uptime], self.layout.decimal)
            bad = {at for at, _, _ in odd}
            bad.update(np.flatnonzero(~(uptime >= 0)).tolist())
            for at in sorted(bad):
                got = quoted(columns[self.at_uptime][at])
                name = self.layout.time.uptime
                aside(at, name, got, "seconds since boot", "uptime")
        if self.at_time:
            time = self._careful_clock(columns, aside)
        return time, boot, uptime

    def _whole(
        self,
        texts: Sequence[bytes],
        name: str,
        aside: Callable[[int, str, str, str, str], None],
    ) -> FloatArray:
        boot, _ = convert_texts(texts, ".")
        good = np.isfinite(boot) & (boot == np.floor(boot)) & (np.abs(boot) < 2**53)
        for at in np.flatnonzero(~good).tolist():
            aside(at, name, quoted(texts[at]), "a whole number", "boot")
        return np.where(good, boot, 0.0)

    def _careful_clock(
        self,
        columns: Sequence[Sequence[bytes]],
        aside: Callable[[int, str, str, str, str], None],
    ) -> FloatArray:
        lists = [columns[k] for k in self.at_time]
        texts = join_texts(lists)
        if self.layout.time.format == "text":
            times = self.clock.read(texts)
        else:
            numbers, _ = convert_texts(texts, self.layout.decimal)
            times = self._numbers(numbers)
        for at in np.flatnonzero(np.isnan(times)).tolist():
            if self.at_boot >= 0 and not texts[at].strip():
                continue
            expected = "a time, e.g. 2026-05-01T08:00:00Z"
            if self.at_boot >= 0:
                continue
            name = shorten(self.layout.time.columns[0])
            aside(at, name, quoted(texts[at]), expected, "time")
        return times

    def _split(
        self, data: bytes, line: int, *, ended: bool
    ) -> tuple[list[list[bytes]], list[int], Parsed]:
        parsed = Parsed(lines=np.zeros(0, dtype=np.int64))
        separator, wanted = self.layout.separator.encode(), len(self.header)
        rows: list[list[bytes]] = []
        numbers: list[int] = []
        every = data.split(b"\n")
        every.pop()
        last = len(every) - 1
        for n, raw in enumerate(every):
            text = raw.removesuffix(b"\r")
            fields = text.split(separator)
            if b'"' in text:
                fields = unquote(text, self.layout.separator) or [b""] * (wanted + 1)
            if len(fields) != wanted or b"\0" in text or text == self.header_line:
                cut = n == last and not ended
                self._odd_line(parsed, text, line + n, fields, cut=cut)
            else:
                rows.append(fields)
                numbers.append(line + n)
        return rows, numbers, parsed

    def _odd_line(
        self, parsed: Parsed, text: bytes, line: int, fields: list[bytes], *, cut: bool
    ) -> None:
        """Say why a line is no row; blank lines and remarks are nothing."""
        if not text.strip() or text.lstrip().startswith(b"#"):
            return
        wanted = len(self.header)
        if b"\0" in text:
            zeros = text.count(0)
            got, expected, kind = f"{zeros} zero bytes", "a row", "zeros"
            if len(text) - zeros > 0 and zeros < 4:
                got = f"a row with {zeros} zero byte{'s' if zeros > 1 else ''}"
            reason = "zero bytes"
        elif text == self.header_line:
            got, expected, kind = "the header again", "a row", "header"
            reason = "repeated header"
        elif cut:
            got = f"{len(fields)} of {wanted} fields, cut short"
            expected, kind, reason = "a whole row", "cut", "cut short"
        else:
            shape = "a stray quote" if b'"' in text else f"{len(fields)} fields"
            got, expected, kind = shape, f"{wanted}", "fields"
            reason = shape
        parsed.trouble.append(
            Trouble(
                line=line,
                field="row",
                got=got,
                expected=expected,
                effect="aside",
                kind=kind,
            )
        )
        parsed.aside.append((line, text, reason))
