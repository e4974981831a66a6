"""Parquet recordings, batch by batch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from campledger.formats.rowparse import Parsed, Trouble
from campledger.formats.textsource import refuse
from campledger.formats.timetext import TimeColumn, TimeStyle, zone_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from campledger.formats.layout import RecordingMap
    from campledger.model.series import FloatArray

BATCH = 65_536
_UNREADABLE = (pa.ArrowException, OSError, ValueError, MemoryError, OverflowError)


def parquet_names(path: Path) -> tuple[str, ...]:
    """Name the columns of a Parquet file."""
    try:
        with pq.ParquetFile(path, memory_map=False) as file:
            return tuple(file.schema_arrow.names)
    except _UNREADABLE as error:
        raise _damaged(path, error) from error


def _damaged(path: Path, error: BaseException) -> Exception:
    first = str(error).split("\n", 1)[0]
    return refuse(path, "file", f"damaged Parquet ({first[:80]})", "a readable file")


def parquet_blocks(path: Path, layout: RecordingMap) -> Iterator[Parsed]:
    """
    Give a file's columns batch by batch; lines are row numbers, first 1.

    Raises
    ------
    InputError
        The file is damaged, or a column holds neither numbers nor times.
    """
    time = layout.time
    wanted = [c.name for c in layout.columns]
    wanted += [n for n in (*time.columns, time.boot, time.uptime) if n]
    row = 1
    clock = TimeColumn(
        style=TimeStyle(
            date_order=time.date_order, zone=zone_of(time.zone) or TimeStyle().zone
        )
    )
    try:
        with pq.ParquetFile(path, memory_map=False) as file:
            for batch in file.iter_batches(
                batch_size=BATCH, columns=wanted, use_threads=False
            ):
                yield _batch(batch, layout, row, clock, path)
                row += batch.num_rows
    except _UNREADABLE as error:
        raise _damaged(path, error) from error


def _batch(
    batch: pa.RecordBatch,
    layout: RecordingMap,
    row: int,
    clock: TimeColumn,
    path: Path,
) -> Parsed:
    time = layout.time
    parsed = Parsed(lines=np.arange(row, row + batch.num_rows, dtype=np.int64))
    if time.boot:
        parsed.boot = _number(batch, time.boot, path)
        parsed.uptime = _number(batch, time.uptime, path)
    if time.columns:
        parsed.time = _time(batch.column(time.columns[0]), layout, clock)
    parsed.values = [_number(batch, c.name, path) for c in layout.columns]
    good = np.ones(batch.num_rows, dtype=bool)
    if parsed.boot is not None and parsed.uptime is not None:
        good = np.isfinite(parsed.boot) & (parsed.uptime >= 0)
    elif parsed.time is not None:
        good = np.isfinite(parsed.time)
    return parsed if good.all() else _without_time(parsed, good)


def _without_time(
    parsed: Parsed, good: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> Parsed:
    for line in parsed.lines[~good]:
        parsed.trouble.append(
            Trouble(
                line=int(line),
                field="time",
                got="nothing",
                expected="a time",
                effect="aside",
                kind="time",
            )
        )
        parsed.aside.append((int(line), b"", "no time"))
    return Parsed(
        lines=parsed.lines[good],
        time=None if parsed.time is None else parsed.time[good],
        boot=None if parsed.boot is None else parsed.boot[good],
        uptime=None if parsed.uptime is None else parsed.uptime[good],
        values=[v[good] for v in parsed.values],
        trouble=parsed.trouble,
        aside=parsed.aside,
    )


def _number(batch: pa.RecordBatch, name: str, path: Path) -> FloatArray:
    column = batch.column(batch.schema.get_field_index(name))
    try:
        wide = column.cast(pa.float64(), safe=False)
    except pa.ArrowException as error:
        raise refuse(
            path, name, f"a column of {column.type}", "a column of numbers"
        ) from error
    value = np.asarray(wide.to_numpy(zero_copy_only=False), dtype=np.float64)
    out: FloatArray = np.where(np.isfinite(value), value, np.nan)
    return out


def _time(column: pa.Array, layout: RecordingMap, clock: TimeColumn) -> FloatArray:
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        texts = [(t or "").encode() for t in column.to_pylist()]
        return clock.read(texts)
    if pa.types.is_timestamp(column.type):
        local = column.type.tz is None and not layout.native
        micros = column.cast(pa.timestamp("us", column.type.tz), safe=False)
        whole = micros.cast(pa.int64()).fill_null(0).to_numpy(zero_copy_only=False)
        good = np.asarray(column.is_valid().to_numpy(zero_copy_only=False), dtype=bool)
        if local:
            whole = clock.to_utc(whole, good)
        return np.asarray(np.where(good, whole / 1e6, np.nan), dtype=np.float64)
    value = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    over = 1000.0 if layout.time.format == "epoch_ms" else 1.0
    return np.asarray(np.asarray(value, dtype=np.float64) / over, dtype=np.float64)
