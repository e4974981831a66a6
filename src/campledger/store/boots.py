"""Boots of recorders, what dates them, and the clocks that follow."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.clock import BootClock, ClockAnchor, date_boot
from campledger.store.types import BootInfo

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from campledger.model.series import FloatArray

PLAUSIBLE_FROM = 1262304000.0
"""A recorder's clock before 2010 was never set and dates nothing. [s]
Common practice, no source."""
STEP = 2.0
"""A jump of wall minus uptime above this is a clock that was set. [s] (contract)"""
DRIFT = 500e-6
"""Jump allowed besides, for each second without a reading. Common practice, no
source."""
NAMES = {"clock": "its clock, assumed", "system": "the system's clock"}
OWN_CLOCK = BootClock(origin=0.0, rate=1.0, kind="clock", bound=0.0)
UNDATED = BootClock(origin=0.0, rate=1.0, kind="", bound=math.inf)


@dataclass(frozen=True, kw_only=True)
class WallStretch:
    """First and last reading since the clock was last set: uptime and wall."""

    first_uptime: float
    first_wall: float
    last_uptime: float
    last_wall: float

    def anchor(self, boot: int) -> ClockAnchor | None:
        """Give the anchor in the middle, if the clock can be right at all."""
        if self.last_wall < PLAUSIBLE_FROM:
            return None
        return ClockAnchor(
            boot=boot,
            uptime=0.5 * (self.first_uptime + self.last_uptime),
            time_utc=0.5 * (self.first_wall + self.last_wall),
            kind="clock",
            bound=math.nan,
        )


def extend_stretch(
    known: WallStretch | None, uptime: FloatArray, wall: FloatArray
) -> WallStretch | None:
    """
    Follow the wall clock of a boot through more readings.

    Parameters
    ----------
    known : WallStretch or None
        So far.
    uptime, wall : (n,) float64
        Later readings, uptime increasing, wall NaN where the clock said nothing.

    Returns
    -------
    stretch : WallStretch or None
        Since the last step.
    """
    said = np.isfinite(wall)
    up, at = uptime[said], wall[said]
    if known is not None:
        if up.size and up[0] <= known.last_uptime:
            later = up > known.last_uptime
            up, at = up[later], at[later]
        up = np.concatenate(([known.first_uptime, known.last_uptime], up))
        at = np.concatenate(([known.first_wall, known.last_wall], at))
    if not up.size:
        return known
    allowed = STEP + DRIFT * np.diff(up)
    jumps = np.flatnonzero(np.abs(np.diff(at - up)) > allowed)
    if known is not None:
        jumps = jumps[jumps > 0]
    first = int(jumps[-1]) + 1 if jumps.size else 0
    return WallStretch(
        first_uptime=float(up[first]),
        first_wall=float(at[first]),
        last_uptime=float(up[-1]),
        last_wall=float(at[-1]),
    )


@dataclass(frozen=True, kw_only=True)
class BootRow:
    """A row of the table ``boot``."""

    id: int
    recorder: str
    number: int | None
    ordinal: int
    identity: str
    source: str
    first: float | None
    last: float | None
    stretch: WallStretch | None

    @property
    def offset(self) -> float:
        """What the clock said minus uptime, NaN if it never said anything."""
        if self.stretch is None:
            return math.nan
        return self.stretch.last_wall - self.stretch.last_uptime


_COLUMNS = (
    "id, recorder, number, ordinal, identity, source, first, last, "
    "wall_first_uptime, wall_first, wall_last_uptime, wall_last"
)


def stretch_of(marks: Sequence[object]) -> WallStretch | None:
    """Read a stretch from its four columns."""
    if marks[0] is None:
        return None
    return WallStretch(
        first_uptime=float(marks[0]),  # type: ignore[arg-type]
        first_wall=float(marks[1]),  # type: ignore[arg-type]
        last_uptime=float(marks[2]),  # type: ignore[arg-type]
        last_wall=float(marks[3]),  # type: ignore[arg-type]
    )


def marks_of(stretch: WallStretch | None) -> tuple[float | None, ...]:
    """Give the four columns of a stretch."""
    if stretch is None:
        return (None, None, None, None)
    return (
        stretch.first_uptime,
        stretch.first_wall,
        stretch.last_uptime,
        stretch.last_wall,
    )


def _row(values: Sequence[object]) -> BootRow:
    return BootRow(
        id=values[0],  # type: ignore[arg-type]
        recorder=values[1],  # type: ignore[arg-type]
        number=values[2],  # type: ignore[arg-type]
        ordinal=values[3],  # type: ignore[arg-type]
        identity=values[4],  # type: ignore[arg-type]
        source=values[5],  # type: ignore[arg-type]
        first=values[6],  # type: ignore[arg-type]
        last=values[7],  # type: ignore[arg-type]
        stretch=stretch_of(values[8:12]),
    )


def all_boots(db: sqlite3.Connection) -> tuple[BootRow, ...]:
    """
    Give every boot in the order in which they ran, as far as numbers tell.

    What the clock said in windows that are not sealed yet counts too.
    """
    sql = f"select {_COLUMNS} from boot order by recorder, number, ordinal, id"  # noqa: S608
    recent = recent_stretches(db)
    rows = [_row(values) for values in db.execute(sql)]
    return tuple(replace(r, stretch=recent.get(r.id) or r.stretch) for r in rows)


def recent_stretches(db: sqlite3.Connection) -> dict[int, WallStretch]:
    """Give the stretch that each boot's newest window carries."""
    sql = (
        "select boot, wall_first_uptime, wall_first, wall_last_uptime, wall_last "
        "from window where id in (select max(id) from window group by boot)"
    )
    found = {row[0]: stretch_of(row[1:]) for row in db.execute(sql)}
    return {boot: stretch for boot, stretch in found.items() if stretch is not None}


def one_boot(db: sqlite3.Connection, boot: int) -> BootRow:
    """Give a boot by its id."""
    sql = f"select {_COLUMNS} from boot where id = ?"  # noqa: S608
    return _row(db.execute(sql, (boot,)).fetchone())


def boots_of(
    db: sqlite3.Connection, recorder: str, number: int | None
) -> tuple[BootRow, ...]:
    """Give the boots of a recorder that carry a number."""
    sql = (
        f"select {_COLUMNS} from boot where recorder = ? and number is ? "  # noqa: S608
        "order by ordinal desc"
    )
    return tuple(_row(values) for values in db.execute(sql, (recorder, number)))


def new_boot(
    db: sqlite3.Connection,
    recorder: str,
    number: int | None,
    *,
    source: str,
    identity: str = "",
) -> BootRow:
    """Add a boot."""
    known = boots_of(db, recorder, number)
    ordinal = 1 + max((b.ordinal for b in known), default=-1)
    cursor = db.execute(
        "insert into boot (recorder, number, ordinal, identity, source) "
        "values (?, ?, ?, ?, ?)",
        (recorder, number, ordinal, identity, source),
    )
    return one_boot(db, int(cursor.lastrowid or 0))


def unwritten(recorder: str, number: int | None, source: str) -> BootRow:
    """Stand for a boot that is only looked at; no row of the store has its id."""
    return BootRow(
        id=-1,
        recorder=recorder,
        number=number,
        ordinal=0,
        identity="",
        source=source,
        first=None,
        last=None,
        stretch=None,
    )


def widen_boot(
    db: sqlite3.Connection,
    boot: BootRow,
    uptime: FloatArray,
    wall: FloatArray | None,
) -> None:
    """Let a boot know of readings that were added to it."""
    stretch = boot.stretch
    if wall is not None:
        stretch = extend_stretch(stretch, uptime, wall)
    first, last = float(uptime.min()), float(uptime.max())
    db.execute(
        "update boot set first = min(coalesce(first, ?1), ?1), "
        "last = max(coalesce(last, ?2), ?2), wall_first_uptime = ?3, wall_first = ?4, "
        "wall_last_uptime = ?5, wall_last = ?6 where id = ?7",
        (first, last, *marks_of(stretch), boot.id),
    )


def anchors_of(db: sqlite3.Connection) -> dict[int, list[ClockAnchor]]:
    """Give the anchors of every boot."""
    out: dict[int, list[ClockAnchor]] = {}
    for boot, uptime, time_utc, kind, bound in db.execute(
        "select boot, uptime, time_utc, kind, bound from anchor"
    ):
        anchor = ClockAnchor(
            boot=boot, uptime=uptime, time_utc=time_utc, kind=kind, bound=bound
        )
        out.setdefault(boot, []).append(anchor)
    return out


def clock_of(boot: BootRow, anchors: Sequence[ClockAnchor]) -> BootClock | None:
    """Date a boot: by its anchors, else by its clock after the last step."""
    if boot.number is None:
        return OWN_CLOCK
    own = boot.stretch.anchor(boot.id) if boot.stretch else None
    return date_boot([*anchors, own] if own else anchors)


def clocks(db: sqlite3.Connection) -> dict[int, BootClock]:
    """Give the clock of every boot that something dates."""
    anchors = anchors_of(db)
    found = {b.id: clock_of(b, anchors.get(b.id, ())) for b in all_boots(db)}
    return {boot: clock for boot, clock in found.items() if clock is not None}


def boot_infos(db: sqlite3.Connection) -> tuple[BootInfo, ...]:
    """Describe every boot; the undated ones lie between their neighbours."""
    dated = clocks(db)
    rows = dict(
        db.execute(
            "select boot, sum(rows) from (select boot, rows from grp union all "
            "select boot, rows from window) group by boot"
        ).fetchall()
    )
    live = dict(
        db.execute("select boot, max(last) from window group by boot").fetchall()
    )
    begun = dict(
        db.execute("select boot, min(first) from window group by boot").fetchall()
    )
    infos = []
    for boot in all_boots(db):
        last = max(
            x for x in (boot.last, live.get(boot.id), -math.inf) if x is not None
        )
        first = min(
            x for x in (boot.first, begun.get(boot.id), math.inf) if x is not None
        )
        infos.append(_info(boot, dated.get(boot.id), first, last, rows.get(boot.id, 0)))
    return _between(infos)


def _info(
    boot: BootRow, clock: BootClock | None, first: float, last: float, rows: int
) -> BootInfo:
    start = end = math.nan
    if clock is not None and rows:
        start, end = (float(x) for x in clock.at(np.array([first, last])))
    return BootInfo(
        id=boot.id,
        recorder=boot.recorder,
        number=boot.number,
        source=boot.source,
        uptime_first=first,
        uptime_last=last,
        rows=rows,
        start_utc=start,
        end_utc=end,
        dated_by=clock.kind if clock else "",
        bound=clock.bound if clock else math.nan,
        rate=clock.rate if clock else 1.0,
    )


def _between(infos: Sequence[BootInfo]) -> tuple[BootInfo, ...]:
    """Bound each undated boot by the dated ones that ran before and after it."""
    out = []
    for k, info in enumerate(infos):
        if info.dated or info.number is None:
            out.append(info)
            continue
        same = [x for x in infos if x.recorder == info.recorder and x.dated]
        order = {x.id: n for n, x in enumerate(infos)}
        before = [x.end_utc for x in same if order[x.id] < k]
        after = [x.start_utc for x in same if order[x.id] > k]
        fields = {**info.__dict__}
        fields["after_utc"] = max(before, default=math.nan)
        fields["before_utc"] = min(after, default=math.nan)
        out.append(BootInfo(**fields))
    return tuple(out)
