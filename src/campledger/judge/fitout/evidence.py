"""
The arrays that all rules share, made once: minutes, steps, drives, what the engine did.

Currents of the house battery are + into it. Everything on the minute grid is (m,) and
NaN where nothing was read.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from campledger.estimate.steps import Slope, Steps, find_steps, loop_slope, runs
from campledger.judge.finding import Fingerprint, Proof, Sure
from campledger.judge.fitout.plateaus import (
    HELD_LEAST_LEAD,
    HELD_LEAST_LFP,
    Plateau,
    find_plateaus,
)
from campledger.model.integrate import resample_previous
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from campledger.model.estimates import TripEstimates
    from campledger.model.plan import Plan
    from campledger.model.rig import Load, Rig, Source
    from campledger.model.series import BoolArray, FloatArray, Series, TripRecord

Array: TypeAlias = NDArray[Any]
"""Values, a mask or indices, on whatever grid the function says."""

HOUR = 3600.0
DAY = 86400.0
VOLTAGE_ENGINE = 13.2
"""Start battery above this: a fixed alternator runs. Common practice, no source. [V]"""
TIED = 0.1
"""Two batteries closer than this move as one. Common practice, no source. [V]"""
UNKNOWN_K = 20.0
"""How far an unmeasured battery may be from 25 degC. Common practice, no source. [K]"""
REST = 4 * HOUR
"""Rested: not charged or loaded this long. Common practice, no source. [s]"""


@dataclass(frozen=True, kw_only=True)
class Drive:
    """A stretch with the engine on: minute indices, first and after the last."""

    first: int
    last: int

    @property
    def minutes(self) -> int:
        """Length in minutes."""
        return self.last - self.first


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A trip, its rig and its estimates, with what the rules ask of them."""

    record: TripRecord
    rig: Rig
    estimates: TripEstimates
    plan: Plan | None = None
    proofs: tuple[Proof, ...] = ()
    earlier: Fingerprint | None = None
    failed: frozenset[str] = field(default_factory=frozenset)

    # --- what is there -----------------------------------------------------
    def has(self, channel: str) -> bool:
        """Tell whether a channel was recorded and ever said anything."""
        return channel in self.alive

    @cached_property
    def alive(self) -> frozenset[str]:
        """Channels with at least one reading."""
        return frozenset(
            name
            for name, series in self.record.channels.items()
            if np.isfinite(series.value).any()
        )

    def series(self, channel: str) -> Series:
        """Give the readings of a channel."""
        return self.record.channels[channel]

    def minute(self, channel: str) -> FloatArray:
        """Give minute means of a channel, all NaN if it does not exist."""
        if not self.has(channel):
            return np.full(len(self.minute_utc), np.nan)
        return self.record.minutes[channel].mean

    def minute_low(self, channel: str) -> FloatArray:
        """Give the smallest reading of each minute."""
        return self.record.minutes[channel].low

    def minute_high(self, channel: str) -> FloatArray:
        """Give the largest reading of each minute."""
        return self.record.minutes[channel].high

    def on(self, time_utc: FloatArray, channel: str) -> FloatArray:
        """Lay a channel on other times."""
        series = self.series(channel)
        if series.time_utc is time_utc or (
            len(series.time_utc) == len(time_utc)
            and bool(np.array_equal(series.time_utc, time_utc))
        ):
            return series.value
        return resample_previous(series, time_utc)

    @cached_property
    def minute_utc(self) -> FloatArray:
        """End of each minute. [s]"""
        return self.record.minute_utc

    @cached_property
    def hour(self) -> FloatArray:
        """Hour of the day in rig time, 0..24."""
        return ((self.minute_utc + self.record.utc_offset) % DAY) / HOUR

    @cached_property
    def day_index(self) -> FloatArray:
        """Calendar day of each minute in rig time."""
        return np.floor((self.minute_utc + self.record.utc_offset - 1.0) / DAY)

    @cached_property
    def days(self) -> float:
        """Length of the record in days."""
        return (self.record.end_utc - self.record.start_utc) / DAY

    # --- names in this rig -------------------------------------------------
    @cached_property
    def names(self) -> dict[str, str]:
        """Names that placeholders of a row stand for; empty text = not in the rig."""
        fridge = self.cooling
        charger = self.source_of("dcdc") or self.source_of("isolator")
        solar = self.source_of("solar")
        found = {
            "fridge": fridge.name if fridge else "",
            "charger": charger.name if charger else "",
            "solar": solar.name if solar else "",
        }
        for kind in ("inverter", "pump", "logger"):
            load = next((x for x in self.rig.loads if x.kind == kind), None)
            found[kind] = load.name if load else ""
        return found

    @cached_property
    def cooling(self) -> Load | None:
        """The cooling load that is judged: the first with a meter, else the first."""
        cold = [x for x in self.rig.loads if x.kind in COOLING]
        metered = [x for x in cold if self.has(f"current_{x.name}_a")]
        return next(iter(metered or cold), None)

    def source_of(self, kind: str) -> Source | None:
        """Find the first source of a kind."""
        return next((s for s in self.rig.sources if s.kind == kind), None)

    @cached_property
    def engine_source(self) -> Source | None:
        """The source that the engine feeds."""
        return self.source_of("dcdc") or self.source_of("isolator")

    # --- battery -----------------------------------------------------------
    @cached_property
    def voltage(self) -> FloatArray:
        """House volts by minute."""
        return self.minute("voltage_house_v")

    @cached_property
    def current(self) -> FloatArray:
        """House amps by minute, + into the battery."""
        return self.minute("current_house_a")

    @cached_property
    def temp(self) -> FloatArray:
        """Battery temperature by minute; 25 where it is not measured."""
        return np.nan_to_num(self.minute("temp_house_c"), nan=25.0)

    @cached_property
    def shift(self) -> tuple[FloatArray, FloatArray]:
        """
        Least and most that temperature moves the charge volts.

        A compensation that nobody typed may be there or not, and a battery whose
        temperature is not measured may be warm or cold: both are allowed then.
        """
        rate = self.rig.house.temp_compensation
        if rate != 0.0 and not self.has("temp_house_c"):
            wide = np.full(len(self.minute_utc), abs(rate) * UNKNOWN_K)
            return -wide, wide
        moved = rate * (self.temp - 25.0)
        if "house.temp_comp_mv_per_k" not in self.rig.assumed:
            return moved, moved
        return np.minimum(moved, 0.0), np.maximum(moved, 0.0)

    @cached_property
    def absorb(self) -> FloatArray:
        """Absorption volts that the rig asks for at the battery's temperature."""
        return self.rig.house.voltage_absorption + self.shift[0]

    @cached_property
    def absorb_most(self) -> FloatArray:
        """The most that they may be."""
        return self.rig.house.voltage_absorption + self.shift[1]

    @cached_property
    def absorb_least(self) -> FloatArray:
        """Lowest absorption volts that any source of the rig is set to."""
        kinds = ("solar", "dcdc", "mains")
        own = [s.voltage_absorption for s in self.rig.sources if s.kind in kinds]
        return min([self.rig.house.voltage_absorption, *own]) + self.shift[0]

    @cached_property
    def soc(self) -> FloatArray:
        """Best state of charge by minute of this record's grid."""
        return self._soc(self.estimates.battery.soc)

    @cached_property
    def soc_hi(self) -> FloatArray:
        """Upper end of its interval."""
        return self._soc(self.estimates.battery.soc_hi)

    @cached_property
    def soc_lo(self) -> FloatArray:
        """Lower end of its interval."""
        return self._soc(self.estimates.battery.soc_lo)

    def _soc(self, values: FloatArray) -> FloatArray:
        grid = self.estimates.battery.minute_utc
        if len(grid) == len(self.minute_utc):
            return values
        return np.interp(self.minute_utc, grid, values, left=np.nan, right=np.nan)

    @cached_property
    def capacity(self) -> float:
        """Capacity now, A.h; the label if nothing better is known."""
        value = self.estimates.battery.capacity.value
        return value if np.isfinite(value) else self.rig.house.capacity_rated

    @cached_property
    def battery_steps(self) -> Steps:
        """Steps of the house current with the change of the house volts."""
        return self.steps("current_house_a", ("voltage_house_v",))

    @cached_property
    def plateaus(self) -> list[Plateau]:
        """Where a charger held the volts."""
        lead = self.rig.house.is_lead
        least = HELD_LEAST_LEAD if lead else HELD_LEAST_LFP
        return find_plateaus(self.voltage, self.current, self.temp, least=least)

    # --- engine and isolator -----------------------------------------------
    @cached_property
    def engine(self) -> tuple[BoolArray, Sure] | None:
        """Minutes with the engine on, and how sure; None if it cannot be told."""
        if self.has("state_engine"):
            return np.nan_to_num(self.minute("state_engine")) > 0.5, Sure.MEASURED
        if self.has("speed_vehicle_mps"):
            moving = np.nan_to_num(self.minute("speed_vehicle_mps")) > 2.0
            return _close_gaps(moving, 10), Sure.LIKELY
        if self.rig.alternator != "fixed" or not self.has("voltage_start_v"):
            return None
        if self.source_of("isolator") is not None:
            return None
        high = np.nan_to_num(self.minute("voltage_start_v")) > VOLTAGE_ENGINE
        return high, Sure.LIKELY

    @cached_property
    def drives(self) -> list[Drive]:
        """
        Stretches of at least five minutes with the engine on.

        Where the engine is not known, stretches in which its charger delivers: good
        for judging the charger, not for judging whether it starts or stops.
        """
        if self.engine is not None:
            on = self.engine[0]
        elif self.source_of("dcdc") is not None:
            name = self.names["charger"]
            on = np.nan_to_num(self.minute(f"current_{name}_a")) > 1.0
        else:
            return []
        spans = runs(_close_gaps(on, 2))
        return [Drive(first=a, last=b) for a, b in spans if b - a >= 5]

    @cached_property
    def closed(self) -> tuple[BoolArray, Sure] | None:
        """Minutes with the two batteries joined, and how sure."""
        if self.has("state_isolator"):
            state = np.nan_to_num(self.minute("state_isolator"))
            return state > 0.5, Sure.MEASURED
        if not self.has("voltage_start_v"):
            return None
        if self.source_of("isolator") is None:
            return np.zeros(len(self.minute_utc), dtype=bool), Sure.LIKELY
        start = self.minute("voltage_start_v")
        near = np.abs(start - self.voltage) <= TIED
        return _near_and_moving(near, start, self.voltage), Sure.LIKELY

    @cached_property
    def rested_start(self) -> BoolArray:
        """Minutes in which the start battery has rested for four hours."""
        busy = np.zeros(len(self.minute_utc), dtype=bool)
        if self.engine is not None:
            busy |= self.engine[0]
        if self.closed is not None:
            busy |= self.closed[0]
        start = self.minute("voltage_start_v")
        busy |= np.nan_to_num(start) > VOLTAGE_ENGINE
        if self.engine_source is not None and self.engine_source.kind == "dcdc":
            out = np.nan_to_num(self.minute(f"current_{self.engine_source.name}_a"))
            busy |= out > 0.5
        since = _minutes_since(busy)
        return np.asarray(np.isfinite(start) & (since * 60.0 >= REST), dtype=bool)

    # --- charging ----------------------------------------------------------
    @cached_property
    def charge(self) -> FloatArray | None:
        """All sources together by minute, A; None if one of them is not measured."""
        if self.has("current_charge_a"):
            return self.minute("current_charge_a")
        names = [f"current_{s.name}_a" for s in self.rig.sources]
        if not names or not all(self.has(n) for n in names):
            return None
        return np.asarray(np.sum([self.minute(n) for n in names], axis=0))

    @cached_property
    def loads_measured(self) -> FloatArray:
        """Sum of all measured loads by minute, A."""
        names = [f"current_{x.name}_a" for x in self.rig.loads]
        found = [np.nan_to_num(self.minute(n)) for n in names if self.has(n)]
        return np.sum(found, axis=0) if found else np.zeros(len(self.minute_utc))

    @cached_property
    def loads_unmetered(self) -> tuple[str, ...]:
        """Loads of the rig without a current channel."""
        names = [x.name for x in self.rig.loads if x.kind != "standby"]
        return tuple(n for n in names if not self.has(f"current_{n}_a"))

    # --- steps and loops ---------------------------------------------------
    def steps(
        self, current: str, others: tuple[str, ...], *, least: float = 2.0
    ) -> Steps:
        """Find steps of one channel with the change of others."""
        series = self.series(current)
        return find_steps(
            series.time_utc,
            series.value,
            [self.on(series.time_utc, name) for name in others],
            least=least,
            mean=series.sampling == "mean",
        )

    @cached_property
    def _fridge_pair(self) -> Steps:
        name = self.names["fridge"]
        return self.steps(f"current_{name}_a", ("voltage_house_v", f"voltage_{name}_v"))

    @cached_property
    def fridge_steps(self) -> Steps:
        """Steps of the fridge with the change of house volts minus fridge volts."""
        found = self._fridge_pair
        return Steps(
            time_utc=found.time_utc,
            current=found.current,
            before=found.before,
            others=(found.others[0] - found.others[1])[None, :],
        )

    @cached_property
    def fridge_loop(self) -> Slope:
        """Loop resistance of the fridge feed, Ohm."""
        found = self._fridge_pair
        return loop_slope(found.current, found.others[0], found.others[1])

    @cached_property
    def fridge_running(self) -> float:
        """Typical running current of the fridge, A; NaN if it never ran."""
        value = self.series(f"current_{self.names['fridge']}_a").value
        value = value[np.isfinite(value)]
        if len(value) == 0:
            return float("nan")
        top = float(np.percentile(value, 99))
        running = value[value > max(0.5, 0.5 * top)]
        return float(np.median(running)) if len(running) else float("nan")

    @cached_property
    def fridge_runs(self) -> tuple[Series, list[tuple[int, int]]]:
        """The fridge's readings and the stretches in which it ran."""
        series = self.series(f"current_{self.names['fridge']}_a")
        if not np.isfinite(self.fridge_running):
            return series, []
        on = np.nan_to_num(series.value) > 0.5 * self.fridge_running
        return series, runs(on)

    def clock(self, time_utc: float) -> str:
        """Write a time of the day in rig time."""
        local = (time_utc + self.record.utc_offset) % DAY
        return f"{int(local // HOUR):02d}:{int(local % HOUR // 60):02d}"


def known_mean(values: Array) -> float:
    """Give the mean of what is known, NaN for nothing."""
    good = values[np.isfinite(values)]
    return float(np.mean(good)) if len(good) else float("nan")


def _minutes_since(busy: BoolArray) -> FloatArray:
    """Count minutes since the last busy one; since the start if there was none."""
    index = np.arange(len(busy))
    last = np.maximum.accumulate(np.where(busy, index, -1))
    return (index - last).astype(np.float64)


def _close_gaps(mask: BoolArray, minutes: int) -> BoolArray:
    """Fill gaps of at most so many minutes between true stretches."""
    out = mask.copy()
    for a, b in runs(~mask):
        if a > 0 and b < len(mask) and b - a <= minutes:
            out[a:b] = True
    return out


def _near_and_moving(
    near: BoolArray, start: FloatArray, house: FloatArray
) -> BoolArray:
    """Keep stretches of ten minutes in which two batteries move as one."""
    out = np.zeros(len(near), dtype=bool)
    for a, b in runs(near):
        if b - a < 5:
            continue
        gap = start[a:b] - house[a:b]
        moved = float(np.ptp(house[a:b]))
        if moved > 0.05 and float(np.std(gap)) < max(0.03, 0.2 * moved):
            out[a:b] = True
    return out
