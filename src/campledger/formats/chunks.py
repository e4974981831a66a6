"""Rows of a recording on their way to the store, laid end to end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from campledger.formats.rowparse import Parsed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from campledger.formats.layout import RecordingMap
    from campledger.formats.timetext import IntArray
    from campledger.model.series import FloatArray


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


def empty_block(layout: RecordingMap) -> Parsed:
    """Give the columns of a block without rows."""
    none = np.zeros(0)
    return Parsed(
        lines=np.zeros(0, dtype=np.int64),
        time=none if layout.time.columns else None,
        boot=none if layout.time.boot else None,
        uptime=none if layout.time.boot else None,
        values=[none for _ in layout.columns],
    )


def joined(chunks: list[Chunk]) -> Chunk:
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
