"""
Will it last? One answer from the record up to now, with everything that it rests on.

The verdict is a matter of the stated chance alone; words are made in `enough_words`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import rig_date
from campledger.judge.car import answer_car
from campledger.judge.cooling import answer_fridge
from campledger.judge.enough_if import (
    central_of,
    drive_condition,
    drive_conditions,
    mark_savings,
    sun_conditions,
    without_profile,
)
from campledger.judge.enough_judged import Judged, judge, quantiles, verdict_of
from campledger.judge.enough_state import (
    HORIZON,
    coming_dawns,
    default_deadline,
    newest_reading,
    now_of,
    state_of,
    why_cannot_tell,
)
from campledger.judge.enough_types import (
    CANNOT_TELL,
    YES,
    CarAnswer,
    Condition,
    Enough,
    HoursToFloor,
    Question,
    Saving,
)
from campledger.judge.enough_urgent import find_urgent
from campledger.judge.forecast import (
    PATHS,
    Forecast,
    Outlook,
    State,
    forecast,
    middle_path,
    outlook_of,
    walk_battery,
)
from campledger.judge.forecast_history import build_history
from campledger.judge.forecast_past import past_answers
from campledger.judge.forecast_recalibrate import (
    NONE,
    Calibration,
    calibrate,
    recalibrated,
)
from campledger.judge.savings import list_savings
from campledger.model.estimates import Estimate

if TYPE_CHECKING:
    from campledger.judge.enough_if import Central
    from campledger.model.estimates import TripEstimates
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

HOUR, DAY = 3600.0, 86400.0
HORIZON_MOST = 14 * DAY
NIGHTS_MOST = 30
PATHS_CONDITION = 300
DRIVING_MINUTES = 5
CUT_OFF_SEEN = 0.5


def _used_since_full(
    record: TripRecord, estimates: TripEstimates
) -> tuple[float, float]:
    """Give the measured charge since the last full (or the start) and that time."""
    since = estimates.battery.last_full_utc
    if np.isnan(since):
        since = record.start_utc
    after = record.minute_utc > since
    current = estimates.battery.current_corrected[after]
    return -float(np.nansum(current)) / 60.0, since


def _since_words(record: TripRecord, estimates: TripEstimates) -> str:
    """Say since when the charge is counted."""
    since = estimates.battery.last_full_utc
    if np.isnan(since):
        return "the trip began, not seen full yet"
    day = rig_date(since, record.utc_offset)
    return f"{day:%A}'s full charge"


def _expected(made: Forecast, until: float) -> tuple[tuple[str, float], ...]:
    """Give the charge expected to the deadline, by what it is for. [A.h]"""
    inside = made.paths.time_utc[1:] <= until + 1.0
    hours = np.diff(made.paths.time_utc)[inside] / HOUR
    parts = (("use", made.demand), ("sun", made.sun), ("drive", made.engine))
    return tuple((name, float((part[inside] * hours).sum())) for name, part in parts)


def nights_in_hand(outlook: Outlook, state: State) -> int:
    """
    Count dawns above the floor with this trip's middle sun and no drive.

    Parameters
    ----------
    outlook, state : Outlook, State
        The trip and the battery now.

    Returns
    -------
    nights : int
        At most 30.
    """
    history = outlook.history
    dawns = coming_dawns(
        history.at, outlook.rig, outlook.plan, history.utc_offset, NIGHTS_MOST
    )
    floor = outlook.rig.house.floor
    nights, days = 0, 4
    while nights == min(days - 1, nights) and days <= NIGHTS_MOST + 1:
        path = middle_path(outlook, state, days=days)
        soc = np.interp(dawns, path.time_utc, path.soc[:, 0])
        above = soc[: days - 1] >= floor
        nights = int(np.argmin(above)) if not above.all() else days - 1
        if nights < days - 1 or days > NIGHTS_MOST:
            break
        days = min(NIGHTS_MOST + 1, days * 3)
    return nights


def _calibration(outlook: Outlook, rng: np.random.Generator) -> Calibration:
    if outlook.basis == "plan only":
        return NONE
    return calibrate(past_answers(outlook, rng))


def answer_enough(
    record: TripRecord,
    rig: Rig,
    estimates: TripEstimates,
    *,
    at: float,
    until: float | None,
    question: Question,
    plan: Plan | None,
    rng: np.random.Generator,
) -> Enough:
    """
    Answer the traveller's question.

    Parameters
    ----------
    record : TripRecord
        Readings up to ``at`` and none after.
    rig : Rig
        The vehicle.
    estimates : TripEstimates
        Of that record.
    at : float
        The moment of asking. [s]
    until : float or None
        Deadline, None for the default. [s]
    question : Question
        What was typed beside it.
    plan : Plan or None
        The trip's plan.
    rng : numpy Generator
        Source of chance.

    Returns
    -------
    enough : Enough
        Verdict, figures, and what they rest on.

    Raises
    ------
    ValueError
        The deadline does not lie ahead.
    """
    word = "typed by you"
    if until is None:
        until, word = default_deadline(at, rig, plan, record.utc_offset)
    if until <= at:
        msg = f"enough: until is {until - at:.0f} s after now, expected more than 0"
        raise ValueError(msg)
    until = min(until, at + HORIZON_MOST)
    car = answer_car(record, rig, at)
    blank = _blank(record, rig, estimates, at=at, until=until, word=word, car=car)
    reason = why_cannot_tell(record, rig)
    state = state_of(estimates)
    if reason or state is None:
        return replace(blank, reason=reason or "the battery's state is unknown")
    history = build_history(record, rig, estimates, now_of(record, at))
    outlook = outlook_of(history, rig, plan, estimates.battery.model, estimates.fridges)
    if not np.isfinite(outlook.rest.mean).all() or (
        history.hours < 1.0 and plan is None
    ):
        return replace(blank, reason="too little is recorded yet, and there is no plan")
    return _answer(blank, record, estimates, outlook, state, question, rng)


def _answer(
    blank: Enough,
    record: TripRecord,
    estimates: TripEstimates,
    outlook: Outlook,
    state: State,
    question: Question,
    rng: np.random.Generator,
) -> Enough:
    at, until, rig = outlook.history.at, blank.until, outlook.rig
    floor = rig.house.floor
    end = max(until, at + HORIZON)
    off = without_profile(outlook, question.without) if question.without else None
    made = forecast(
        outlook, state, question, until=end, paths=PATHS, rng=rng, reduce_by=off
    )
    made = recalibrated(made, _calibration(outlook, rng))
    judged = judge(made, floor, until)
    verdict = verdict_of(judged.chance)
    savings = list_savings(outlook.history, rig, estimates, (until - at) / HOUR)
    savings = tuple(s for s in savings if s.load not in question.without)
    central = central_of(
        outlook,
        state,
        walk_battery(outlook, state, 1, rng),
        made,
        until,
        judged.spare.value,
        judged.spare.give_or_take,
    )
    savings, switches = mark_savings(central, savings)
    conditions: list[Condition] = []
    if verdict != YES:
        give = _give_with_sun(outlook, state, until, rng)
        conditions = sun_conditions(central, give) + drive_condition(central)
        conditions += switches
    used, since = _used_since_full(record, estimates)
    below = max(0.0, -judged.in_hand.value)
    return replace(
        blank,
        basis=outlook.basis,
        verdict=verdict,
        reason=_reason(outlook, judged),
        conditions=tuple(conditions),
        soc=judged.soc,
        used_since_full=used,
        used_since=since,
        in_hand=judged.in_hand,
        spare=judged.spare,
        low_point=judged.low,
        low_charge=judged.low_charge,
        hours_to_floor=judged.hours,
        horizon=(end - at) / HOUR,
        chance_lasts=judged.chance,
        fridge=answer_fridge(record, rig, estimates, at),
        savings=savings,
        nights_in_hand=nights_in_hand(outlook, state),
        below_floor=below,
        below_floor_text=_below_text(outlook, below),
        drive_text=_drive_text(central, savings, verdict),
        capacity=state.capacity,
        counted_since=_since_words(record, estimates),
        charges_expected=_expected(made, until),
    )


def _give_with_sun(
    outlook: Outlook, state: State, until: float, rng: np.random.Generator
) -> float:
    """Give the give-or-take that is left once the sun is given. [A.h]"""
    made = forecast(
        outlook,
        state,
        Question(sun="middle"),
        until=until,
        paths=PATHS_CONDITION,
        rng=rng,
    )
    spare = (made.wanted.soc.min(axis=0) - outlook.rig.house.floor) * made.capacity
    return quantiles(spare).give_or_take


def _drive_text(central: Central, savings: tuple[Saving, ...], verdict: str) -> str:
    """Say what is left to find after the first switch, and which drives would do."""
    if verdict == YES:
        return ""
    first = next((s for s in savings if s.kind not in {"fridge", "freezer"}), None)
    if first is None:
        return drive_conditions(central)
    hours = float(central.length.sum()) / HOUR
    demand = np.maximum(central.demand - first.charge / hours, 0.0)
    left = -(central.spare + first.charge)
    text = drive_conditions(central, demand)
    if left <= 0 or not text:
        return text
    return f"With {first.load} off there is still about {left:.0f} Ah to find: {text}"


def _reason(outlook: Outlook, judged: Judged) -> str:
    if outlook.basis == "plan only":
        if outlook.plan is None:
            return "less than a day is recorded yet, and there is no plan"
        return "from your plan: less than a day is recorded yet"
    if outlook.basis == "one day":
        return "from one day's record"
    if judged.soc.give_or_take > 0.15:
        return "the battery was not seen full for long, so its state is wide"
    return "from this trip's own days"


def _below_text(outlook: Outlook, below: float) -> str:
    if below <= 0:
        return ""
    if not outlook.rig.house.is_lead:
        return "protection may cut everything, this logger too, without warning"
    if outlook.history.cut.max(initial=0.0) > CUT_OFF_SEEN:
        return (
            "loads were cut off on this trip near "
            f"{100 * outlook.soc_cut:.0f} % of the capacity"
        )
    return (
        "the fridge will cut out when its plug reaches its setting; can't tell when, "
        "because no cut-out was seen on this rig"
    )


def _driving(record: TripRecord, rig: Rig) -> bool:
    """Tell whether the vehicle moves or the engine charges now; unknown is no."""
    names = ["state_engine", "speed_vehicle_mps"]
    names += [
        f"current_{s.name}_a" for s in rig.sources if s.kind in {"dcdc", "isolator"}
    ]
    limits = [0.5, 1.0] + [1.0] * (len(names) - 2)
    for name, limit in zip(names, limits, strict=True):
        if name not in record.minutes:
            continue
        part = record.minutes[name].mean[-DRIVING_MINUTES:]
        good = part[np.isfinite(part)]
        if good.size and float(good[-1]) > limit:
            return True
    return False


def _blank(
    record: TripRecord,
    rig: Rig,
    estimates: TripEstimates,
    *,
    at: float,
    until: float,
    word: str,
    car: CarAnswer,
) -> Enough:
    """Give the answer "can't tell" with everything that needs no counting."""
    unknown = Estimate.missing("charge cannot be counted")
    assumed = tuple(
        key
        for key in ("house.floor", "house.cutoff_v", "house.absorption_v")
        if key in rig.assumed
    )
    return Enough(
        at=at,
        as_of=newest_reading(record),
        utc_offset=record.utc_offset,
        basis="plan only",
        verdict=CANNOT_TELL,
        reason="",
        conditions=(),
        until=until,
        until_word=word,
        soc=unknown,
        used_since_full=float("nan"),
        used_since=float("nan"),
        in_hand=unknown,
        spare=unknown,
        low_point=None,
        low_charge=float("nan"),
        hours_to_floor=HoursToFloor(p10=None, p50=None, p90=None),
        horizon=max(until - at, HORIZON) / HOUR,
        chance_lasts=float("nan"),
        car=car,
        fridge=answer_fridge(record, rig, estimates, at),
        savings=(),
        nights_in_hand=None,
        urgent=find_urgent(record, rig, car, at),
        driving=_driving(record, rig),
        floor=rig.house.floor,
        floor_word="assumed" if "house.floor" in rig.assumed else "typed by you",
        assumed=assumed,
    )
