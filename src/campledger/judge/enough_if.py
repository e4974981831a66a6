"""What would turn the answer: a sky like a recorded one, a drive, a switch."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import rig_date
from campledger.judge.enough_types import NO, TOO_CLOSE, YES, Condition, Saving
from campledger.judge.forecast_history import SLOTS, STEP, clear_of_rig
from campledger.judge.forecast_sun import clear_sky_index
from campledger.judge.forecast_walk import WalkBattery, walk
from campledger.judge.savings import load_profile

if TYPE_CHECKING:
    from campledger.judge.forecast import Forecast, Outlook, State
    from campledger.model.series import FloatArray

HOUR = 3600.0
DRIVE_START = 9.0
"""A suggested drive begins at this clock hour. Common practice. [h]"""
DRIVE_LONGEST, DRIVE_STEP = 3.0, 0.25
"""Suggested drives go in quarter hours up to this. Common practice. [h]"""
DAY_KNOWN = 0.7
"""Share of a day's clear sun that must be recorded to speak of its sky."""
SUN_DAYS = 4
"""How many recorded days are tried. Common practice."""


@dataclass(frozen=True, kw_only=True)
class Central:
    """
    The middle future, cheap to walk again with something changed.

    ``spare`` is the main answer's middle spare charge and ``give`` its give-or-take
    [A.h]; ``base`` what the plain middle walk gives, so that changes are differences.
    """

    outlook: Outlook
    battery: WalkBattery
    demand: FloatArray
    sun: FloatArray
    engine: FloatArray
    length: FloatArray
    floor: float
    capacity: float
    spare: float
    give: float
    base: float

    def lowest(
        self,
        *,
        demand: FloatArray | None = None,
        sun: FloatArray | None = None,
        more: FloatArray | None = None,
    ) -> float:
        """Give the least spare charge of a changed walk. [A.h]"""
        need = self.demand if demand is None else demand
        offer = (self.sun if sun is None else sun) + self.engine
        if more is not None:
            offer = offer + more
        paths = walk(
            self.battery,
            need[:, None],
            offer[:, None],
            0.0,
            self.length,
            wanted=True,
        )
        return (float(paths.soc.min()) - self.floor) * self.capacity

    def spare_with(
        self,
        *,
        demand: FloatArray | None = None,
        sun: FloatArray | None = None,
        more: FloatArray | None = None,
    ) -> float:
        """Give the main spare moved by what the change does. [A.h]"""
        changed = self.lowest(demand=demand, sun=sun, more=more)
        return self.spare + changed - self.base

    def verdict(self, spare: float) -> str:
        """Give the verdict of a spare charge against the give-or-take."""
        if spare > self.give:
            return YES
        return NO if spare < -self.give else TOO_CLOSE


def central_of(
    outlook: Outlook,
    state: State,
    battery: WalkBattery,
    forecast: Forecast,
    until: float,
    spare: float,
    give: float,
) -> Central:
    """
    Prepare the middle future up to the deadline.

    Parameters
    ----------
    outlook, state, forecast : Outlook, State, Forecast
        The main answer's.
    battery : WalkBattery
        One path, without chance.
    until : float
        Deadline. [s]
    spare, give : float
        The main answer. [A.h]

    Returns
    -------
    central : Central
        With its base walked.
    """
    at = outlook.history.at
    steps = min(len(forecast.demand), max(1, int(np.ceil((until - at) / STEP - 1e-9))))
    length = np.full(steps, STEP)
    length[-1] = until - at - (steps - 1) * STEP
    made = Central(
        outlook=outlook,
        battery=battery,
        demand=forecast.demand[:steps],
        sun=forecast.sun[:steps],
        engine=forecast.engine[:steps],
        length=length,
        floor=outlook.rig.house.floor,
        capacity=state.capacity,
        spare=spare,
        give=give,
        base=0.0,
    )
    return replace(made, base=made.lowest())


def sun_like(central: Central, when: date) -> tuple[FloatArray, float] | None:
    """
    Give the coming sun if every day were like a recorded date.

    Parameters
    ----------
    central : Central
        The middle future.
    when : date
        In rig time.

    Returns
    -------
    current : (k,) float64
        [A]
    harvest : float
        What that date gave. [A.h]
    """
    history = central.outlook.history
    index = clear_sky_index(history)
    n = len(index)
    back = np.arange(n - 1, -1, -1)
    local = history.at + history.utc_offset - STEP * (back + 0.5)
    number = np.floor(local / 86400.0).astype(int)
    wanted = datetime(when.year, when.month, when.day, tzinfo=UTC).timestamp() // 86400
    inside = (number == int(wanted)) & np.isfinite(index)
    whole = float(history.clear[number == int(wanted)].sum())
    if whole <= 0 or float(history.clear[inside].sum()) < DAY_KNOWN * whole:
        return None
    slots = np.full(SLOTS, np.nan)
    position = (SLOTS - 1 - back % SLOTS)[inside]
    slots[position] = index[inside]
    usual = float(np.nanmean(slots))
    slots = np.where(np.isfinite(slots), slots, usual)
    steps = len(central.demand)
    ends = np.asarray(history.at + STEP * np.arange(1, steps + 1), dtype=np.float64)
    clear = clear_of_rig(ends, central.outlook.rig, history.utc_offset)
    harvest = float((index[inside] * history.clear[inside]).sum()) * STEP / HOUR
    return slots[np.arange(steps) % SLOTS] * clear, harvest


def _day_name(when: date, today: date) -> str:
    if when == today - timedelta(days=1):
        return "yesterday"
    return f"{when:%A}" if (today - when).days < 7 else f"{when.day} {when:%B}"


def sun_conditions(central: Central, give: float) -> list[Condition]:
    """
    Say for which recorded sky the answer is yes and for which it is no.

    Parameters
    ----------
    central : Central
        The middle future.
    give : float
        Give-or-take of the spare charge once the sun is given. [A.h]

    Returns
    -------
    conditions : list of Condition
        At most one of each verdict, of the most recent such day.
    """
    known = replace(central, give=give)
    history = central.outlook.history
    if not history.has_sun or float(central.sun.sum()) * STEP / HOUR < 1.0:
        return []
    today = rig_date(history.at, history.utc_offset)
    found: dict[str, Condition] = {}
    for back in range(1, SUN_DAYS + 1):
        when = today - timedelta(days=back)
        like = sun_like(central, when)
        if like is None:
            continue
        current, harvest = like
        spare = central.lowest(sun=current)
        verdict = known.verdict(spare)
        side = "spare" if spare >= 0 else "short"
        text = (
            f"{verdict} if the sun is like {_day_name(when, today)} "
            f"({abs(spare):.0f} Ah {side} at {harvest:.0f} Ah)"
        )
        if verdict in {YES, NO} and verdict not in found:
            found[verdict] = Condition(
                kind="sun", text=text, verdict=verdict, spare=spare
            )
    return [found[v] for v in (YES, NO) if v in found]


def drive_offer(central: Central, starts: list[float], hours: float) -> FloatArray:
    """
    Give the engine charger's current of extra drives.

    Parameters
    ----------
    central : Central
        The middle future.
    starts : list of float
        Starts from now. [s]
    hours : float
        Length of each. [h]

    Returns
    -------
    current : (k,) float64
        [A]
    """
    steps = len(central.demand)
    edges = np.arange(steps) * STEP
    share = np.zeros(steps)
    for start in starts:
        begin = np.clip(start - edges, 0.0, STEP)
        end = np.clip(start + hours * HOUR - edges, 0.0, STEP)
        share += (end - begin) / STEP
    return np.minimum(share, 1.0) * central.outlook.habits.current


def _drive_starts(central: Central) -> list[float]:
    """Give the coming starts at the usual hour that lie before the deadline. [s]"""
    history = central.outlook.history
    clock = np.mod((history.at + history.utc_offset) / HOUR, 24.0)
    first = (DRIVE_START - clock) % 24.0
    total = float(central.length.sum()) / HOUR
    return [h * HOUR for h in np.arange(first, total, 24.0)]


def _shortest(
    central: Central, starts: list[float], demand: FloatArray
) -> float | None:
    for hours in np.arange(DRIVE_STEP, DRIVE_LONGEST + 0.01, DRIVE_STEP):
        more = drive_offer(central, starts, float(hours))
        if central.spare_with(demand=demand, more=more) >= 0.0:
            return float(hours)
    return None


def drive_conditions(central: Central, demand: FloatArray | None = None) -> str:
    """
    Say which drives would cover what is missing, in words.

    Parameters
    ----------
    central : Central
        The middle future.
    demand : (k,) float64, optional
        After switching something off. [A]

    Returns
    -------
    text : str
        Empty if there is no engine charger or no need.
    """
    if central.outlook.habits.current <= 0:
        return ""
    need = central.demand if demand is None else demand
    if central.spare_with(demand=need) >= 0:
        return ""
    starts = _drive_starts(central)
    if not starts:
        return ""
    one = _shortest(central, starts[:1], need)
    if one is not None:
        return f"A drive of about {hours_words(one)} would cover it"
    if len(starts) < 2:
        return "no drive before then is long enough to cover it"
    two = _shortest(central, starts[:2], need)
    if two is None:
        return "even two long drives would not cover it"
    return (
        f"two drives of about {hours_words(two)} on different days would, "
        "one long drive would not (it tapers)"
    )


def hours_words(hours: float) -> str:
    """Give quarter hours as a person says them."""
    whole, part = divmod(round(hours * 4), 4)
    tail = {0: "", 1: "1/4", 2: "1/2", 3: "3/4"}[part]
    if whole == 0:
        return {1: "a quarter of an hour", 2: "half an hour"}.get(part, "45 minutes")
    return f"{whole} {tail} h".replace("  ", " ")


def without_profile(outlook: Outlook, names: tuple[str, ...]) -> FloatArray:
    """
    Give the demand that goes when loads are switched off.

    Parameters
    ----------
    outlook : Outlook
        Holds their half hours.
    names : tuple of str
        Loads.

    Returns
    -------
    current : (48,) float64
        At each coming slot. [A]
    """
    total = np.zeros(SLOTS)
    for name in names:
        total += load_profile(outlook.history, name)
    return total


def mark_savings(
    central: Central, savings: tuple[Saving, ...]
) -> tuple[tuple[Saving, ...], list[Condition]]:
    """Mark the switches that alone turn the answer to yes."""
    out: list[Saving] = []
    conditions: list[Condition] = []
    hours = float(central.length.sum()) / HOUR
    for saving in savings:
        spare = central.spare + saving.charge
        turns = central.spare <= central.give < spare and hours > 0
        cold = saving.kind in {"fridge", "freezer"}
        out.append(replace(saving, turns_to_yes=turns and not cold))
        if turns and not cold and not conditions:
            conditions.append(
                Condition(
                    kind="without",
                    text=f"yes with {saving.load} off ({spare:.0f} Ah spare)",
                    verdict=YES,
                    spare=spare,
                )
            )
    return tuple(out), conditions


def drive_condition(central: Central) -> list[Condition]:
    """Give the shortest single drive that makes the answer a yes."""
    if central.outlook.habits.current <= 0:
        return []
    starts = _drive_starts(central)
    for hours in np.arange(DRIVE_STEP, DRIVE_LONGEST + 0.01, DRIVE_STEP):
        if not starts:
            break
        more = drive_offer(central, starts[:1], float(hours))
        spare = central.spare_with(more=more)
        if central.verdict(spare) == YES:
            text = (
                f"yes with a drive of about {hours_words(float(hours))} "
                f"({spare:.0f} Ah spare)"
            )
            return [Condition(kind="drive", text=text, verdict=YES, spare=spare)]
    return []
