"""The statement of a trip: camp days dawn to dawn, planned beside measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from campledger.judge.ageing import BatteryAgeing
    from campledger.model.estimates import Estimate
    from campledger.model.words import Word


@dataclass(frozen=True, kw_only=True)
class Amount:
    """
    One line of the statement: charge A.h and energy W.h, planned and measured.

    None = not planned, or missing.
    """

    name: str
    charge_planned: float | None
    charge_measured: float | None
    energy_planned: float | None
    energy_measured: float | None
    word: Word


@dataclass(frozen=True, kw_only=True)
class LowPoint:
    """Least charge of a stretch: when, state of charge (1) and spare charge (A.h)."""

    time_utc: float
    soc: float
    spare: float


@dataclass(frozen=True, kw_only=True)
class StatementDay:
    """
    One camp day. Charges in A.h, rounded to 0.1 so that they add up with a pencil:

    brought forward + in - out - charging loss - not accounted for = carried forward,
    where ``out`` includes ``not_itemised``.
    """

    dawn_utc: float
    end_utc: float
    dawn_word: Word
    whole: bool
    brought_forward: float | None
    sources: tuple[Amount, ...]
    loads: tuple[Amount, ...]
    charging_loss: float | None
    charging_loss_word: Word
    charging_loss_share: float | None
    not_itemised: float | None
    not_accounted: float | None
    not_accounted_limit: float
    carried_forward: float | None
    carried_word: Word
    floor_charge: float | None
    floor_word: Word
    in_hand: float | None
    in_hand_planned: float | None
    nights_in_hand: int | None
    nights_planned: int | None
    low_point: LowPoint | None
    low_point_planned: LowPoint | None
    coverage: float
    censored: float
    temp_air_mean: float | None
    drive: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Miss:
    """
    Where the plan missed for one load or source, over the whole trip.

    ``unit`` is ``Ah`` or ``Wh``: the unit in which the plan was typed. ``rate_part``
    and ``hours_part`` add up to ``measured - planned`` exactly; None where the plan
    has no split. ``cause`` is one of: as planned, hotter, cooler, on longer, on
    shorter, draws more, draws less, not planned, did not happen, wrong figure,
    not measured, less sun, more sun, drove less, drove more.
    """

    name: str
    kind: str
    unit: str
    planned: float | None
    measured: float | None
    rate_part: float | None
    hours_part: float | None
    rate_planned: float | None
    hours_planned: float | None
    rate_measured: float | None
    hours_measured: float | None
    lo: float | None
    hi: float | None
    duty: float | None
    cause: str
    word: Word
    figure: str = ""

    @property
    def miss(self) -> float | None:
        """Measured less planned."""
        if self.planned is None or self.measured is None:
            return None
        return self.measured - self.planned


@dataclass(frozen=True, kw_only=True)
class Statement:
    """A whole trip, ruled off at each dawn; ``misses`` sorted, largest first."""

    trip_name: str
    start_utc: float
    end_utc: float
    utc_offset: float
    plan_status: str
    days: tuple[StatementDay, ...]
    total: StatementDay
    misses: tuple[Miss, ...]
    capacity: Estimate
    hours_below_floor: float
    verdict: str
    notes: tuple[str, ...] = ()
    ageing: BatteryAgeing | None = None
