"""Totals over a boot's uptime: the same before and after it is dated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.store import boots as bt
from campledger.store.minutes import StoredMinutes, clusters, follows, remake
from campledger.store.reader import Snapshot
from campledger.store.summary import Summary, summarise
from campledger.store.types import Total
from campledger.store.writer import carry_before, join_windows

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.store.file import StoreFile
    from campledger.store.types import Rows

_SQL = (
    "select g.id, g.first, g.last, m.origin, m.rate, m.carry, m.tail, m.charge, "
    "m.covered, m.first_minute, x'' from grp g join minutes m on m.grp = g.id "
    "join channel n on n.id = m.channel where n.name = ? and g.boot = ? "
    "order by g.first, g.id"
)


def boot_totals(file: StoreFile, boot: int | None) -> Mapping[str, Total]:
    """Integrate every channel of a boot (of all boots if None) over uptime."""
    boots = [boot] if boot is not None else [b.id for b in bt.all_boots(file.db)]
    out: dict[str, Total] = {}
    for one in boots:
        for name, total in _totals(file, one).items():
            known = out.get(name, Total(charge=0.0, covered=0.0))
            out[name] = Total(
                charge=known.charge + total.charge,
                covered=known.covered + total.covered,
            )
    return out


def _totals(file: StoreFile, boot: int) -> dict[str, Total]:
    with file.reading() as db:
        names = db.execute(
            "select distinct n.name from grp g join minutes m on m.grp = g.id "
            "join channel n on n.id = m.channel where g.boot = ?",
            (boot,),
        ).fetchall()
        blobs = db.execute(
            "select blob from window where boot = ? order by id", (boot,)
        ).fetchall()
    recent = join_windows(x for (x,) in blobs)
    found = {n for (n,) in names} | {n for _, rows in recent for n in rows.values}
    return {name: _total(file, boot, name, recent) for name in sorted(found)}


def _total(
    file: StoreFile, boot: int, name: str, recent: list[tuple[int, Rows]]
) -> Total:
    whole = Snapshot(file, -float("inf"), float("inf"))
    with file.reading() as db:
        rows = db.execute(_SQL, (name, boot)).fetchall()
    found = [StoredMinutes.of(row) for row in rows]
    charge = covered = 0.0
    for cluster, before in clusters(found):
        row = cluster[0]
        if len(cluster) == 1 and follows(row, before):
            charge, covered = charge + row.charge, covered + row.covered
        else:
            made = remake(whole, name, boot, cluster, bt.UNDATED)
            charge, covered = charge + made.total, covered + made.total_covered
    for made in _recent(file, boot, name, recent):
        charge, covered = charge + made.total, covered + made.total_covered
    return Total(charge=charge, covered=covered)


def _recent(
    file: StoreFile, boot: int, name: str, recent: list[tuple[int, Rows]]
) -> list[Summary]:
    out = []
    for sampling, rows in recent:
        if name in rows.values:
            with file.reading() as db:
                carry = carry_before(db, boot, name, float(rows.uptime[0]))
            out.append(
                summarise(
                    rows.uptime,
                    rows.values[name],
                    clock=bt.UNDATED,
                    sampling=sampling,
                    carry=carry,
                )
            )
    return out
