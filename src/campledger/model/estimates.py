"""What estimators hand to judges: frozen results on the minute grid of a trip."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from campledger.model.words import Word

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.series import BoolArray, FloatArray


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """
    One number with its 90 % interval and its word.

    ``lo`` and ``hi`` are the 5 % and 95 % points; all NaN when missing.
    """

    value: float
    lo: float
    hi: float
    word: Word = Word.WORKED_OUT
    reason: str = ""

    @property
    def give_or_take(self) -> float:
        """Half the 90 % interval."""
        return 0.5 * (self.hi - self.lo)

    @classmethod
    def missing(cls, reason: str) -> Estimate:
        """Say that this cannot be told, and why."""
        nan = float("nan")
        return cls(value=nan, lo=nan, hi=nan, word=Word.MISSING, reason=reason)


@dataclass(frozen=True, kw_only=True)
class Anchor:
    """
    An event that told where the state of charge was, and what it changed.

    ``kind`` is one of full, rest, cutoff, typed; ``soc`` and ``soc_std`` are the soft
    measurement; ``change`` is how far the estimate moved (share of capacity).
    """

    time_utc: float
    kind: str
    soc: float
    soc_std: float
    change: float
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class BatteryModel:
    """
    A battery fitted to a trip, enough to run it forward with other hardware.

    Voltages are at the terminals of the whole battery. ``soc_table`` rises from 0 to 1.
    ``acceptance_time`` [s]: near full the current falls as missing charge over this.
    ``efficiency_low`` counts below ``soc_gassing``, falling to ``efficiency_full``.
    """

    chemistry: str
    capacity: float
    soc_table: FloatArray
    voltage_open_table: FloatArray
    resistance: float
    resistance_per_k: float
    hysteresis: float
    efficiency_low: float
    efficiency_full: float
    soc_gassing: float
    acceptance_time: float
    current_hidden: float
    parameters: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class BatteryEstimate:
    """
    State of charge of the house battery over a trip, on the minute grid.

    ``soc``, ``soc_lo``, ``soc_hi`` are the best estimate (later readings used);
    ``soc_live*`` is what was known at the time. NaN only where nothing can be told.
    ``current_corrected`` is the mean battery current of each minute with the offset
    and gain that were found, A, + into the battery, NaN in gaps.
    ``charging_loss`` is the charge rate lost in charging, A (>= 0).
    """

    minute_utc: FloatArray
    soc: FloatArray
    soc_lo: FloatArray
    soc_hi: FloatArray
    soc_live: FloatArray
    soc_live_lo: FloatArray
    soc_live_hi: FloatArray
    current_corrected: FloatArray
    charging_loss: FloatArray
    capacity: Estimate
    resistance: Estimate
    offset: Estimate
    efficiency: Estimate
    anchors: tuple[Anchor, ...]
    model: BatteryModel
    rung: str
    notes: tuple[str, ...] = ()

    @property
    def last_full_utc(self) -> float:
        """Time of the last full charge, NaN if there was none. [s]"""
        times = [a.time_utc for a in self.anchors if a.kind == "full"]
        return max(times, default=float("nan"))


@dataclass(frozen=True, kw_only=True)
class LoadUse:
    """
    What one load used, on the minute grid.

    ``power*`` are means over the minute, W at the battery side, >= 0.
    ``charge`` is A.h in the minute. ``on_share`` is the share of the minute spent above
    half the typical running current. ``censored`` marks minutes without power to it.
    ``group`` names loads that cannot be told apart (this one included), else empty.
    """

    name: str
    word: Word
    power: FloatArray
    power_lo: FloatArray
    power_hi: FloatArray
    charge: FloatArray
    on_share: FloatArray
    energy: Estimate
    current_running: float
    current_standing: float
    starts: int
    group: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    censored: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))


@dataclass(frozen=True, kw_only=True)
class SourceUse:
    """
    What one source delivered, on the minute grid; ``name`` may be ``net``.

    ``possible*`` is what it could have given had the battery taken everything, W;
    NaN arrays where that is not known. ``state`` per minute is one of the codes in
    ``SOURCE_STATES``.
    """

    name: str
    kind: str
    word: Word
    power: FloatArray
    charge: FloatArray
    possible: FloatArray
    possible_lo: FloatArray
    possible_hi: FloatArray
    state: FloatArray
    energy_possible: Estimate
    possible_is_lower_bound: bool = False
    notes: tuple[str, ...] = ()


SOURCE_STATES: Mapping[int, str] = {
    0: "off",
    1: "delivering",
    2: "held back by a full battery",
    3: "shaded",
    4: "clouded",
    5: "not recorded",
}


@dataclass(frozen=True, kw_only=True)
class FridgeModel:
    """
    A cooling load against temperature: charge a day = base + slope * (air - inside).

    ``slope`` A.h a day and K, ``base`` A.h a day, ``covariance`` (2, 2) of (base,
    slope), ``residual_std`` A.h a day. ``time_constant`` [s] and ``heat_leak`` [W/K]
    are NaN where no inside temperature exists. ``difference_min/max`` bound what was
    measured (K); ``voltage_mean`` V turns charge into energy.
    """

    name: str
    base: float
    slope: float
    covariance: FloatArray
    residual_std: float
    difference_min: float
    difference_max: float
    days: int
    current_running: float
    voltage_mean: float
    time_constant: float = float("nan")
    heat_leak: float = float("nan")
    inside_measured: bool = False
    notes: tuple[str, ...] = ()

    def charge_a_day(self, difference: float) -> Estimate:
        """
        Predict the charge of a day at a mean difference of air minus inside.

        Parameters
        ----------
        difference : float
            Mean air minus mean inside temperature of that day. [K]

        Returns
        -------
        charge : Estimate
            A.h a day; the reason says when it is hotter than anything measured.
        """
        row = np.array([1.0, difference])
        value = max(0.0, self.base + self.slope * difference)
        spread = 1.645 * float(
            np.sqrt(row @ self.covariance @ row + self.residual_std**2)
        )
        hotter = difference > self.difference_max + 5.0
        return Estimate(
            value=value,
            lo=max(0.0, value - spread),
            hi=value + spread,
            reason="hotter than anything measured" if hotter else "",
        )


@dataclass(frozen=True, kw_only=True)
class TripEstimates:
    """
    All estimates of one trip, on its minute grid.

    ``not_itemised`` is the mean current (A, may be negative) that is out but in no
    load; NaN where unknown. ``censored`` marks minutes in which demand could not show
    (loads without power, battery protection open, logger dark). ``demand`` gives, for
    each load, power with censored minutes filled from like hours, W.
    """

    battery: BatteryEstimate
    loads: tuple[LoadUse, ...]
    sources: tuple[SourceUse, ...]
    not_itemised: FloatArray
    fridges: tuple[FridgeModel, ...]
    censored: BoolArray
    demand: Mapping[str, FloatArray]
    notes: tuple[str, ...] = ()

    def load(self, name: str) -> LoadUse | None:
        """Find a load's use by name."""
        return next((x for x in self.loads if x.name == name), None)

    def source(self, name: str) -> SourceUse | None:
        """Find a source's use by name."""
        return next((x for x in self.sources if x.name == name), None)
