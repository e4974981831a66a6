"""
A recording as a bus: its rows are the readings, its clocks are the clocks.

Paced or as fast as possible; what comes after it cannot tell it from wires. Rows of a
recording without boots run on the uptime since its first row; a time that falls begins
another boot.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Protocol

import numpy as np

from campledger.model.ports import Reading

if TYPE_CHECKING:
    import threading
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from campledger.model.series import FloatArray


class EndOfReadingsError(Exception):
    """A replayed bus has nothing left."""


class Chunk(Protocol):
    """Rows in file order; see ``formats.recording``."""

    @property
    def values(self) -> Mapping[str, FloatArray]:
        """Readings by channel."""

    @property
    def time_utc(self) -> FloatArray | None:
        """What the clock said."""

    @property
    def boot(self) -> NDArray[np.int64] | None:
        """Boot numbers."""

    @property
    def uptime(self) -> FloatArray | None:
        """Seconds since boot."""


class Recording(Protocol):
    """An opened recording."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Name what it carries."""

    def __iter__(self) -> Iterator[Chunk]:
        """Give chunks in file order."""


class ReplayBus:
    """
    Bus, driver and clock of a replay at once.

    Parameters
    ----------
    recording : Recording
        Opened; iterated once.
    pace : float
        Times real time; 0 = as fast as possible.
    """

    def __init__(self, recording: Recording, pace: float = 0.0) -> None:
        self.name = "replay"
        self.interval = 0.0
        self.channels = recording.channels
        self.pace = pace
        self.boot = ""
        self._rows = self._iterate(recording)
        self._values: Mapping[str, float] = {}
        self._next: tuple[str, float, float, Mapping[str, float]] | None = None
        self._uptime = 0.0
        self._wall = math.nan
        self._real: float | None = None

    # the clock

    def uptime(self) -> float:
        """Uptime of the row that was read last. [s]"""
        return self._uptime

    def wall(self) -> float:
        """What that row's clock said. [s]"""
        return self._wall

    def sleep_until(self, uptime: float, stop: threading.Event) -> None:
        """Wait as long as the recording did, divided by the pace."""
        if self.pace <= 0.0 or self._next is None:
            return
        now = time.monotonic()
        if self._next[0] != self.boot or self._real is None:
            self._real = now - uptime / self.pace
        stop.wait(max(self._real + uptime / self.pace - now, 0.0))

    # the driver

    def start(self) -> None:
        """Nothing to set up."""

    def read(self) -> Reading:
        """Give the next row."""
        if self._next is None:
            raise EndOfReadingsError
        self.boot, self._uptime, self._wall, self._values = self._next
        return Reading(values=self._values)

    def follow(self) -> float:
        """Look at the next row; gives its uptime. [s]"""
        self._next = next(self._rows, None)
        if self._next is None:
            raise EndOfReadingsError
        return self._next[1]

    def _iterate(
        self, recording: Recording
    ) -> Iterator[tuple[str, float, float, Mapping[str, float]]]:
        state = _Timeline()
        for chunk in recording:
            names = tuple(chunk.values)
            columns = [chunk.values[n].tolist() for n in names]
            boots, uptime, wall = state.place(chunk)
            for boot, up, at, row in zip(
                boots,
                uptime.tolist(),
                wall.tolist(),
                zip(*columns, strict=True),
                strict=True,
            ):
                yield boot, up, at, dict(zip(names, row, strict=True))


class _Timeline:
    """Boots and uptimes of rows, also where a recording has only times."""

    def __init__(self) -> None:
        self._origin = math.nan
        self._last = -math.inf
        self._number = 0

    def place(self, chunk: Chunk) -> tuple[list[str], FloatArray, FloatArray]:
        rows = len(next(iter(chunk.values.values()), ()))
        if chunk.boot is not None and chunk.uptime is not None:
            wall = chunk.time_utc
            if wall is None:
                wall = np.full(rows, np.nan)
            return [str(b) for b in chunk.boot.tolist()], chunk.uptime, wall
        if chunk.time_utc is None:
            return [], np.zeros(0), np.zeros(0)
        boots, uptime = [], np.empty(rows)
        for k, moment in enumerate(chunk.time_utc.tolist()):
            if not moment > self._last:
                self._number += 1
                self._origin = moment
            self._last = moment
            if self._number == 0:
                self._number, self._origin = 1, moment
            boots.append(str(self._number))
            uptime[k] = moment - self._origin
        return boots, uptime, chunk.time_utc
