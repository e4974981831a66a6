"""
Series to files that general engines read: CSV, Parquet and line protocol.

``time_utc`` is the end of the period. Missing is an empty field, a null, or absent.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TextIO

import numpy as np

from campledger.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from campledger.model.series import FloatArray

SUFFIXES = (".csv", ".parquet", ".lp")
ROWS_AT_ONCE = 50_000
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_UNIT_OF_SUFFIX: Mapping[str, str] = {
    "v": "V",
    "a": "A",
    "w": "W",
    "wh": "W.h",
    "ah": "A.h",
    "c": "Cel",
    "mps": "m/s",
    "mohm": "mOhm",
    "s": "s",
    "h": "h",
    "deg": "deg",
    "kg": "kg",
}
"""Unit suffix of a column name to UCUM."""


def unit_of(name: str) -> str:
    """Give the UCUM unit that a column's name carries; shares and states are 1."""
    return _UNIT_OF_SUFFIX.get(name.rsplit("_", 1)[-1], "1")


def write_series(
    path: Path,
    time_utc: FloatArray,
    series: Mapping[str, FloatArray],
    *,
    about: Mapping[str, str] | None = None,
) -> int:
    """
    Write series on one time axis; the file's ending chooses the form.

    Parameters
    ----------
    path : Path
        ``.csv``, ``.parquet`` or ``.lp``.
    time_utc : (n,) float64
        Ends of the periods. [s]
    series : mapping of str to (n,) float64
        Column name (with unit) to values, NaN = missing.
    about : mapping of str to str
        Facts for the file's metadata (Parquet) or tags (line protocol), e.g. ``rig``.

    Returns
    -------
    rows : int
        Rows written.

    Raises
    ------
    InputError
        An ending that is not known, or a folder that cannot be written.
    """
    check_target(path)
    facts = dict(about or {})
    try:
        if path.suffix == ".parquet":
            _write_parquet(path, time_utc, series, facts)
        else:
            write = _write_csv if path.suffix == ".csv" else _write_lines
            with path.open("w", encoding="utf-8", newline="") as file:
                write(file, time_utc, series, facts)
    except OSError as error:
        raise InputError(
            Fault(
                file=path.name,
                field="file",
                got=(error.strerror or str(error)).lower(),
                expected="a place that can be written",
                effect="Nothing written.",
            )
        ) from error
    return len(time_utc)


def check_target(path: Path) -> None:
    """Refuse an ending that is not known, before any work is done."""
    if path.suffix not in SUFFIXES:
        raise InputError(
            Fault(
                file=path.name,
                field="--out",
                got=f'"{path.suffix}"',
                expected=", ".join(SUFFIXES[:-1]) + f" or {SUFFIXES[-1]}",
                effect="Nothing written.",
            )
        )


def safe_text(text: str) -> str:
    """
    Write a text cell so that a sheet shows it and does not run it.

    A leading = + - @ gets an apostrophe before it; quotes and separators are quoted.
    """
    if text.startswith(_FORMULA):
        text = "'" + text
    if any(c in text for c in ',"\n\r') or text.startswith("'"):
        return '"' + text.replace('"', '""') + '"'
    return text


def spell_time(when: float) -> str:
    """Write a time as ISO 8601 in UTC, with as many decimals as it needs."""
    if not math.isfinite(when):
        return ""
    micros = round(when * 1e6)
    whole = datetime.fromtimestamp(micros // 1_000_000, UTC)
    fraction = micros % 1_000_000
    tail = f".{fraction:06d}".rstrip("0") if fraction else ""
    return whole.strftime("%Y-%m-%dT%H:%M:%S") + tail + "Z"


def spell_number(value: float) -> str:
    """Write a number so that reading gives it back; missing is empty."""
    if not math.isfinite(value):
        return ""
    return repr(float(value)).removesuffix(".0")


def _pieces(
    time_utc: FloatArray, series: Mapping[str, FloatArray]
) -> Iterator[tuple[list[str], list[list[float]]]]:
    for start in range(0, len(time_utc), ROWS_AT_ONCE):
        part = slice(start, start + ROWS_AT_ONCE)
        times = [spell_time(t) for t in time_utc[part].tolist()]
        yield times, [v[part].tolist() for v in series.values()]


def _write_csv(
    file: TextIO,
    time_utc: FloatArray,
    series: Mapping[str, FloatArray],
    _: Mapping[str, str],
) -> None:
    file.write(",".join(["time_utc", *(safe_text(n) for n in series)]) + "\n")
    for times, columns in _pieces(time_utc, series):
        texts = [list(map(spell_number, c)) for c in columns]
        rows = zip(times, *texts, strict=True)
        file.writelines(",".join(row) + "\n" for row in rows)


def write_table(
    path: Path, header: Sequence[str], rows: Iterable[Sequence[str | float]]
) -> None:
    """Write a table of texts and numbers as CSV that is safe to open in a sheet."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(",".join(safe_text(h) for h in header) + "\n")
        for row in rows:
            cells = [
                safe_text(c) if isinstance(c, str) else spell_number(c) for c in row
            ]
            file.write(",".join(cells) + "\n")


def _escape(text: str, marks: str) -> str:
    """Escape for line protocol; line breaks cannot stand in it."""
    clean = " ".join(text.split("\n")).replace("\\", "\\\\")
    for mark in marks:
        clean = clean.replace(mark, "\\" + mark)
    return clean


def _write_lines(
    file: TextIO,
    time_utc: FloatArray,
    series: Mapping[str, FloatArray],
    about: Mapping[str, str],
) -> None:
    measurement = _escape(about.get("measurement", "campledger"), ", ")
    tags = "".join(
        f",{_escape(k, ',= ')}={_escape(v, ',= ')}"
        for k, v in sorted(about.items())
        if v and k != "measurement"
    )
    names = [_escape(n, ",= ") for n in series]
    head = measurement + tags
    for start in range(0, len(time_utc), ROWS_AT_ONCE):
        part = slice(start, start + ROWS_AT_ONCE)
        stamps = (np.round(time_utc[part] * 1e6).astype(np.int64) * 1000).tolist()
        columns = [v[part].tolist() for v in series.values()]
        for stamp, *row in zip(stamps, *columns, strict=True):
            fields = ",".join(
                f"{n}={float(v)!r}"
                for n, v in zip(names, row, strict=True)
                if math.isfinite(v)
            )
            if fields:
                file.write(f"{head} {fields} {stamp}\n")


def _write_parquet(
    path: Path,
    time_utc: FloatArray,
    series: Mapping[str, FloatArray],
    about: Mapping[str, str],
) -> None:
    import pyarrow as pa  # noqa: PLC0415  costs 30 MB that CSV need not pay
    import pyarrow.parquet as pq  # noqa: PLC0415

    fields = [
        pa.field(
            "time_utc",
            pa.timestamp("us", "UTC"),
            metadata={"unit": "s", "meaning": "end of the period"},
        )
    ]
    fields += [pa.field(n, pa.float64(), metadata={"unit": unit_of(n)}) for n in series]
    schema = pa.schema(fields, metadata={k: v for k, v in about.items() if v})
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for start in range(0, max(1, len(time_utc)), ROWS_AT_ONCE):
            part = slice(start, start + ROWS_AT_ONCE)
            micros = np.round(time_utc[part] * 1e6).astype(np.int64)
            arrays = [pa.array(micros).cast(pa.timestamp("us", "UTC"))]
            arrays += [pa.array(v[part], from_pandas=True) for v in series.values()]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
