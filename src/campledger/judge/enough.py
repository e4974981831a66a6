"""
Will it last? One answer from the record up to now, with everything that it rests on.

The verdict is a matter of the stated chance alone; words are made in `enough_words`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import dawn_of, rig_date
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
from campledger.judge.enough_types import (
    CANNOT_TELL,
    CHANCE_NO,
    CHANCE_YES,
    NO,
    TOO_CLOSE,
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
    STD_LEAST,
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
from campledger.judge.statement_types import LowPoint
from campledger.model.estimates import Estimate
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.model.estimates import TripEstimates
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

HOUR, DAY = 3600.0, 86400.0
NINETY = 1.645
HORIZON = 72 * HOUR
"""How far the floor is looked for, and the plan's end is taken as deadline. [s]"""
HORIZON_MOST = 14 * DAY
FRESH = 600.0
"""A newest reading older than this is the moment that the answer is of. [s]"""
NIGHTS_MOST = 30
PATHS_CONDITION = 300
DRIVING_MINUTES = 5
CUT_OFF_SEEN = 0.5


def default_deadline(
    at: float, rig: Rig, plan: Plan | None, utc_offset: float
) -> tuple[float, str]:
    """
    Give the deadline that is meant when none is typed.

    Parameters
    ----------
    at : float
        Now. [s]
    rig, plan : Rig, Plan or None
        For the plan's end and for dawn.
    utc_offset : float
        Rig time less UTC. [s]

    Returns
    -------
    until : float
        The plan's end within 72 h, else the second dawn. [s]
    word : str
        Which of the two.
    """
    if plan is not None and at < plan.end_utc <= at + HORIZON:
        return plan.end_utc, "the end of your plan"
    dawns = coming_dawns(at, rig, plan, utc_offset, 2)
    return dawns[-1], "the second dawn"


def coming_dawns(
    at: float, rig: Rig, plan: Plan | None, utc_offset: float, count: int
) -> list[float]:
    """Give the next dawns after a moment. [s]"""
    day = rig_date(at, utc_offset)
    out: list[float] = []
    while len(out) < count:
        dawn, _, _ = dawn_of(day, rig, plan, utc_offset)
        if dawn > at:
            out.append(dawn)
        day += timedelta(days=1)
    return out


def state_of(estimates: TripEstimates) -> State | None:
    """
    Give where the battery stands at the end of the estimates.

    Parameters
    ----------
    estimates : TripEstimates
        Made from readings up to now.

    Returns
    -------
    state : State or None
        None if nothing is known.
    """
    battery = estimates.battery
    known = np.flatnonzero(np.isfinite(battery.soc_live))
    if known.size == 0:
        return None
    last = known[-1]
    spread = battery.soc_live_hi[last] - battery.soc_live_lo[last]
    wide = battery.capacity.hi - battery.capacity.lo
    return State(
        soc=float(battery.soc_live[last]),
        soc_std=max(STD_LEAST, float(spread) / (2 * NINETY)),
        capacity=battery.capacity.value,
        capacity_std=float(np.nan_to_num(wide)) / (2 * NINETY),
    )


def newest_reading(record: TripRecord) -> float:
    """Give the minute of the newest reading of the house battery. [s]"""
    for name in ("current_house_a", "voltage_house_v"):
        if name in record.minutes:
            good = np.flatnonzero(np.isfinite(record.minutes[name].mean))
            if good.size:
                return float(record.minute_utc[good[-1]])
    return record.end_utc


def now_of(record: TripRecord, at: float) -> float:
    """
    Give the moment from which to look ahead.

    Parameters
    ----------
    record : TripRecord
        Readings up to ``at``.
    at : float
        The moment of asking. [s]

    Returns
    -------
    now : float
        ``at``, or the newest reading if that is ten minutes old. [s]
    """
    newest = newest_reading(record)
    return at if at - newest < FRESH else newest


def why_cannot_tell(record: TripRecord, rig: Rig) -> str:
    """
    Say why charge cannot be counted, empty if it can.

    Parameters
    ----------
    record : TripRecord
        Readings up to now.
    rig : Rig
        Its chemistry decides what volts could say.

    Returns
    -------
    reason : str
        For a person.
    """
    if not _any(record, "voltage_house_v"):
        return "the house battery's volts are not measured"
    if _any(record, "current_house_a"):
        return ""
    reason = "no shunt: charge cannot be counted"
    if rig.house.is_lead:
        return f"{reason}. Rest 2 h with everything off for a rough state"
    return f"{reason}, and volts can't tell between nearly full and nearly flat"


def _any(record: TripRecord, name: str) -> bool:
    return name in record.minutes and bool(np.isfinite(record.minutes[name].mean).any())


@dataclass(frozen=True, kw_only=True)
class Judged:
    """The main answer's figures before they are put together."""

    chance: float
    in_hand: Estimate
    spare: Estimate
    soc: Estimate
    low: LowPoint
    low_charge: float
    hours: HoursToFloor


def _quantiles(values: FloatArray, word: Word = Word.WORKED_OUT) -> Estimate:
    lo, middle, hi = np.quantile(values, [0.05, 0.5, 0.95])
    return Estimate(value=float(middle), lo=float(lo), hi=float(hi), word=word)


def chance_to_last(made: Forecast, floor: float, until: float) -> float:
    """Give the share of paths that stay at or above the floor to the deadline. [1]"""
    inside = made.paths.time_utc <= until + 1.0
    return float((made.paths.soc[inside].min(axis=0) >= floor).mean())


def _hours_to_floor(made: Forecast, floor: float) -> HoursToFloor:
    soc, time = made.paths.soc, made.paths.time_utc
    below = soc < floor
    first = np.argmax(below, axis=0)
    crossed = below.any(axis=0)
    at = np.maximum(first, 1)
    column = np.arange(soc.shape[1])
    above, under = soc[at - 1, column], soc[at, column]
    share = np.clip((above - floor) / np.maximum(above - under, 1e-12), 0.0, 1.0)
    when = (time[at - 1] + share * (time[at] - time[at - 1]) - time[0]) / HOUR
    hours = np.where(crossed, np.where(first == 0, 0.0, when), np.inf)
    ranked = np.sort(hours)
    picks = [float(ranked[int(q * (len(ranked) - 1))]) for q in (0.1, 0.5, 0.9)]
    p10, p50, p90 = (p if np.isfinite(p) else None for p in picks)
    return HoursToFloor(p10=p10, p50=p50, p90=p90)


def _judge(made: Forecast, floor: float, until: float) -> Judged:
    inside = made.paths.time_utc <= until + 1.0
    soc = made.paths.soc[inside]
    wanted = made.wanted.soc[inside]
    spare = (wanted.min(axis=0) - floor) * made.capacity
    middle = np.median(soc, axis=1)
    lowest = int(np.argmin(middle))
    charge = (soc[lowest] - floor) * made.capacity
    return Judged(
        chance=chance_to_last(made, floor, until),
        in_hand=_quantiles((soc[0] - floor) * made.capacity),
        spare=_quantiles(spare),
        soc=_quantiles(soc[0]),
        low=LowPoint(
            time_utc=float(made.paths.time_utc[lowest]),
            soc=float(middle[lowest]),
            spare=float(np.median(charge)),
        ),
        low_charge=float(np.median(soc[lowest] * made.capacity)),
        hours=_hours_to_floor(made, floor),
    )


def verdict_of(chance: float) -> str:
    """Give the verdict of a stated chance (contract, section 0)."""
    if chance >= CHANCE_YES:
        return YES
    return NO if chance <= CHANCE_NO else TOO_CLOSE


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
    judged = _judge(made, floor, until)
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
    return _quantiles(spare).give_or_take


def _drive_text(central: object, savings: tuple[Saving, ...], verdict: str) -> str:
    """Say what is left to find after the first switch, and which drives would do."""
    from campledger.judge.enough_if import Central  # noqa: PLC0415

    if verdict == YES or not isinstance(central, Central):
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
