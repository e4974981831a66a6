"""Everything that is not a reading: plans, notes, proofs, events, counters, results."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING

from campledger.errors import StoreError
from campledger.store.types import Entry, FrozenPlan, Kept

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

TAG = "campledger doc"
"""First column of every document, by which salvage knows one."""
KINDS = ("plan", "note", "proof", "event")


def put(
    db: sqlite3.Connection,
    kind: str,
    time_utc: float,
    body: Mapping[str, object],
    *,
    key: str = "",
) -> int:
    """Add a document; call inside a transaction."""
    text = json.dumps(body, ensure_ascii=False, sort_keys=True)
    when = None if math.isnan(time_utc) else time_utc
    cursor = db.execute(
        "insert into doc (tag, kind, time_utc, key, body) values (?, ?, ?, ?, ?)",
        (TAG, kind, when, key, text),
    )
    return int(cursor.lastrowid or 0)


def entries(
    db: sqlite3.Connection,
    kind: str,
    *,
    start: float = -math.inf,
    end: float = math.inf,
    key: str | None = None,
) -> tuple[Entry, ...]:
    """Give the documents of a kind in time order; undated ones come first."""
    found = db.execute(
        "select id, kind, time_utc, key, body from doc where kind = ? "
        "and (time_utc is null or (time_utc >= ? and time_utc <= ?)) "
        "and (?4 is null or key = ?4) order by time_utc, id",
        (kind, start, end, key),
    )
    return tuple(
        Entry(
            id=number,
            kind=name,
            time_utc=math.nan if when is None else when,
            key=label,
            body=json.loads(body),
        )
        for number, name, when, label, body in found
    )


def freeze(
    db: sqlite3.Connection,
    *,
    text: str,
    fingerprint: str,
    name: str,
    start_utc: float,
    end_utc: float,
    frozen_utc: float,
    late: bool,
) -> FrozenPlan:
    """
    Keep a plan as it is now; call inside a transaction.

    A plan with the same span's beginning or the same name that overlaps is a revision
    of it; one that overlaps another plan is refused; the same text again changes
    nothing.
    """
    plans = frozen_plans(db)
    revision = 1
    for plan in plans:
        if plan.fingerprint == fingerprint:
            return plan
        if plan.start_utc < end_utc and start_utc < plan.end_utc:
            if plan.name != name:
                msg = (
                    f'freezing plan "{name}": overlaps the frozen plan "{plan.name}", '
                    "expected no overlap"
                )
                raise StoreError(msg)
            revision = max(revision, plan.revision + 1)
    body = {
        "fingerprint": fingerprint,
        "text": text,
        "name": name,
        "start_utc": start_utc,
        "end_utc": end_utc,
        "revision": revision,
        "late": late,
    }
    put(db, "plan", frozen_utc, body, key=fingerprint)
    return next(p for p in frozen_plans(db) if p.fingerprint == fingerprint)


def frozen_plans(db: sqlite3.Connection) -> tuple[FrozenPlan, ...]:
    """Give every frozen plan and revision, oldest freeze first."""
    return tuple(
        FrozenPlan(id=e.id, frozen_utc=e.time_utc, **e.body)  # type: ignore[arg-type]
        for e in entries(db, "plan")
    )


def count(db: sqlite3.Connection, key: str, names: Mapping[str, int]) -> None:
    """Add to counters of a channel or sensor; call inside a transaction."""
    for name, more in names.items():
        db.execute(
            "insert into counter (key, name, count) values (?, ?, ?) "
            "on conflict (key, name) do update set count = count + excluded.count",
            (key, name, more),
        )


def counters(db: sqlite3.Connection) -> dict[str, dict[str, int]]:
    """Give all counters: channel or sensor, then name."""
    out: dict[str, dict[str, int]] = {}
    for key, name, number in db.execute("select key, name, count from counter"):
        out.setdefault(key, {})[name] = number
    return out


def keep(
    db: sqlite3.Connection, key: str, *, fingerprint: str, last_utc: float, blob: bytes
) -> None:
    """Keep a result made with readings up to ``last_utc``; inside a transaction."""
    change = db.execute("select coalesce(max(id), 0) from change").fetchone()[0]
    db.execute(
        "delete from kept where key = ? and (fingerprint <> ? or last_utc = ?)",
        (key, fingerprint, last_utc),
    )
    db.execute(
        "insert into kept (key, fingerprint, last_utc, change, blob) "
        "values (?, ?, ?, ?, ?)",
        (key, fingerprint, last_utc, change, blob),
    )


def kept(
    db: sqlite3.Connection, key: str, *, fingerprint: str, at: float = math.inf
) -> Kept | None:
    """
    Give the newest kept result made with no reading after ``at``.

    A result is not given once readings that it used have changed (imported since, or
    dated anew).
    """
    row = db.execute(
        "select last_utc, blob from kept k where key = ? and fingerprint = ? "
        "and last_utc <= ? and not exists (select 1 from change c "
        "where c.id > k.change and c.from_utc <= k.last_utc) "
        "order by last_utc desc limit 1",
        (key, fingerprint, at),
    ).fetchone()
    if row is None:
        return None
    return Kept(key=key, fingerprint=fingerprint, last_utc=row[0], blob=row[1])
