"""What may leave the box: places and names only if the owner says so."""

from __future__ import annotations

import copy
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from campledger.errors import StoreError
from campledger.store import open_store

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.formats.tomlfile import Raw, Table
    from campledger.store import Store

DEGREES = 1
"""Decimals of coordinates that leave: 0.1 degree, about 11 km. Enough for the sun,
too coarse for an address. Common practice, no source."""
STAYS = ("push", "page")
"""Tables of a rig file that never leave: addresses and the way to a token."""
ALIAS = "archive:alias"


@dataclass(frozen=True, kw_only=True)
class Leave:
    """What the owner lets out, and what the rig is called outside."""

    places: bool = False
    notes: bool = False
    alias: str = ""

    def rig_name(self, name: str) -> str:
        """Give the name that the rig has outside."""
        return name if self.places else self.alias


def alias_of(store: Store) -> str:
    """
    Give the name by which this store's rig goes out: drawn once, the same ever after.

    It is not made from the true name, so that nobody can find that by trying names.
    """
    known = store.meta(ALIAS)
    if known:
        return known
    made = f"rig-{secrets.token_hex(4)}"
    try:
        with open_store(store.path, "write") as writer:
            writer.set_meta(ALIAS, made)
    except StoreError:
        return made
    return made


def rig_table(data: Table, leave: Leave) -> Table:
    """
    Rewrite a rig file for leaving.

    Addresses, tokens and commands never leave; name and exact place only with places,
    reasons that were typed only with notes.
    """
    out = runnable_nowhere(data)
    head = out.get("rig", {})
    if not leave.places:
        head["name"] = leave.rig_name(str(head.get("name", "")))
        _round(head)
    if not leave.notes:
        for fix in _tables(out.get("correction")):
            fix.pop("reason", None)
    return out


def runnable_nowhere(data: Table) -> Table:
    """Leave out of a rig file whatever could act or be reached on another machine."""
    out = {k: copy.deepcopy(v) for k, v in data.items() if k not in STAYS}
    if isinstance(out.get("logger"), dict):
        out["logger"].pop("act_command", None)
    sensors = [
        s
        for s in _tables(out.get("sensor"))
        if "map" not in s and str(s.get("bus", "")).startswith(("i2c:", "w1:"))
    ]
    out.pop("sensor", None)
    if sensors:
        out["sensor"] = sensors
    return out


def plan_table(data: Table, leave: Leave) -> Table:
    """Rewrite a plan file for leaving."""
    out = copy.deepcopy(dict(data))
    if leave.places:
        return out
    trip = out.get("trip", {})
    start = trip.get("start")
    day = start.date().isoformat() if isinstance(start, datetime) else ""
    trip["name"] = f"Trip {day}".strip()
    for table in (out.get("every_day"), *_tables(out.get("day"))):
        if isinstance(table, dict):
            _round(table)
    return out


def proof_body(body: Mapping[str, object], leave: Leave) -> dict[str, object]:
    """Leave the words of a proof out unless notes may go."""
    return {k: v for k, v in body.items() if leave.notes or k != "text"}


def trip_name(start_utc: float, name: str, offset: float, leave: Leave) -> str:
    """Give the name that a trip has outside."""
    if leave.places and name:
        return name
    return f"Trip {datetime.fromtimestamp(start_utc + offset, UTC).date().isoformat()}"


def _tables(value: Raw) -> list[Table]:
    if not isinstance(value, list):
        return []
    return [t for t in value if isinstance(t, dict)]


def _round(table: Table) -> None:
    for key in ("latitude_deg", "longitude_deg"):
        if isinstance(table.get(key), (int, float)):
            table[key] = round(float(table[key]), DEGREES)
