"""
Float arrays to few bytes and back, bit for bit.

Sensors are quantised: a reading is a whole number times a step, or divided by a power
of ten. Where every value of an array comes back bit for bit from its whole number, the
numbers are stored; else the floats are. NaN is kept as runs beside the values. Minus
zero is a form of zero and must be made plain zero before (see `plain`).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import numpy as np
from pcodec import ChunkConfig
from pcodec.standalone import simple_compress, simple_decompress

from campledger.errors import StoreDamagedError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from campledger.model.series import FloatArray

EMPTY, CONSTANT, REGULAR, DECIMAL, DECIMAL32, STEP, FLOAT32, FLOAT64 = range(8)
"""Codec numbers, for ever: a number is never given a second meaning."""
SUPPORTED = frozenset(range(8))

LEVEL = 8
"""Compression level: best size for the time it takes on sensor noise; measured in
tests/bench/bench_store.py."""
DECIMALS = 7
LARGEST, SMALLEST = 1e15, 1e-12
"""No reading is as large, no step as small: such values are kept as they are."""
DECIMALS_SINGLE = 4
"""More digits than this are as good as none in single precision."""
_INT32 = 2**31 - 1
EXACT = 2.0**52

_HEAD = struct.Struct("<BII")


def plain(values: FloatArray) -> FloatArray:
    """Give float64 values with one form of zero and one form of NaN."""
    out = np.array(values, dtype=np.float64) + 0.0
    bad = np.isnan(out)
    if bad.any():
        out[bad] = np.nan
    return out


def _whole(numbers: FloatArray) -> NDArray[np.int32] | NDArray[np.int64]:
    """Hold whole numbers in the narrowest type that pcodec compresses well."""
    if np.abs(numbers).max() <= _INT32:
        return numbers.astype(np.int32)
    return numbers.astype(np.int64)


def _probe(values: FloatArray) -> FloatArray:
    return values[:: max(1, len(values) // 64)]


def _decimals(values: FloatArray, *, single: bool) -> tuple[int, FloatArray] | None:
    """Find the fewest decimals that give every value back, and the whole numbers."""
    probe = _probe(values)
    for digits in range((DECIMALS_SINGLE if single else DECIMALS) + 1):
        if _whole_numbers(probe, 10.0**digits, single=single) is not None:
            numbers = _whole_numbers(values, 10.0**digits, single=single)
            if numbers is not None:
                return digits, numbers
    return None


def _whole_numbers(
    values: FloatArray, scale: float, *, single: bool
) -> FloatArray | None:
    numbers: FloatArray = np.rint(values * scale)
    back = numbers / scale
    if single:
        back = back.astype(np.float32).astype(np.float64)
    if np.array_equal(back, values) and np.abs(numbers).max() <= EXACT:
        return numbers
    return None


def _step(values: FloatArray) -> tuple[float, FloatArray] | None:
    """Find a step of which every value is a whole multiple, bit for bit."""
    levels = np.unique(values)
    gaps = np.diff(levels[:4096])
    if not gaps.size:
        return None
    guess = float(gaps.min())
    if guess < SMALLEST:
        return None
    largest = float(np.abs(levels[[0, -1]]).max())
    nearest = round(largest / guess)
    for step in (guess, largest / nearest if nearest else guess):
        numbers = np.rint(values / step)
        if np.abs(numbers).max() <= _INT32 and np.array_equal(numbers * step, values):
            return step, numbers
    return None


def _pack_values(values: FloatArray) -> tuple[int, bytes]:
    """Choose a codec for values without NaN and give its number and bytes."""
    if not len(values):
        return EMPTY, b""
    if (values == values[0]).all():
        return CONSTANT, struct.pack("<d", values[0])
    config = ChunkConfig(compression_level=LEVEL)
    if (np.abs(values) < LARGEST).all():
        found = _decimals(values, single=False)
        if found:
            body = simple_compress(_whole(found[1]), config)
            return DECIMAL, bytes((found[0],)) + body
        stepped = _step(values)
        if stepped:
            body = simple_compress(_whole(stepped[1]), config)
            return STEP, struct.pack("<d", stepped[0]) + body
        single = values.astype(np.float32)
        if np.array_equal(single.astype(np.float64), values):
            found = _decimals(values, single=True)
            if found:
                body = simple_compress(_whole(found[1]), config)
                return DECIMAL32, bytes((found[0],)) + body
            return FLOAT32, simple_compress(single, config)
    return FLOAT64, simple_compress(np.ascontiguousarray(values), config)


def _unpack_values(codec: int, body: bytes, count: int) -> FloatArray:
    if codec == EMPTY:
        return np.zeros(0)
    if codec == CONSTANT:
        return np.full(count, struct.unpack("<d", body)[0])
    if codec == REGULAR:
        first, step = struct.unpack("<dd", body)
        axis: FloatArray = first + step * np.arange(count)
        return axis
    if codec in (DECIMAL, DECIMAL32):
        out = _numbers(body[1:]) / 10.0 ** body[0]
        if codec == DECIMAL32:
            out = out.astype(np.float32).astype(np.float64)
        return out
    if codec == STEP:
        stepped: FloatArray = _numbers(body[8:]) * struct.unpack_from("<d", body)[0]
        return stepped
    return _numbers(body)


def _numbers(body: bytes) -> FloatArray:
    return np.asarray(simple_decompress(body), dtype=np.float64)


def _runs(bad: NDArray[np.bool_]) -> NDArray[np.uint32]:
    """Give start and length of the runs of True, one after the other."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], bad, [False]))))
    starts, ends = edges[::2], edges[1::2]
    gaps = np.diff(np.concatenate(([0], np.stack((starts, ends), axis=1).ravel())))
    return gaps.astype(np.uint32)


def encode(values: FloatArray) -> tuple[int, bytes]:
    """
    Pack values.

    Parameters
    ----------
    values : (n,) float64
        Any values, as `plain` gives them.

    Returns
    -------
    codec : int
        Number of the codec of the values that are not NaN.
    blob : bytes
        What `decode` takes.
    """
    bad = np.isnan(values)
    runs = b""
    good = values
    if bad.any():
        good = values[~bad]
        runs = simple_compress(_runs(bad), ChunkConfig(compression_level=LEVEL))
    codec, body = _pack_values(good)
    return codec, _HEAD.pack(codec, len(values), len(runs)) + runs + body


def decode(blob: bytes) -> FloatArray:
    """
    Unpack values.

    Parameters
    ----------
    blob : bytes
        From `encode`.

    Returns
    -------
    values : (n,) float64
        Bit for bit what was packed.
    """
    codec, count, size = _HEAD.unpack_from(blob)
    if codec not in SUPPORTED:
        msg = f"reading a block: codec is {codec}, expected one of 0..{FLOAT64}"
        raise StoreDamagedError(msg)
    body = blob[_HEAD.size + size :]
    if not size:
        return _unpack_values(codec, body, count)
    edges = np.cumsum(simple_decompress(blob[_HEAD.size : _HEAD.size + size]))
    bad = np.zeros(count + 1, dtype=np.int8)
    bad[edges[::2]] += 1
    bad[edges[1::2]] -= 1
    good = np.cumsum(bad[:-1]) == 0
    out = np.full(count, np.nan)
    out[good] = _unpack_values(codec, body, int(good.sum()))
    return out


def regular_axis(first: float, last: float, count: int) -> FloatArray:
    """Give the axis of even steps between two times; steps are whole microseconds."""
    step = round((last - first) / max(count - 1, 1), 6)
    axis: FloatArray = first + step * np.arange(count, dtype=np.float64)
    return axis


def is_regular(times: FloatArray) -> bool:
    """Tell whether first, last and count give every time back, bit for bit."""
    axis = regular_axis(float(times[0]), float(times[-1]), len(times))
    return bool(np.array_equal(axis, times))


def encode_axis(times: FloatArray) -> bytes:
    """Pack increasing times; a regular axis takes a few bytes. [s]"""
    count = len(times)
    if count > 1 and is_regular(times):
        step = round((times[-1] - times[0]) / (count - 1), 6)
        return _HEAD.pack(REGULAR, count, 0) + struct.pack("<dd", times[0], step)
    return encode(times)[1]
