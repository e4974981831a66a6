"""
What is pushed and how far: batches of line protocol out of the durable store.

The cursor lies in the store, one for each boot, destination and stream, and moves only
after the server took a batch; a batch sent twice is the same points again. Memory is
one batch and one chunk of readings. Knows no client and no network.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.series import MINUTE
from campledger.store import open_store

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray
    from campledger.store import BootInfo, Store

MEASUREMENT = {"minutes": "campledger_minutes", "readings": "campledger_readings"}
"""Minute means and readings never share a point."""
BATCH = 5000
"""Points of a batch. The protocol's makers advise about so many."""
CHUNK = {"minutes": 86400.0, "readings": 7200.0}
"""Seconds that are read at once."""
MILLISECONDS = 1000.0


@dataclass(frozen=True, kw_only=True)
class Destination:
    """A server and what is sent there: ``minutes`` (means) or ``readings`` (all)."""

    url: str
    org: str
    bucket: str
    stream: str = "minutes"

    @property
    def key(self) -> str:
        """Name its cursor."""
        text = "\n".join((self.url, self.org, self.bucket, self.stream))
        return f"push:{hashlib.sha256(text.encode()).hexdigest()[:16]}"


@dataclass(frozen=True, kw_only=True)
class Batch:
    """
    Points that go together.

    ``lines`` is the line protocol with times in milliseconds; ``points`` counts
    fields. ``counts`` and ``sums`` by field are what reading back must find.
    ``done`` is the cursor once the server took it, None within a chunk.
    """

    lines: bytes
    points: int
    first: float
    last: float
    counts: Mapping[str, int]
    sums: Mapping[str, float]
    done: tuple[int, float] | None = None


@dataclass(kw_only=True)
class Cursor:
    """
    How far a destination has every boot, in uptime, and how each was dated then.

    ``boots``: id to (uptime, origin of its clock).
    """

    boots: dict[int, tuple[float, float]] = field(default_factory=dict)

    @classmethod
    def load(cls, store: Store, destination: Destination) -> Cursor:
        """Read the cursor; an unreadable one starts again, which only costs time."""
        try:
            found = json.loads(store.meta(destination.key) or "{}")
            return cls(boots={int(k): (v[0], v[1]) for k, v in found.items()})
        except (ValueError, TypeError, IndexError, KeyError):
            return cls()

    def save(self, path: Path, destination: Destination) -> None:
        """Keep the cursor."""
        text = json.dumps({str(k): list(v) for k, v in self.boots.items()})
        with open_store(path, "write") as store:
            store.set_meta(destination.key, text)


def escape(text: str, *, tag: bool = True) -> str:
    """Escape a name for line protocol."""
    out = text.replace("\\", "\\\\").replace("\n", " ").replace(",", "\\,")
    out = out.replace(" ", "\\ ")
    return out.replace("=", "\\=") if tag else out


def origin_of(boot: BootInfo) -> float:
    """Give what dates a boot: true time of its uptime 0. [s]"""
    return boot.start_utc - boot.rate * boot.uptime_first


def waiting(store: Store, cursor: Cursor) -> list[tuple[BootInfo, float]]:
    """List the boots that have more than the cursor says, with the uptime to go on."""
    out = []
    for boot in store.boots():
        if not boot.dated or not boot.rows:
            continue
        at, _ = cursor.boots.get(boot.id, (-math.inf, math.nan))
        if boot.uptime_last > at:
            out.append((boot, at))
    return out


def redated(store: Store, cursor: Cursor) -> list[tuple[BootInfo, float]]:
    """List boots that were dated anew after they were pushed, and by how much. [s]"""
    out = []
    for boot in store.boots():
        known = cursor.boots.get(boot.id)
        if known is None or not boot.dated:
            continue
        moved = origin_of(boot) - known[1]
        if abs(moved) > 1.0:
            out.append((boot, moved))
    return out


def batches(
    store: Store, rig: Rig, destination: Destination, cursor: Cursor, *, live: bool
) -> Iterator[Batch]:
    """
    Give everything that the destination does not have, oldest boot first.

    Parameters
    ----------
    store : Store
        Open for reading.
    rig : Rig
        Its name is the tag, its corrections apply.
    destination : Destination
        Chooses the stream.
    cursor : Cursor
        Where to go on.
    live : bool
        The newest boot runs on: its unfinished minute waits.
    """
    due = waiting(store, cursor)
    newest = max((b.end_utc for b, _ in due), default=-math.inf)
    for boot, at in due:
        origin = origin_of(boot)
        start = boot.start_utc - 1.0
        if math.isfinite(at):
            start = origin + boot.rate * at
        end = boot.end_utc
        if destination.stream == "minutes":
            start = math.floor(start / MINUTE) * MINUTE
            running = live and boot.end_utc == newest
            edge = math.floor if running else math.ceil
            end = edge(end / MINUTE) * MINUTE
        while start < end:
            stop = _next_edge(start, end, CHUNK[destination.stream])
            found = list(_chunk(store, rig, destination.stream, start, stop))
            mark = min((stop - origin) / boot.rate, boot.uptime_last)
            yield from found[:-1]
            if found:
                yield _with_mark(found[-1], (boot.id, mark))
            else:
                yield _nothing(stop, (boot.id, mark))
            start = stop


def _next_edge(start: float, end: float, length: float) -> float:
    return min((math.floor(start / length + 1e-9) + 1) * length, end)


def _nothing(at: float, done: tuple[int, float]) -> Batch:
    return Batch(lines=b"", points=0, first=at, last=at, counts={}, sums={}, done=done)


def _with_mark(batch: Batch, done: tuple[int, float]) -> Batch:
    return Batch(**{**batch.__dict__, "done": done})


def _chunk(
    store: Store, rig: Rig, stream: str, start: float, stop: float
) -> Iterator[Batch]:
    record = store.record(start, stop, rig.corrections)
    prefix = f"{MEASUREMENT[stream]},rig={escape(rig.name)} "
    if stream == "minutes":
        inside = (record.minute_utc > start) & (record.minute_utc <= stop)
        time = record.minute_utc[inside]
        table = {
            name: np.where(m.covered > 0.0, m.mean, np.nan)[inside]
            for name, m in record.minutes.items()
        }
        yield from to_lines(prefix, time, table)
        return
    axes: dict[bytes, tuple[FloatArray, dict[str, FloatArray]]] = {}
    for name in record.channels:
        series = record.channels[name].between(start, stop)
        key = series.time_utc.tobytes()
        axes.setdefault(key, (series.time_utc, {}))[1][name] = series.value
    for time, table in axes.values():
        yield from to_lines(prefix, time, table)


def to_lines(
    prefix: str, time: FloatArray, table: Mapping[str, FloatArray]
) -> Iterator[Batch]:
    """
    Write points as line protocol, in batches.

    Parameters
    ----------
    prefix : str
        Measurement and tags, ends with a space.
    time : (n,) float64
        Ends of the periods. [s]
    table : mapping of str to (n,) float64
        By field; NaN = no point.
    """
    names = [n for n, v in table.items() if np.isfinite(v).any()]
    if not names:
        return
    heads = [f"{escape(n)}=" for n in names]
    fields = ",".join(f"{h}%r" for h in (h.replace("%", "%%") for h in heads))
    whole = f"{prefix.replace('%', '%%')}{fields} %d"
    step = max(BATCH // len(names), 1)
    stamps = np.round(time * MILLISECONDS).astype(np.int64)
    for a in range(0, len(time), step):
        part = {n: table[n][a : a + step] for n in names}
        good = {n: np.isfinite(v) for n, v in part.items()}
        columns = [v.tolist() for v in part.values()]
        rows = zip(*columns, stamps[a : a + step].tolist(), strict=True)
        if all(g.all() for g in good.values()):
            lines = [whole % row for row in rows]
        else:
            lines = _with_holes(prefix, heads, rows)
        if not lines:
            continue
        counts = {n: int(g.sum()) for n, g in good.items() if g.any()}
        span = time[a : a + step]
        yield Batch(
            lines="\n".join(lines).encode(),
            points=sum(counts.values()),
            first=float(span[0]),
            last=float(span[-1]),
            counts=counts,
            sums={n: float(part[n][good[n]].sum()) for n in counts},
        )


def _with_holes(
    prefix: str, heads: Sequence[str], rows: Iterable[tuple[float, ...]]
) -> list[str]:
    """Write rows of which some values are missing; an empty row is no line."""
    out = []
    for row in rows:
        fields = ",".join(
            [h + repr(v) for h, v in zip(heads, row, strict=False) if v == v]  # noqa: PLR0124
        )
        if fields:
            out.append(f"{prefix}{fields} {row[-1]}")
    return out
