"""Out of the store: trips as the core wants them, loaded channel by channel."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.series import MINUTE, BoolArray, FloatArray, Series
from campledger.store import boots as bt
from campledger.store.blocks import read_array
from campledger.store.summary import Extremes, own_pace
from campledger.store.types import SAMPLING, Rows
from campledger.store.writer import join_windows

if TYPE_CHECKING:
    from campledger.model.clock import BootClock
    from campledger.model.rig import Correction
    from campledger.store.file import StoreFile


@dataclass(frozen=True, kw_only=True)
class Piece:
    """Readings of one channel from one block or window: uptime, value, sampling."""

    group: int
    boot: int
    sampling: int
    uptime: FloatArray
    value: FloatArray


class Snapshot:
    """
    What is needed to read a span: boots, clocks and which blocks touch it.

    Every query is fetched whole at once, so no transaction stays open.
    """

    def __init__(
        self,
        file: StoreFile,
        start: float,
        end: float,
        corrections: Sequence[Correction] = (),
    ) -> None:
        self.file = file
        self.start, self.end = start, end
        self.corrections = tuple(corrections)
        with file.reading() as db:
            self.clocks = bt.clocks(db)

    def bounds(self, clock: BootClock, *, margin: float = 0.0) -> tuple[float, float]:
        """Give the span in the uptime of a boot."""
        return (
            (self.start - margin - clock.origin) / clock.rate,
            (self.end + margin - clock.origin) / clock.rate,
        )

    @cached_property
    def channels(self) -> tuple[str, ...]:
        """Name the channels that have readings in the span."""
        found: set[str] = set()
        with self.file.reading() as db:
            for boot, clock in self.clocks.items():
                a, b = self.bounds(clock)
                rows = db.execute(
                    "select distinct n.name from grp g join col c on c.grp = g.id "
                    "join channel n on n.id = c.channel "
                    "where g.boot = ? and g.last >= ? and g.first <= ?",
                    (boot, a, b),
                )
                found.update(name for (name,) in rows)
        for pieces in self.recent.values():
            for rows_ in pieces:
                found.update(rows_[1].values)
        return tuple(sorted(n for n in found if not n.startswith("|")))

    @cached_property
    def recent(self) -> dict[int, list[tuple[int, Rows]]]:
        """Rows still in windows, by boot."""
        out: dict[int, list[tuple[int, Rows]]] = {}
        with self.file.reading() as db:
            for boot, clock in self.clocks.items():
                a, b = self.bounds(clock, margin=MINUTE)
                blobs = db.execute(
                    "select blob from window where boot = ? and last >= ? "
                    "and first <= ? order by id",
                    (boot, a, b),
                ).fetchall()
                if blobs:
                    out[boot] = join_windows(x for (x,) in blobs)
        return out

    def sealed(self, name: str, boot: int, a: float, b: float) -> list[Piece]:
        """Load the blocks of a channel of one boot in an uptime range, in order."""
        sql = (
            "select g.id, g.sampling, g.axis, c.blob from grp g "
            "join col c on c.grp = g.id join channel n on n.id = c.channel "
            "where n.name = ? and g.boot = ? and g.last >= ? and g.first <= ? "
            "order by g.first, g.id"
        )
        with self.file.reading() as db:
            found = db.execute(sql, (name, boot, a, b)).fetchall()
        return [
            Piece(
                group=group,
                boot=boot,
                sampling=sampling,
                uptime=read_array(axis, where=f"{name} of boot {boot}"),
                value=read_array(blob, where=f"{name} of boot {boot}"),
            )
            for group, sampling, axis, blob in found
        ]

    def extremes(
        self, name: str, group: int
    ) -> tuple[FloatArray | None, FloatArray | None]:
        """Load the lowest and highest polls of a channel in a block, if kept."""
        out: list[FloatArray | None] = []
        stem, _, unit = name.rpartition("_")
        with self.file.reading() as db:
            for end in ("min", "max"):
                row = db.execute(
                    "select c.blob from col c join channel n on n.id = c.channel "
                    "where c.grp = ? and n.name = ?",
                    (group, f"{stem}_{end}_{unit}"),
                ).fetchone()
                out.append(None if row is None else read_array(row[0]))
        return out[0], out[1]

    def pieces(self, name: str, *, margin: float = 0.0) -> list[Piece]:
        """Load everything of a channel in the span, sealed and recent."""
        out: list[Piece] = []
        for boot, clock in self.clocks.items():
            out.extend(self.sealed(name, boot, *self.bounds(clock, margin=margin)))
            for sampling, rows in self.recent.get(boot, ()):
                if name in rows.values:
                    out.append(
                        Piece(
                            group=0,
                            boot=boot,
                            sampling=sampling,
                            uptime=rows.uptime,
                            value=rows.values[name],
                        )
                    )
        return out

    def series(self, name: str) -> Series:
        """Load a channel: dated, corrected, times increasing strictly."""
        pieces = self.pieces(name)
        times, values, weight = [], [], [0, 0]
        for piece in pieces:
            uptime, value, _ = own_pace(piece.uptime, piece.value, Extremes())
            times.append(self.clocks[piece.boot].at(uptime))
            values.append(value)
            weight[piece.sampling] += len(value)
        time, value = _in_order(times, values)
        a, b = np.searchsorted(time, [self.start, self.end], side="right")
        if a and time[a - 1] == self.start:
            a -= 1
        time, value = time[a:b], value[a:b]
        sampling = SAMPLING[int(weight[1] > weight[0])]
        return Series(
            time_utc=time, value=self.correct(name, time, value), sampling=sampling
        )

    def correct(self, name: str, time: FloatArray, value: FloatArray) -> FloatArray:
        """Apply the corrections of a channel; raw values stay as they are stored."""
        for fix in self.corrections:
            if fix.channel == name:
                inside = _inside(fix, time)
                value = np.where(inside, fix.scale * value + fix.offset, value)
        return value


def _inside(fix: Correction, time: FloatArray) -> BoolArray:
    start = -math.inf if fix.start_utc is None else fix.start_utc
    end = math.inf if fix.end_utc is None else fix.end_utc
    out: BoolArray = (time > start) & (time <= end)
    return out


def _in_order(
    times: list[FloatArray], values: list[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Join pieces; where two hold the same time, a good value stands."""
    if not times:
        return np.zeros(0), np.zeros(0)
    time, value = np.concatenate(times), np.concatenate(values)
    if len(time) > 1 and not (np.diff(time) > 0).all():
        order = np.lexsort((np.isnan(value), time))
        time, value = time[order], value[order]
        keep = np.concatenate(([True], np.diff(time) > 0))
        time, value = time[keep], value[keep]
    return time, value


class ChannelMap(Mapping[str, Series]):
    """Channels of a span; each is loaded when it is asked for and then let go."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot

    def __getitem__(self, name: str) -> Series:
        """Load a channel."""
        if name not in self.snapshot.channels:
            raise KeyError(name)
        return self.snapshot.series(name)

    def __contains__(self, name: object) -> bool:
        """Tell whether a channel has readings, without loading it."""
        return name in self.snapshot.channels

    def __iter__(self) -> Iterator[str]:
        """Name the channels."""
        return iter(self.snapshot.channels)

    def __len__(self) -> int:
        """Count the channels."""
        return len(self.snapshot.channels)
