"""
Self-describing blobs: each carries enough to be used without the rest of the file.

A header in the clear (recorder, boot, channel, range, rows, codec, group) and a check
sum come first, so that `salvage` can take every whole blob out of a damaged file.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import StoreDamagedError
from campledger.store.codec import (
    DECIMALS,
    EXACT,
    LARGEST,
    decode,
    encode,
    encode_axis,
    plain,
)
from campledger.store.types import Rows

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

MAGIC = b"CLB1"
AXIS, VALUES, WINDOW = 1, 2, 3
REGULAR_AXIS = 2
"""Bit of ``sampling`` in a header: first, last and rows give the whole axis."""
_FIXED = struct.Struct("<4sIBBIIqdd")
_NO_NUMBER = -(2**63)
MIN_SPARSE = 0.5
"""A channel with fewer good rows than this share is read at its own, slower pace."""


@dataclass(frozen=True, kw_only=True)
class Header:
    """What a blob says of itself in the clear; ``number`` None = dated by its clock."""

    kind: int
    sampling: int
    rows: int
    group: int
    recorder: str
    number: int | None
    ordinal: int
    channel: str
    first: float
    last: float


def pack(header: Header, payload: bytes) -> bytes:
    """Put header, check sum and payload together."""
    texts = b"\0".join(
        (
            header.recorder.encode(),
            header.channel.encode(),
            str(header.ordinal).encode(),
        )
    )
    number = _NO_NUMBER if header.number is None else header.number
    fixed = _FIXED.pack(
        MAGIC,
        0,
        header.kind,
        header.sampling,
        header.rows,
        header.group,
        number,
        header.first,
        header.last,
    )
    body = fixed[8:] + struct.pack("<H", len(texts)) + texts + payload
    return MAGIC + struct.pack("<I", zlib.crc32(body)) + body


def is_whole(blob: bytes) -> bool:
    """Tell whether the check sum fits."""
    return (
        len(blob) > _FIXED.size + 2
        and blob[:4] == MAGIC
        and zlib.crc32(memoryview(blob)[8:]) == struct.unpack_from("<I", blob, 4)[0]
    )


def crc_of(blob: bytes) -> int:
    """Give the check sum that a blob carries."""
    return int(struct.unpack_from("<I", blob, 4)[0])


def unpack(blob: bytes, *, where: str = "a block") -> tuple[Header, bytes]:
    """Check a blob and take it apart."""
    if not is_whole(blob):
        msg = f"reading {where}: check sum does not fit, expected a whole block"
        raise StoreDamagedError(msg)
    return peek(blob)


def peek(blob: bytes) -> tuple[Header, bytes]:
    """Take a blob apart without looking at its check sum."""
    _, _, kind, sampling, rows, group, number, first, last = _FIXED.unpack_from(blob)
    size = struct.unpack_from("<H", blob, _FIXED.size)[0]
    at = _FIXED.size + 2
    recorder, channel, ordinal = blob[at : at + size].split(b"\0")
    header = Header(
        kind=kind,
        sampling=sampling,
        rows=rows,
        group=group,
        recorder=recorder.decode(),
        number=None if number == _NO_NUMBER else number,
        ordinal=int(ordinal),
        channel=channel.decode(),
        first=first,
        last=last,
    )
    return header, blob[at + size :]


def pack_axis(header: Header, times: FloatArray) -> bytes:
    """Pack the time axis that the channels of a group share."""
    return pack(header, encode_axis(times))


def pack_values(header: Header, values: FloatArray) -> tuple[int, bytes]:
    """Pack one channel of a group; gives the codec too."""
    codec, payload = encode(plain(values))
    return codec, pack(header, payload)


def read_array(blob: bytes, *, where: str = "a block") -> FloatArray:
    """Give the array of an axis or of values."""
    return decode(unpack(blob, where=where)[1])


WALL = "|wall"
"""Pseudo-channel: what the wall clock said minus uptime."""


def pack_window(header: Header, rows: tuple[Rows, ...]) -> bytes:
    """Pack the few rows of a window: plain columns, squeezed together."""
    parts: list[bytes] = [struct.pack("<H", len(rows))]
    for part in rows:
        columns = {"": part.uptime, **part.values}
        if part.wall is not None:
            columns[WALL] = np.round(part.wall - part.uptime, 6)
        parts.append(struct.pack("<H", len(columns)))
        for name, values in columns.items():
            text, blob = name.encode(), _small(values)
            parts += [struct.pack("<BH", len(text), len(blob)), text, blob]
    return pack(header, zlib.compress(b"".join(parts), 6))


_PLAIN, _INTEGER = 0, 1
_SMALL = struct.Struct("<BBBq")


def _small(values: FloatArray) -> bytes:
    """Hold few values as short differences of whole numbers where that is exact."""
    clean = plain(values)
    if len(clean) and (np.abs(clean) < LARGEST).all():
        for digits in range(DECIMALS + 1):
            numbers = np.rint(clean * 10.0**digits)
            if np.abs(numbers).max() > EXACT:
                break
            if not np.array_equal(numbers / 10.0**digits, clean):
                continue
            steps = np.diff(numbers)
            reach = np.abs(steps).max(initial=0.0)
            width = next((w for w in (1, 2, 4) if reach < 2 ** (8 * w - 1)), 0)
            if not width:
                break
            head = _SMALL.pack(_INTEGER, width, digits, int(numbers[0]))
            return head + steps.astype(f"<i{width}").tobytes()
    return bytes((_PLAIN,)) + clean.astype("<f8").tobytes()


def _large(blob: bytes) -> FloatArray:
    if blob[0] == _PLAIN:
        return np.frombuffer(blob, dtype="<f8", offset=1).astype(np.float64)
    _, width, digits, first = _SMALL.unpack_from(blob)
    steps = np.frombuffer(blob, dtype=f"<i{width}", offset=_SMALL.size)
    numbers = first + np.concatenate(([0], np.cumsum(steps, dtype=np.int64)))
    out: FloatArray = numbers / 10.0**digits
    return out


def unpack_window(blob: bytes) -> tuple[Header, tuple[Rows, ...]]:
    """Give the rows of a window."""
    header, payload = unpack(blob, where="a window")
    data = zlib.decompress(payload)
    (groups,) = struct.unpack_from("<H", data)
    at, rows = 2, []
    for _ in range(groups):
        (columns,) = struct.unpack_from("<H", data, at)
        at += 2
        values: dict[str, FloatArray] = {}
        for _ in range(columns):
            length, size = struct.unpack_from("<BH", data, at)
            at += 3
            name = data[at : at + length].decode()
            at += length
            values[name] = _large(data[at : at + size])
            at += size
        uptime = values.pop("")
        lag = values.pop(WALL, None)
        wall = None if lag is None else uptime + lag
        rows.append(Rows(uptime=uptime, wall=wall, values=values))
    return header, tuple(rows)
