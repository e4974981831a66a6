"""
Many rigs from a folder of stores and archives, a folder of Parquet, or a server.

Sums over minutes are never made in Python: a store's come from its estimates, Parquet's
from the columnar engine, a server's from the server. One rig that cannot be read is
told in a line and the others go on.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from campledger.app.archive_open import opened_archive
from campledger.app.context import (
    ChosenTrip,
    Session,
    estimates_of,
    plan_of,
    record_of,
    statement_of,
    trips_of,
)
from campledger.app.fitout_facts import judged
from campledger.app.output import Progress
from campledger.app.times import offset_at
from campledger.errors import CampledgerError, Fault, InputError
from campledger.formats.rigfile import read_rig
from campledger.judge.finding import Verdict
from campledger.judge.fleet import (
    AgePoint,
    Fleet,
    FleetFinding,
    PlaceTotal,
    RigAccount,
    compare_rigs,
)
from campledger.model.estimates import Estimate
from campledger.store import open_store

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from campledger.judge.finding import Fitout
    from campledger.judge.statement_types import StatementDay
    from campledger.model.estimates import TripEstimates
    from campledger.store import Trip

HOUR, MINUTE = 3600.0, 60.0
LINES = (
    ("brought forward", "brought_forward"),
    ("charging loss", "charging_loss"),
    ("not itemised", "not_itemised"),
    ("not accounted for", "not_accounted"),
    ("carried forward", "carried_forward"),
)


def read_fleet(source: str, *, trips: int = 0) -> Fleet:
    """
    Read many rigs.

    Parameters
    ----------
    source : str
        A folder (of stores beside their rig files, of archives, of Parquet exports) or
        ``http://HOST:PORT`` of a time-series server.
    trips : int, optional
        Of each store, look at this many last trips for ageing; 0 = all.

    Raises
    ------
    InputError
        Nothing there can be read.
    """
    from pathlib import Path  # noqa: PLC0415

    if source.startswith(("http://", "https://")):
        from campledger.app.fleet_server import server_accounts  # noqa: PLC0415

        accounts, notes = server_accounts(source)
        return compare_rigs(accounts, notes=notes)
    folder = Path(source)
    if not folder.is_dir():
        raise _nothing(source, "no such folder")
    refused: list[str] = []
    accounts = []
    found = sorted(_rigs_in(folder))
    progress = Progress("fleet")
    for k, place in enumerate(found, 1):
        progress.show(f"{k} of {len(found)}: {place.name}")
        try:
            accounts.append(_account_at(place, trips))
        except CampledgerError as error:
            where = str(place.relative_to(folder))
            why = str(error).splitlines()[0].removeprefix(f"{place.name}: ")
            refused.append(f"{where}: {why}")
    progress.done()
    if any(folder.rglob("*.parquet")):
        from campledger.app.fleet_parquet import parquet_accounts  # noqa: PLC0415

        more, bad = parquet_accounts(folder)
        accounts += more
        refused += bad
    if not accounts:
        raise _nothing(source, refused[0] if refused else "no store and no export")
    return compare_rigs(accounts, refused=refused)


def _nothing(source: str, got: str) -> InputError:
    return InputError(
        Fault(
            file=source,
            field="SOURCE",
            got=got,
            expected="a folder of stores (NAME/rig.toml beside NAME/campledger.db), "
            "archives or Parquet exports, or http://HOST:PORT",
            effect="No page written.",
        )
    )


def _rigs_in(folder: Path) -> Iterator[Path]:
    """Find archives, and stores that have a rig file beside them."""
    for path in folder.rglob("*.zip"):
        yield path
    for path in folder.rglob("*.db"):
        if _rig_beside(path) is not None and not path.name.startswith("."):
            yield path


def _rig_beside(store: Path) -> Path | None:
    for rig in (store.with_suffix(".toml"), store.with_name("rig.toml")):
        if rig.is_file():
            return rig
    return None


def _account_at(path: Path, trips: int) -> RigAccount:
    if path.suffix == ".zip":
        with opened_archive(path) as (folder, _):
            store, rig = folder / "campledger.db", folder / "rig.toml"
            return store_account(store, rig, kind="archive", trips=trips)
    rig_file = _rig_beside(path)
    if rig_file is None:
        raise _nothing(path.name, "no rig file beside it")
    return store_account(path, rig_file, kind="store", trips=trips)


def _earlier(session: Session, trips: Sequence[Trip]) -> list[AgePoint]:
    """What earlier trips say on the battery's age."""
    out = []
    for trip in trips:
        chosen = _chosen(session, trip)
        record = record_of(session, chosen)
        out.append(_age(record.end_utc, estimates_of(session, chosen, record)))
    return out


def _places(total: StatementDay) -> tuple[PlaceTotal, ...]:
    return tuple(
        PlaceTotal(name=a.name, charge=a.charge_measured, role=role, word=str(a.word))
        for role, amounts in (("in", total.sources), ("out", total.loads))
        for a in amounts
        if a.charge_measured is not None
    )


def _open_findings(fitout: Fitout) -> tuple[FleetFinding, ...]:
    return tuple(
        FleetFinding(id=f.id, title=f.title, verdict=str(f.verdict), next=f.next)
        for f in fitout.findings
        if f.verdict in (Verdict.FAULT, Verdict.WORTH_A_LOOK) and not f.cause
    )


def store_account(path: Path, rig_file: Path, *, kind: str, trips: int) -> RigAccount:
    """
    Make the account of a store: its last trip, and the battery over its trips.

    Raises
    ------
    CampledgerError
        Store or rig file cannot be used, or hold no trip.
    """
    rig = read_rig(rig_file)
    with open_store(path) as store:
        session = Session(rig=rig, store=store)
        every = trips_of(session)
        chosen = _chosen(session, every[-1])
        record = record_of(session, chosen)
        estimates = estimates_of(session, chosen, record)
        statement = statement_of(session, chosen, record, estimates)
        fitout = judged(session, chosen, record, estimates)
        ageing = [_age(record.end_utc, estimates)]
        ageing += _earlier(session, every[-trips:-1] if trips else every[:-1])
    battery, total = estimates.battery, statement.total
    current = battery.current_corrected
    known = np.flatnonzero(np.isfinite(battery.soc))
    volts = record.minutes["voltage_house_v"].mean
    return RigAccount(
        name=rig.name,
        kind=kind,
        start_utc=record.start_utc,
        end_utc=record.end_utc,
        covered=float(np.isfinite(current).mean()) if len(current) else math.nan,
        into=float(np.nansum(np.maximum(current, 0.0))) * MINUTE / HOUR,
        out=float(-np.nansum(np.minimum(current, 0.0))) * MINUTE / HOUR,
        soc_end=_at(battery.soc, battery.soc_lo, battery.soc_hi, known),
        soc_min=float(battery.soc[known].min()) if len(known) else math.nan,
        floor=rig.house.floor,
        hours_below_floor=statement.hours_below_floor,
        volts_min=float(np.nanmin(volts)) if np.isfinite(volts).any() else math.nan,
        capacity=battery.capacity,
        capacity_rated=rig.house.capacity_rated,
        resistance=battery.resistance,
        places=_places(total),
        lines=tuple(
            (label, value)
            for label, name in LINES
            if (value := getattr(total, name)) is not None
        ),
        findings=_open_findings(fitout),
        findings_judged=True,
        ageing=tuple(sorted(ageing, key=lambda p: p.time_utc)),
        missing=() if len(every) > 1 else ("ageing: one trip only",),
    )


def _chosen(session: Session, trip: Trip) -> ChosenTrip:
    plan, status, later = plan_of(session, trip, None)
    zone = session.rig.timezone
    offset = plan.utc_offset if plan is not None else offset_at(zone, trip.start_utc)
    return ChosenTrip(
        trip=trip, plan=plan, plan_status=status, revisions=later, utc_offset=offset
    )


def _at(soc: np.ndarray, lo: np.ndarray, hi: np.ndarray, known: np.ndarray) -> Estimate:
    if not len(known):
        return Estimate.missing("no state of charge")
    k = int(known[-1])
    return Estimate(value=float(soc[k]), lo=float(lo[k]), hi=float(hi[k]))


def _age(when: float, estimates: TripEstimates) -> AgePoint:
    battery = estimates.battery
    return AgePoint(
        time_utc=when, capacity=battery.capacity, resistance=battery.resistance
    )
