"""What the fit-out is judged from, and the fingerprints kept for later years."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import TYPE_CHECKING

from campledger.errors import StoreError
from campledger.judge.finding import Fingerprint, Fitout, Proof
from campledger.judge.fitout import judge_fitout
from campledger.store import open_store

if TYPE_CHECKING:
    from campledger.app.context import ChosenTrip, Session
    from campledger.model.estimates import TripEstimates
    from campledger.model.series import TripRecord
    from campledger.store import Store

KIND = "fingerprint"


def proofs_of(store: Store) -> tuple[Proof, ...]:
    """Give the commissioning proofs, oldest first; the latest of a step counts."""
    out: dict[tuple[int, str], Proof] = {}
    for entry in store.entries("proof"):
        body = dict(entry.body)
        known = {k: body[k] for k in Proof.__dataclass_fields__ if k in body}
        known["time_utc"] = entry.time_utc
        proof = Proof(**known)  # type: ignore[arg-type]
        out[(proof.step, proof.channel)] = proof
    return tuple(out.values())


def earlier_fingerprint(store: Store, before: float) -> Fingerprint | None:
    """Give the newest fingerprint made by another trip before this one."""
    entries = [e for e in store.entries("event", key=KIND) if e.time_utc < before]
    return _fingerprint(dict(entries[-1].body)) if entries else None


def _fingerprint(body: dict[str, object]) -> Fingerprint:
    nan = float("nan")
    fields = {
        name: nan if body.get(name) is None else body[name]
        for name in Fingerprint.__dataclass_fields__
    }
    return Fingerprint(**fields)  # type: ignore[arg-type]


def _body(made: Fingerprint) -> dict[str, object]:
    text = json.dumps(asdict(made), allow_nan=True)
    body: dict[str, object] = json.loads(text, parse_constant=lambda _: None)
    return body


def judged(
    session: Session,
    chosen: ChosenTrip,
    record: TripRecord,
    estimates: TripEstimates,
) -> Fitout:
    """Judge the fit-out of a trip and keep its fingerprint."""
    earlier = earlier_fingerprint(session.store, record.start_utc)
    fitout = judge_fitout(
        record,
        session.rig,
        estimates,
        plan=chosen.plan,
        proofs=proofs_of(session.store),
        earlier_fingerprint=earlier,
    )
    _keep(session, record.end_utc, fitout.fingerprint)
    return fitout


def _keep(session: Session, end: float, made: Fingerprint) -> None:
    """Keep a fingerprint once a trip; a store that cannot be written loses nothing."""
    known = session.store.entries("event", key=KIND)
    if any(math.isclose(e.time_utc, end, abs_tol=1.0) for e in known):
        return
    try:
        with open_store(session.store.path, "write") as writer:
            writer.add_entry("event", end, _body(made), key=KIND)
    except StoreError:
        return
