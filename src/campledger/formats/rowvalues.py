"""Cells of a text recording to numbers and times, whole columns at once."""

from __future__ import annotations

import csv
import re
from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from campledger.formats.timetext import (
    LENGTH_MOST,
    TimeColumn,
)
from campledger.formats.tomlfile import shorten

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from campledger.model.series import FloatArray

_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_OTHER_STYLE = re.compile(rb"[+-]?\d*,\d+")
_THOUSANDS = re.compile(
    rb"[+-]?\d{1,3}(?:[.,' ]\d{3})+(?:[.,]\d+)?|[+-]?\d+[.,][\d.,]+"
)
NAN = float("nan")


def quoted(raw: bytes) -> str:
    """Show a cell in quotes, shortened."""
    return f'"{shorten(raw.decode("utf-8", "replace"))}"'


def join_texts(lists: Sequence[Sequence[bytes]]) -> list[bytes]:
    """Join date and time columns, row by row."""
    if len(lists) == 1:
        return list(lists[0])
    return [a + b" " + b for a, b in zip(*lists, strict=True)]


def unquote(text: bytes, separator: str) -> list[bytes] | None:
    """Take a line with quotes apart; None if they do not pair."""
    try:
        rows = list(
            csv.reader(
                [text.decode("utf-8", "surrogateescape")],
                delimiter=separator,
                strict=True,
            )
        )
    except csv.Error:
        return None
    if len(rows) != 1 or any("\n" in f for f in rows[0]):
        return None
    return [f.encode("utf-8", "surrogateescape") for f in rows[0]]


def even_bytes(column: pa.ChunkedArray) -> NDArray[np.uint8] | None:
    """Give texts that all have one length as a table of bytes, without copying."""
    array = column.combine_chunks()
    count = len(array)
    if not count or array.null_count:
        return None
    _, marks, data = array.buffers()
    offsets = np.frombuffer(marks, dtype=np.int32)[array.offset :][: count + 1]
    length = int(offsets[1] - offsets[0])
    if not 0 < length <= LENGTH_MOST or (np.diff(offsets) != length).any():
        return None
    start = int(offsets[0])
    flat = np.frombuffer(data, dtype=np.uint8)[start : start + count * length]
    return flat.reshape(count, length)


def floats_of(column: pa.ChunkedArray) -> FloatArray:
    """Give a column of the engine as numbers, NaN where empty."""
    array: FloatArray = column.combine_chunks().to_numpy(zero_copy_only=False)
    return np.asarray(array, dtype=np.float64)


def seconds_of(column: pa.ChunkedArray) -> FloatArray:
    """Give a column of instants as seconds since 1970."""
    whole = column.combine_chunks()
    micros = whole.cast(pa.int64()).to_numpy(zero_copy_only=False)
    if micros.dtype == np.int64:
        seconds: FloatArray = micros / 1e6
        return seconds
    out: FloatArray = micros.astype(np.float64) / 1e6
    return out


def localise(local: FloatArray, clock: TimeColumn) -> FloatArray:
    """Turn local seconds into UTC by the column's zone."""
    if clock.style.zone is UTC:
        return local
    good = np.isfinite(local)
    micros = np.where(good, np.round(local * 1e6), 0.0).astype(np.int64)
    utc = clock.to_utc(micros, good)
    return np.where(good, utc / 1e6, np.nan)


def convert_texts(
    texts: Sequence[bytes], decimal: str
) -> tuple[FloatArray, list[tuple[int, bytes, str]]]:
    """Turn texts into numbers; gives what is none: (index, text, kind)."""
    known: dict[bytes, float] = {}
    odd: dict[bytes, str] = {}
    for text in set(texts):
        known[text], kind = _one(text, decimal)
        if kind:
            odd[text] = kind
    array = np.fromiter((known[t] for t in texts), dtype=np.float64, count=len(texts))
    if not odd:
        return array, []
    return array, [(n, t, odd[t]) for n, t in enumerate(texts) if t in odd]


def _one(raw: bytes, decimal: str) -> tuple[float, str]:
    text = raw.strip()
    if not text:
        return NAN, ""
    plain = text
    if decimal == ",":
        plain = text.translate(_SWAP)
    if _NUMBER.fullmatch(plain):
        value = float(plain)
        return (value, "") if abs(value) < 1e300 else (NAN, "text")
    if plain.lower() == b"nan":
        return NAN, ""
    if _OTHER_STYLE.fullmatch(plain):
        return NAN, "style"
    if _THOUSANDS.fullmatch(text):
        return NAN, "thousands"
    return NAN, "text"


_SWAP = bytes.maketrans(b".,", b",.")
