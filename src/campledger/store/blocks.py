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
from campledger.store.codec import decode, encode, encode_axis, plain
from campledger.store.types import Rows

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

MAGIC = b"CLB1"
AXIS, VALUES, WINDOW = 1, 2, 3
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


def _put(parts: list[bytes], blob: bytes) -> None:
    parts.append(struct.pack("<I", len(blob)))
    parts.append(blob)


def pack_window(header: Header, rows: tuple[Rows, ...]) -> bytes:
    """Pack the few rows of a window: plain columns, squeezed together."""
    parts: list[bytes] = [struct.pack("<H", len(rows))]
    for part in rows:
        columns = dict(part.values)
        if part.wall is not None:
            columns[WALL] = part.wall
        parts.append(struct.pack("<IH", len(part.uptime), len(columns)))
        parts.append(part.uptime.astype("<f8").tobytes())
        for name, values in columns.items():
            text = name.encode()
            parts.append(struct.pack("<B", len(text)) + text)
            _put(parts, _small(values))
    return pack(header, zlib.compress(b"".join(parts), 6))


_PLAIN, _INTEGER = 0, 1


def _small(values: FloatArray) -> bytes:
    """Hold few values as short differences of whole numbers where that is exact."""
    clean = plain(values)
    if len(clean) and np.isfinite(clean).all():
        for digits in range(8):
            numbers = np.rint(clean * 10.0**digits)
            if np.abs(numbers).max() < 2**31 and np.array_equal(
                numbers / 10.0**digits, clean
            ):
                steps = np.diff(numbers, prepend=0.0)
                kind = "<i2" if np.abs(steps[1:]).max(initial=0) < 2**15 else "<i4"
                if np.abs(steps).max() >= 2**31:
                    break
                first = struct.pack("<Bi", digits, int(numbers[0]))
                return (
                    bytes((_INTEGER, int(kind[2])))
                    + first
                    + steps[1:].astype(kind).tobytes()
                )
    return bytes((_PLAIN, 8)) + clean.astype("<f8").tobytes()


def _large(blob: bytes, count: int) -> FloatArray:
    if blob[0] == _PLAIN:
        return np.frombuffer(blob, dtype="<f8", offset=2).astype(np.float64)
    digits, first = struct.unpack_from("<Bi", blob, 2)
    steps = np.frombuffer(blob, dtype=f"<i{blob[1]}", offset=7).astype(np.float64)
    numbers = first + np.concatenate(([0.0], np.cumsum(steps)))
    out: FloatArray = numbers[:count] / 10.0**digits
    return out


def unpack_window(blob: bytes) -> tuple[Header, tuple[Rows, ...]]:
    """Give the rows of a window."""
    header, payload = unpack(blob, where="a window")
    data = zlib.decompress(payload)
    (groups,) = struct.unpack_from("<H", data)
    at, rows = 2, []
    for _ in range(groups):
        count, columns = struct.unpack_from("<IH", data, at)
        at += 6
        uptime = np.frombuffer(data, "<f8", count, at).astype(np.float64)
        at += 8 * count
        values: dict[str, FloatArray] = {}
        for _ in range(columns):
            name = data[at + 1 : at + 1 + data[at]].decode()
            at += 1 + data[at]
            (size,) = struct.unpack_from("<I", data, at)
            values[name] = _large(data[at + 4 : at + 4 + size], count)
            at += 4 + size
        wall = values.pop(WALL, None)
        rows.append(Rows(uptime=uptime, wall=wall, values=values))
    return header, tuple(rows)
