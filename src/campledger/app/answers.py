"""The answer at camp, from a store: only what was recorded before the moment counts."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.app.context import (
    ChosenTrip,
    Session,
    estimates_of,
    plan_of,
    record_of,
    trips_of,
)
from campledger.app.times import offset_at
from campledger.errors import CannotTellError
from campledger.judge.enough import answer_enough
from campledger.judge.enough_types import Enough, Question

if TYPE_CHECKING:
    from campledger.model.estimates import TripEstimates
    from campledger.model.series import TripRecord


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A question, the moment it is asked, and the deadline if one was typed."""

    at: float
    until: float | None = None
    question: Question = field(default_factory=Question)
    plan_file: str | None = None


def trip_at(session: Session, asked: Asked) -> ChosenTrip:
    """
    Choose the trip that a moment lies in, with its plan.

    Raises
    ------
    CannotTellError
        Nothing was recorded before that moment.
    """
    trips = [t for t in trips_of(session) if t.start_utc < asked.at]
    if not trips:
        msg = f"{session.store.path.name}: nothing was recorded before that moment."
        raise CannotTellError(msg)
    trip = trips[-1]
    plan, status, later = plan_of(session, trip, asked.plan_file)
    offset = (
        plan.utc_offset
        if plan is not None
        else offset_at(session.rig.timezone, trip.start_utc)
    )
    return ChosenTrip(
        trip=trip, plan=plan, plan_status=status, revisions=later, utc_offset=offset
    )


def facts_at(
    session: Session, asked: Asked
) -> tuple[ChosenTrip, TripRecord, TripEstimates]:
    """Give trip, readings and estimates as they were known at a moment."""
    chosen = trip_at(session, asked)
    record = record_of(session, chosen, at=asked.at)
    return chosen, record, estimates_of(session, chosen, record)


def answer(session: Session, asked: Asked) -> Enough:
    """Answer "enough?" at a moment."""
    chosen, record, estimates = facts_at(session, asked)
    at = min(asked.at, record.end_utc) if math.isinf(asked.at) else asked.at
    random = np.random.default_rng(zlib.crc32(f"{at:.0f}".encode()))
    return answer_enough(
        record,
        session.rig,
        estimates,
        at=at,
        until=asked.until,
        question=replace(asked.question),
        plan=chosen.plan,
        rng=random,
    )
