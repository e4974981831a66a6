"""What is asked of a replay and what it answers: frozen, without wording."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.estimates import Estimate
    from campledger.model.series import FloatArray

HABIT, FIX, BUY, NOTHING, CANNOT_TELL = "habit", "fix", "buy", "nothing", "cannot_tell"


@dataclass(frozen=True, kw_only=True)
class Change:
    """
    One combination of changes; None or empty = as driven.

    ``capacity`` A.h (rated, as on a label), ``power_panel`` W, ``current_charger`` A;
    ``without`` loads left at home; ``inverter_12v`` charges by a 12 V charger instead;
    ``hours`` h a day by load; ``set_point`` Cel by cooling load; ``panel_position``
    takes the shade away; ``fixed`` repairs a fault that was found (its id). Weather is
    not bought: ``temp_air`` Cel on the mean, ``sun_share`` of this trip's sun.
    """

    capacity: float | None = None
    chemistry: str = ""
    power_panel: float | None = None
    current_charger: float | None = None
    without: tuple[str, ...] = ()
    inverter_12v: bool = False
    hours: Mapping[str, float] = field(default_factory=dict)
    set_point: Mapping[str, float] = field(default_factory=dict)
    panel_position: bool = False
    fixed: str = ""
    new_battery: bool = False
    temp_air: float | None = None
    sun_share: float | None = None

    @property
    def only_weather(self) -> bool:
        """Tell whether nothing but the weather is another."""
        asked = self.temp_air is not None or self.sun_share is not None
        return asked and self == Change(
            temp_air=self.temp_air, sun_share=self.sun_share
        )

    @property
    def kind(self) -> str:
        """Class of the change: the dearest of its parts."""
        if self.capacity or self.chemistry or self.power_panel or self.current_charger:
            return BUY
        if self.fixed or self.inverter_12v:
            return FIX
        return HABIT


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """
    What a replay came to; each with its 90 % interval.

    Low point (share), hours below the floor and without power, fridge hours lost,
    unused sun (W.h), days short of full; mass change [kg], None if not typed.
    """

    soc_min: Estimate
    hours_below_floor: Estimate
    hours_without_power: Estimate
    fridge_hours_lost: Estimate
    unused_solar: Estimate
    days_short_of_full: int
    mass: float | None
    margin: float | None
    price_per_night: float | None
    floor: float
    capacity: float

    @property
    def met(self) -> bool:
        """Tell whether the need was met, judged on the values."""
        return (
            self.hours_below_floor.value < TENTH_HOUR
            and self.hours_without_power.value < TENTH_HOUR
            and self.fridge_hours_lost.value < TENTH_HOUR
        )


TENTH_HOUR = 0.05
"""Less than this prints as nought. [h]"""


@dataclass(frozen=True, kw_only=True)
class OptionResult:
    """
    A change with its outcome and how it differs from the trip as driven.

    ``difference`` of the low point (share); ``shows`` is False where its interval
    contains nought and no hour differs: no difference that this trip can show;
    ``wasted`` is the share of added sun that found no place.
    ``refused`` says why it cannot be told, ``ranged`` why its figures are a range only.
    """

    change: Change
    outcome: Outcome | None
    difference: Estimate
    shows: bool
    refused: str = ""
    ranged: str = ""
    over_limit: float = 0.0
    wasted: float = 0.0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Validation:
    """
    The unchanged rig replayed against the record; shares, and whether it will do.

    ``rmse_held_out`` is that of days whose charging taught nothing to their replay.
    """

    bias_daily: float
    rmse_hourly: float
    accepted: bool
    reason: str = ""
    rmse_held_out: float = float("nan")
    held_out_days: int = 0


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """One code, one sentence, and what would break a tie."""

    code: str
    met: bool
    change: Change | None
    text: str
    tie: str = ""


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Low point over battery size and panel size; ``soc_min`` (b, s)."""

    capacities: FloatArray
    panels: FloatArray
    soc_min: FloatArray
    capacity_now: float
    panel_now: float


@dataclass(frozen=True, kw_only=True)
class Path:
    """Charge of the trip as counted and with a change, shares (n,)."""

    time_utc: FloatArray
    driven: FloatArray
    changed: FloatArray
    change: Change


@dataclass(frozen=True, kw_only=True)
class Options:
    """Everything that `options` says."""

    baseline: Outcome
    validation: Validation
    options: tuple[OptionResult, ...]
    verdict: Verdict
    grid: Grid | None
    path: Path | None
    spare_sun: float
    notes: tuple[str, ...] = ()
