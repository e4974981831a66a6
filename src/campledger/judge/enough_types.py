"""What is asked at camp and what is answered: frozen, complete, without wording."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from campledger.judge.statement_types import LowPoint
    from campledger.model.estimates import Estimate

YES, NO, TOO_CLOSE, CANNOT_TELL = "yes", "no", "too_close", "cannot_tell"
CHANCE_YES, CHANCE_NO = 0.95, 0.05
"""From the contract, section 0."""

SUNS = ("", "none", "worst", "middle", "best")


@dataclass(frozen=True, kw_only=True)
class Drive:
    """A drive that somebody means to make: start [s since 1970] and length [s]."""

    start_utc: float
    duration: float


@dataclass(frozen=True, kw_only=True)
class Question:
    """
    What the traveller typed beside the deadline.

    ``sun`` is one of `SUNS` ("" = as likely as this trip's own days), ``temp_max`` the
    hottest air of the coming days [Cel], ``without`` loads to be switched off now.
    """

    drives: tuple[Drive, ...] = ()
    temp_max: float | None = None
    sun: str = ""
    without: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Condition:
    """What the verdict would be if something came true; ``spare`` A.h."""

    kind: str
    text: str
    verdict: str
    spare: float


@dataclass(frozen=True, kw_only=True)
class Saving:
    """
    What switching a load off now brings by the deadline.

    ``charge`` A.h by the deadline, ``charge_a_day`` A.h; ``turns_to_yes`` if it alone
    makes the answer a yes. ``note`` is what it costs (food, light).
    """

    load: str
    kind: str
    charge: float
    charge_a_day: float
    text: str
    note: str = ""
    turns_to_yes: bool = False


@dataclass(frozen=True, kw_only=True)
class CarAnswer:
    """
    Whether the car should start.

    ``verdict`` is ``should_start``, ``not_safe`` or ``cannot_tell``; volts [V] and how
    long they were at rest [h], NaN if unknown. ``joined`` None = cannot be seen.
    """

    verdict: str
    reason: str
    volts: float = float("nan")
    rested: float = float("nan")
    joined: bool | None = None
    falling: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class FridgeAnswer:
    """
    Whether the cold place holds; ``hours_to_limit`` [h] if it stopped now.

    ``verdict`` is ``holds``, ``warms`` or ``cannot_tell``; temperatures in Cel.
    """

    name: str
    verdict: str
    reason: str
    temp: float = float("nan")
    limit: float = float("nan")
    hours_to_limit: float = float("nan")
    contents: str = "food"


@dataclass(frozen=True, kw_only=True)
class Urgent:
    """Something to act on now; ``code`` lithium_cold, over_voltage or start_drain."""

    code: str
    text: str


@dataclass(frozen=True, kw_only=True)
class HoursToFloor:
    """Hours until the floor; None = beyond the horizon."""

    p10: float | None
    p50: float | None
    p90: float | None


@dataclass(frozen=True, kw_only=True)
class Enough:
    """
    The answer at camp.

    Charges in A.h, times in s since 1970 UTC, shares 0..1; `Estimate` carries 5 % and
    95 % points. ``below_floor`` is how far the battery already is under the floor now
    (A.h, 0 if it is not). ``as_of`` is the newest reading.
    """

    at: float
    as_of: float
    utc_offset: float
    basis: str
    verdict: str
    reason: str
    conditions: tuple[Condition, ...]
    until: float
    until_word: str
    soc: Estimate
    used_since_full: float
    used_since: float
    in_hand: Estimate
    spare: Estimate
    low_point: LowPoint | None
    low_charge: float
    hours_to_floor: HoursToFloor
    horizon: float
    chance_lasts: float
    car: CarAnswer
    fridge: FridgeAnswer
    savings: tuple[Saving, ...]
    nights_in_hand: int | None
    urgent: tuple[Urgent, ...] = ()
    below_floor: float = 0.0
    below_floor_text: str = ""
    drive_text: str = ""
    driving: bool = False
    floor: float = float("nan")
    floor_word: str = "typed by you"
    capacity: float = float("nan")
    counted_since: str = ""
    notes: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    charges_expected: tuple[tuple[str, float], ...] = field(default_factory=tuple)
