"""Find rig and store, choose the trip, and make (or fetch) its estimates."""

from __future__ import annotations

import math
import os
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app import kept
from campledger.app.idle import idle_spans
from campledger.app.output import Progress
from campledger.app.times import iso, offset_at, parse_time
from campledger.errors import CannotTellError, Fault, InputError
from campledger.estimate.extend import extend_trip
from campledger.estimate.trip import estimate_trip
from campledger.formats.planfile import parse_plan, read_plan
from campledger.formats.rigfile import read_rig
from campledger.judge.statement import (
    NO_PLAN,
    PLAN_AFTER,
    PLAN_FROZEN,
    make_statement,
)
from campledger.model.plan import FrozenPlan, Plan
from campledger.store import Store, Trip, open_store

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Sequence

    from campledger.judge.statement_types import Statement
    from campledger.model.estimates import TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord
    from campledger.store import FrozenPlan as StoredPlan

INSTALLED_RIG = Path("/etc/campledger/rig.toml")
INSTALLED_STORE = Path("/var/lib/campledger/campledger.db")
LIVE = 600.0
"""Newest reading younger than this: now is the clock. Contract, section 0."""
HOUR = 3600.0
CARRIED_MOST = 3 * HOUR
"""A kept result is carried on by so much; beyond it everything is made anew."""


def _located(
    option: str | None, variable: str, local: str, installed: Path
) -> Path | None:
    for given in (option, os.environ.get(variable)):
        if given:
            return Path(given)
    for path in (Path(local), installed):
        if path.exists():
            return path
    return None


def rig_path(args: argparse.Namespace) -> Path:
    """
    Find the rig file.

    Raises
    ------
    InputError
        There is none; the line says what to type.
    """
    path = _located(args.rig, "CAMPLEDGER_RIG", "rig.toml", INSTALLED_RIG)
    if path is not None:
        return path
    raise InputError(
        Fault(
            file="rig.toml",
            field="rig file",
            got="none",
            expected="--rig FILE, CAMPLEDGER_RIG or ./rig.toml",
            effect="Make one with: campledger check --draft-rig > rig.toml",
        )
    )


def store_path(args: argparse.Namespace, *, create: bool = False) -> Path:
    """
    Find the store.

    Raises
    ------
    InputError
        There is none and none may be made; the line says what to type.
    """
    path = _located(args.store, "CAMPLEDGER_STORE", "campledger.db", INSTALLED_STORE)
    if path is None and create:
        return Path("campledger.db")
    if path is not None and (create or path.exists()):
        return path
    raise InputError(
        Fault(
            file=str(path or "campledger.db"),
            field="store",
            got="none",
            expected="--store FILE, CAMPLEDGER_STORE or ./campledger.db",
            effect="Make one with: campledger import RECORDING",
        )
    )


@dataclass(frozen=True, kw_only=True)
class Session:
    """A rig and an open store."""

    rig: Rig
    store: Store


@contextmanager
def session(
    args: argparse.Namespace, mode: str = "read", *, create: bool = False
) -> Iterator[Session]:
    """Open rig and store for one command."""
    rig = read_rig(rig_path(args))
    path = store_path(args, create=create)
    with open_store(path, mode, create=create) as store:
        yield Session(rig=rig, store=store)


@dataclass(frozen=True, kw_only=True)
class ChosenTrip:
    """A trip with the plan it is compared with."""

    trip: Trip
    plan: Plan | None
    plan_status: str
    revisions: tuple[FrozenPlan, ...]
    utc_offset: float


def trips_of(session: Session, *, near: float | None = None) -> tuple[Trip, ...]:
    """
    Find the trips of a store, oldest first.

    Whether somebody only stood still for days is looked up around ``near`` alone
    (default the newest reading); a year of other trips costs nothing.

    Raises
    ------
    CannotTellError
        The store holds no dated reading.
    """
    store, rig = session.store, session.rig
    span = store.span()
    place = near if near is not None else (span[1] if span is not None else 0.0)

    def idle(start: float, end: float) -> Sequence[tuple[float, float]]:
        if not start <= place <= end + HOUR:
            return ()
        return idle_spans(store, rig, start, end)

    found = store.trips(idle=idle)
    if found:
        return found
    undated = sum(b.rows for b in store.boots() if not b.dated)
    why = f"{undated} readings have no date yet" if undated else "it holds no readings"
    msg = f"{store.path.name}: no trip: {why}."
    raise CannotTellError(msg)


def frozen_plan(stored: StoredPlan) -> FrozenPlan:
    """Read a plan kept in the store back into its type."""
    status = "after" if stored.late else "before"
    return FrozenPlan(
        plan=parse_plan(stored.text, name=stored.name),
        frozen_utc=stored.frozen_utc,
        revision=stored.revision,
        status="revision" if stored.revision > 1 else status,
    )


def plan_of(
    session: Session, trip: Trip, given: str | None
) -> tuple[Plan | None, str, tuple[FrozenPlan, ...]]:
    """
    Choose the plan of a trip: the frozen one, or the file given.

    Raises
    ------
    InputError
        The file is no plan, or one for other dates.
    """
    stored = [
        p
        for p in session.store.plans()
        if p.start_utc <= trip.end_utc and p.end_utc >= trip.start_utc
    ]
    stored.sort(key=lambda p: p.revision)
    later = tuple(frozen_plan(p) for p in stored[1:])
    late = {p.fingerprint: p.late for p in stored}
    if given is not None:
        plan = read_plan(given)
        _same_dates(plan, trip, given)
        after = late.get(plan.fingerprint, True)
        return plan, PLAN_AFTER if after else PLAN_FROZEN, later
    if not stored:
        return None, NO_PLAN, ()
    status = PLAN_AFTER if stored[0].late else PLAN_FROZEN
    return frozen_plan(stored[0]).plan, status, later


def _same_dates(plan: Plan, trip: Trip, name: str) -> None:
    if plan.start_utc <= trip.end_utc and plan.end_utc >= trip.start_utc:
        return
    raise InputError(
        Fault(
            file=name,
            field="trip.start",
            got=f"{iso(plan.start_utc)} to {iso(plan.end_utc)}",
            expected=f"dates of the trip {iso(trip.start_utc)} to {iso(trip.end_utc)}",
            effect="Plan not used.",
        )
    )


def choose_trip(session: Session, args: argparse.Namespace) -> ChosenTrip:
    """
    Choose the stretch a command speaks of: the last trip, or --from and --to.

    Raises
    ------
    InputError
        The interval is empty.
    """
    start_text = getattr(args, "start", None)
    end_text = getattr(args, "end", None)
    trips = trips_of(session)
    trip = trips[-1]
    zone = session.rig.timezone
    if start_text or end_text:
        first, last = trips[0].start_utc, trips[-1].end_utc
        start, end = first, last
        if start_text:
            start = parse_time(start_text, option="--from", zone=zone, base=first)
        if end_text:
            end = parse_time(end_text, option="--to", zone=zone, base=start)
        start, end = max(start, first), min(end, last)
        if end <= start:
            raise InputError(
                Fault(
                    file=session.store.path.name,
                    field="interval",
                    got=f"{start_text or 'start'} to {end_text or 'end'}",
                    expected=f"a part of {iso(first)} to {iso(last)}",
                    effect="Nothing to show: no readings there.",
                )
            )
        inside = [t for t in trips if t.start_utc <= start <= t.end_utc]
        name = inside[0].name if inside else ""
        trip = Trip(start_utc=start, end_utc=end, name=name)
    plan, status, later = plan_of(session, trip, getattr(args, "plan", None))
    offset = plan.utc_offset if plan is not None else offset_at(zone, trip.start_utc)
    return ChosenTrip(
        trip=trip, plan=plan, plan_status=status, revisions=later, utc_offset=offset
    )


def record_of(
    session: Session, chosen: ChosenTrip, *, at: float | None = None
) -> TripRecord:
    """Give the readings of a trip, up to a moment if one is given."""
    end = chosen.trip.end_utc if at is None else min(at, chosen.trip.end_utc)
    last = chosen.trip.last_reading_utc
    if math.isfinite(last):
        end = min(end, last)
    return session.store.record(
        chosen.trip.start_utc, end, session.rig.corrections, chosen.utc_offset
    )


def statement_of(
    session: Session,
    chosen: ChosenTrip,
    record: TripRecord,
    estimates: TripEstimates,
) -> Statement:
    """Give the statement of a trip, beside its plan."""
    return make_statement(
        record,
        session.rig,
        estimates,
        plan=chosen.plan,
        plan_status=chosen.plan_status,
        trip_name=chosen.trip.name,
    )


def estimates_of(
    session: Session, chosen: ChosenTrip, record: TripRecord
) -> TripEstimates:
    """
    Give the estimates of a trip: kept ones, carried on by what is new, else made.

    A kept result is used only with the same rig, corrections and code. Results are made
    up to the end of a finished trip or the last closed hour; one that used readings
    after the end of the record is never taken.
    """
    typed = _typed_opening(chosen)
    planned = chosen.plan.fingerprint if chosen.plan is not None else ""
    parts = (f"{record.start_utc:.3f}", f"{typed}", planned)
    mark = kept.fingerprint(session.rig, parts)
    key = f"estimates:{record.start_utc:.0f}"
    found = session.store.kept(key, fingerprint=mark, at=record.end_utc)
    if found is not None and record.end_utc - found.last_utc <= CARRIED_MOST:
        with suppress(ValueError):
            return extend_trip(kept.unpack(found.blob), record)
    closed = math.floor(record.end_utc / HOUR) * HOUR
    finished = chosen.trip.end_utc <= record.end_utc
    if finished or closed <= record.start_utc + HOUR:
        base = record
    else:
        base = session.store.record(
            record.start_utc, closed, session.rig.corrections, chosen.utc_offset
        )
    progress = Progress("estimating")
    progress.show(f"{len(base.minute_utc) / 1440:.1f} days, once; kept afterwards")
    made = estimate_trip(base, session.rig, opening=typed, plan=chosen.plan)
    progress.done()
    _keep(session, key, mark, base, made)
    return extend_trip(made, record)


def _typed_opening(chosen: ChosenTrip) -> float | None:
    """Give the opening charge of a plan that was frozen before the trip."""
    plan = chosen.plan
    if plan is None or chosen.plan_status != PLAN_FROZEN:
        return None
    return plan.opening_soc


def _keep(
    session: Session, key: str, mark: str, record: TripRecord, made: TripEstimates
) -> None:
    """Keep a result; a store that cannot be written only costs the time again."""
    from campledger.errors import StoreError  # noqa: PLC0415

    try:
        with open_store(session.store.path, "write") as writer:
            writer.keep(
                key, fingerprint=mark, last_utc=record.end_utc, blob=kept.pack(made)
            )
    except StoreError:
        return


def now_of(session: Session, *, at_text: str | None = None) -> float:
    """
    Give "now": as typed; else the clock if the newest reading is young; else that.

    Contract, section 0.
    """
    span = session.store.span()
    newest = span[1] if span is not None else math.nan
    if at_text:
        return parse_time(
            at_text, option="--at", zone=session.rig.timezone, base=newest
        )
    clock = time.time()
    return clock if abs(clock - newest) < LIVE else newest
