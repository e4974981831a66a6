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
from campledger.app.output import Progress
from campledger.app.times import offset_at
from campledger.errors import CannotTellError
from campledger.estimate.extend import extend_trip
from campledger.estimate.trip import estimate_trip
from campledger.judge.backtest import Backtest, moments
from campledger.judge.backtest import backtest as compare
from campledger.judge.enough import answer_enough
from campledger.judge.enough_types import Enough, Question

if TYPE_CHECKING:
    from campledger.model.estimates import TripEstimates
    from campledger.model.series import TripRecord


DAY = 86400.0
FIRST_LOOK = 6 * 3600.0
"""Before that much record nothing is asked. [s]"""


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
    trips = [t for t in trips_of(session, near=asked.at) if t.start_utc < asked.at]
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
    return answer_enough(
        record,
        session.rig,
        estimates,
        at=at,
        until=asked.until,
        question=replace(asked.question),
        plan=chosen.plan,
        rng=_random(at),
    )


def backtest(session: Session, asked: Asked) -> Backtest:
    """
    Ask every few hours over a stored trip, each time with earlier readings only.

    Estimates are made anew once a day and carried on by counting in between.
    """
    chosen = trip_at(session, asked)
    whole = record_of(session, chosen)
    happened = estimates_of(session, chosen, whole)
    base: dict[int, TripEstimates] = {}
    progress = Progress("backtest")

    def ask(at: float) -> Enough:
        record = record_of(session, chosen, at=at)
        day = math.floor((at - whole.start_utc) / DAY)
        if day not in base:
            begin = max(whole.start_utc + day * DAY, whole.start_utc + FIRST_LOOK)
            begin = min(at, begin)
            early = record_of(session, chosen, at=math.floor(begin / 3600.0) * 3600.0)
            base[day] = estimate_trip(early, session.rig, quick=True)
        progress.show(f"day {day + 1}")
        return answer_enough(
            record,
            session.rig,
            extend_trip(base[day], record),
            at=at,
            until=None,
            question=Question(),
            plan=chosen.plan,
            rng=_random(at),
        )

    times = moments(whole.start_utc + FIRST_LOOK, whole.end_utc, whole.utc_offset)
    battery = happened.battery
    result = compare(
        ask, times, battery.minute_utc, battery.soc, session.rig.house.floor
    )
    progress.done()
    return result


def _random(at: float) -> np.random.Generator:
    """Give the same draws for the same moment."""
    return np.random.default_rng(zlib.crc32(f"{at:.0f}".encode()))
