"""
The live estimate: constant memory, causal, a few small filters.

A step only adds up; every few minutes the sums become one update. The state fits in a
few kilobytes and can be stored and taken up again. It must never look ahead.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.anchors import (
    absorption_lowest,
    compensation,
    current_full_limit,
)
from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.curve import LOW, STEP
from campledger.estimate.battery.fit_data import (
    FILTER_TIMES,
    GAS_CELL,
    GAS_PER_K,
    GAS_PER_V,
    GAS_TEMP,
    LEAD_CELLS,
    WELL_DEEP,
)
from campledger.estimate.battery.live_filter import OHMS, SIZE, SOC, Filters
from campledger.estimate.battery.live_gap import Gap
from campledger.estimate.battery.live_habits import HABITS
from campledger.estimate.battery.live_state import pack, unpack
from campledger.estimate.battery.posterior import quantile
from campledger.model.estimates import Estimate

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

HOUR = 3600.0
UPDATE_SECONDS = 300.0
PLACE_STD = 0.012
INSTEAD_STD = 1.0
"""A, of the circuits added up in place of a silent shunt. Common practice."""
FULL_MARGIN = 0.12
FULL_APART = 4.0 * HOUR
TEMPER = 1.0 / 3.0
"""Power of each volts' likelihood in weighing capacities: errors repeat daily."""
THIN = 12.0
"""Updates that count as one: errors of an hour hang together. Common practice."""
THIN_TAPER = 40.0
LOOSE = 10.0
"""Volts of lithium count this much less until an end of the curve was seen."""
ENDS = (12.5, 13.45)
"""V at rest that only an empty, and only a full, lithium battery shows. Common
practice, no source."""
END_STD, END_CURRENT_SHARE = 0.03, 0.05
CAPACITY_BELOW = 0.5
LEAST_STD = 0.006
NINETY = 1.645
SLOW_SHARES = (0.3, 0.3)
GAS_SHARE = 0.0002
"""Of the rating, A at the reference volts and temperature; see ``fit_data``."""


class LiveBattery:
    """
    Follow the state of charge with constant memory.

    Parameters
    ----------
    rig : Rig
        The vehicle as described.
    opening : tuple of float, optional
        Mean and standard deviation of the opening state of charge. [1]
    unmeasured : float
        Expected draw of loads in no circuit, when circuits stand for the shunt. [A]

    References
    ----------
    .. [1] See ``Filters``.
    """

    def __init__(
        self,
        rig: Rig,
        opening: tuple[float, float] | None = None,
        *,
        unmeasured: float = 0.0,
    ) -> None:
        house, kind = rig.house, of_house(rig.house)
        self._kind, self._lead = kind, house.is_lead
        self._rated = house.capacity_rated
        self._habits = HABITS["lead" if house.is_lead else "lfp"]
        self._absorption = absorption_lowest(rig)
        self._float = house.voltage_float
        self._compensation = compensation(rig)
        self._full_below = current_full_limit(
            house, assumed="house.full_below_a" in rig.assumed
        )
        start = opening or self._habits.opening
        self._filters = Filters(house, start, unmeasured=unmeasured)
        rating = sum(s.current_rated or 0.0 for s in rig.sources)
        self._gap = Gap(charger=rating or 0.2 * self._rated)
        # Sums since the last update: seconds, A.s, V.s, Cel.s, seconds with volts.
        self._sum = [0.0] * 5
        self._silent = self._borrowed = self._lent = 0.0
        self._slow = [0.0, 0.0, 0.0, 0.0]
        self._swing = 0.0
        self._since_charge = self._since_full = 1e6
        self._held = 0.0
        self._anchored, self._full_seen = house.is_lead, False

    def step(
        self,
        dt: float,
        current: float,
        voltage: float,
        temp: float,
        *,
        instead: float = math.nan,
    ) -> bool:
        """
        Take one reading.

        Parameters
        ----------
        dt : float
            Seconds that the reading stands for. [s]
        current : float
            Into the battery; NaN when missing. [A]
        voltage : float
            At the battery; NaN when missing. [V]
        temp : float
            Of the battery; NaN when missing. [Cel]
        instead : float
            What the circuits add up to, used while ``current`` is missing. [A]

        Returns
        -------
        updated : bool
            True when the sums became an update.
        """
        total = self._sum
        if math.isnan(current) and not math.isnan(instead):
            current = instead
            self._borrowed += dt
        if math.isnan(current):
            self._silent += dt
        else:
            total[0] += dt
            total[1] += current * dt
            if not math.isnan(voltage):
                total[2] += voltage * dt
                total[4] += dt
            total[3] += (25.0 if math.isnan(temp) else temp) * dt
        if total[0] + self._silent >= UPDATE_SECONDS - 0.5:
            self._update()
            return True
        return False

    def _update(self) -> None:
        seconds, charge, volts, warm, seen = self._sum
        silent = self._silent
        if silent > 0.0 and self._gap.open:
            self._cross(silent)
            silent = 0.0
        self._lend(self._borrowed / HOUR)
        if seconds > 0.0:
            current, temp = charge / seconds, warm / seconds
            if self._gap.open:
                self._filters.shift(*self._gap.close(current))
            level = volts / seen if seen > 0.5 * seconds else math.nan
            self._count(seconds, current, level, temp)
            if not math.isnan(level):
                self._measure(current, level, temp)
            self._filters.bound()
            self._gap.follow(current, seconds)
        if silent > 0.0:
            self._cross(silent)
        self._sum = [0.0] * 5
        self._silent = self._borrowed = 0.0

    def _lend(self, hours: float) -> None:
        """Widen for charge that was added up from circuits, not measured."""
        if hours <= 0.0:
            self._lent = 0.0
            return
        grown = INSTEAD_STD**2 * ((self._lent + hours) ** 2 - self._lent**2)
        self._lent += hours
        self._filters.shift(0.0, grown)

    def _cross(self, seconds: float) -> None:
        charge, variance = self._gap.cross(seconds)
        self._filters.shift(charge, variance)
        self._filters.dim(seconds / HOUR)
        self._filters.bound(dark=True)
        self._follow(seconds, charge * HOUR / seconds)

    def _follow(self, dt: float, current: float) -> None:
        """Let the slow currents follow, and what remembers them."""
        kind = self._kind
        times = (*FILTER_TIMES, kind.well_time, WELL_DEEP * kind.well_time)
        for k, time in enumerate(times):
            part = math.exp(-dt / time)
            self._slow[k] = part * self._slow[k] + (1.0 - part) * current
        turn = math.exp(-abs(current) * dt / HOUR / (0.03 * self._rated))
        self._swing = turn * self._swing + (1.0 - turn) * (1.0 if current > 0 else -1.0)
        charging = current > 0.01 * self._rated
        self._since_charge = 0.0 if charging else self._since_charge + dt
        self._since_full += dt

    def _gas(self, volts: float, temp: float) -> float:
        """Current that gasses away; zero for lithium."""
        if not self._lead or math.isnan(volts):
            return 0.0
        cell = min(volts, 15.5) / LEAD_CELLS
        rate = GAS_PER_V * (cell - GAS_CELL) + GAS_PER_K * (temp - GAS_TEMP)
        return GAS_SHARE * self._rated * math.exp(rate)

    def _count(self, dt: float, current: float, volts: float, temp: float) -> None:
        lost = (1.0 - self._kind.efficiency_low[0]) * max(current, 0.0)
        lost += self._gas(volts, temp)
        self._filters.count(dt / HOUR, current, lost)
        self._follow(dt, current)

    def _measure(self, current: float, volts: float, temp: float) -> None:
        warm = self._compensation * (temp - 25.0)
        held = volts >= self._absorption + warm - FULL_MARGIN
        if held and -0.25 * self._full_below < current < 0.2 * self._rated:
            if current <= self._full_below or self._lead:
                self._measure_full(current, volts, temp)
        elif not self._anchored and self._measure_end(current, volts):
            self._anchored = True
        elif self._useful(current, volts):
            self._measure_volts(current, volts, temp)

    def _useful(self, current: float, volts: float) -> bool:
        charging = current > 0.01 * self._rated
        if self._lead:
            return not charging and volts < 13.1
        return not (charging and volts > self._float + 0.1) and volts < 13.65

    def _measure_full(self, current: float, volts: float, temp: float) -> None:
        filters = self._filters
        amps = max(max(current, 0.0) - self._gas(volts, temp), 0.0)
        time, spread = self._kind.acceptance_time
        missing = amps * time / HOUR / filters.capacity
        std = np.hypot(self._habits.full_std, spread * missing)
        if self._since_full > FULL_APART:
            self._held = 0.0
        self._since_full = 0.0
        self._anchored = self._full_seen = True
        # A held full is one piece of news: the parts of its weight add up to one. So
        # is a long absorption, whose acceptance is as wrong in each minute.
        thin = THIN_TAPER
        if current <= self._full_below:
            self._held += 1.0
            thin = self._held * (self._held + 1.0)
        filters.correct_soc(1.0 - missing - filters.x[:, SOC], std**2 * thin)

    def _measure_end(self, current: float, volts: float) -> bool:
        """Find an unknown opening at an end of the curve, where no curve is flat."""
        if abs(current) > END_CURRENT_SHARE * self._rated:
            return False
        filters = self._filters
        rest = volts - float(filters.weight @ filters.x[:, OHMS]) * current
        if ENDS[0] <= rest <= ENDS[1]:
            return False
        fine = LOW + STEP * np.arange(len(filters.table))
        at = min(max(float(np.interp(rest, filters.table, fine)), 0.0), 1.0)
        resid = at - filters.x[:, SOC]
        # No gate: a gate is for outliers, and here the opening was only a guess.
        filters.correct_soc(resid, np.full(len(resid), END_STD**2), gate=False)
        return True

    def _measure_volts(self, current: float, volts: float, temp: float) -> None:
        kind, filters, slow = self._kind, self._filters, self._slow
        x = filters.x
        factor = max(1.0 + kind.resistance_per_k * (temp - 25.0), 0.3)
        driven = factor * (
            current + SLOW_SHARES[0] * slow[0] + SLOW_SHARES[1] * slow[1]
        )
        head = x[:, SOC]
        if self._lead:
            cold = math.exp(-0.02 * (temp - 25.0)) / HOUR * kind.well_time
            lag = 0.25 * slow[2] + 0.12 * WELL_DEEP * slow[3]
            head = head + cold * lag / filters.capacity
        told, slope, bends = filters.told(head)
        told = told + filters.stray + x[:, OHMS] * driven
        told = told + kind.hysteresis[0] * 0.5 * self._swing
        rate = abs(current) / self._rated
        noise = self._habits.read_std + self._habits.read_rate * rate
        if self._lead:
            noise += 0.25 * math.exp(-self._since_charge / 7200.0)
        wide = (noise**2 + (slope * PLACE_STD) ** 2) * THIN
        # Only far from full do volts speak of capacity and not of the curve's top.
        low = float(filters.weight @ x[:, SOC]) < CAPACITY_BELOW
        filters.correct_volts(
            volts - told,
            wide if self._anchored else wide * LOOSE,
            slope=slope,
            bends=bends,
            driven=driven,
            power=TEMPER if low else 0.0,
        )

    def parts(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """
        Give the mixture: weight, mean and deviation of the state of charge.

        Returns
        -------
        weight, mean, std : (c,) float64
            One for each capacity. [1]
        """
        filters = self._filters
        var = np.maximum(filters.p[:, SOC, SOC], 0.0) + LEAST_STD**2
        widen = self._habits.widen[1 if self._full_seen else 0]
        return filters.weight.copy(), filters.x[:, SOC].copy(), widen * np.sqrt(var)

    def estimate(self) -> Estimate:
        """
        Give the state of charge as known now.

        Returns
        -------
        soc : Estimate
            Clipped to 0..1. [1]
        """
        weight, mean, std = self.parts()
        lo = float(quantile(weight, mean[:, None], std[:, None], 0.05)[0])
        hi = float(quantile(weight, mean[:, None], std[:, None], 0.95)[0])
        value = float(weight @ mean)
        lo, value, hi = (min(max(v, 0.0), 1.0) for v in (lo, value, hi))
        return Estimate(value=value, lo=lo, hi=hi)

    def capacity(self) -> Estimate:
        """
        Give the capacity now as far as it is known.

        Returns
        -------
        capacity : Estimate
            Mean and spread of the filters. [A.h]
        """
        filters = self._filters
        size, weight = filters.capacity, filters.weight
        mean = float(weight @ size)
        var = filters.p[:, SIZE, SIZE] * size**2 + (size - mean) ** 2
        std = float(np.sqrt(weight @ var))
        return Estimate(value=mean, lo=mean - NINETY * std, hi=mean + NINETY * std)

    def state_bytes(self) -> bytes:
        """
        Give the whole state, at most 4 kB.

        Returns
        -------
        state : bytes
            Take it up with ``from_bytes``.
        """
        head = [*self._sum, self._silent, self._borrowed, self._lent, *self._slow]
        head += [self._swing, self._since_charge, self._since_full, self._held]
        head += [float(self._anchored), float(self._full_seen), *self._gap.numbers()]
        f = self._filters
        return pack(head, (f.guess, f.weight, f.x, f.p))

    @classmethod
    def from_bytes(cls, rig: Rig, state: bytes) -> LiveBattery:
        """
        Take up a stored state.

        Parameters
        ----------
        rig : Rig
            The vehicle as described; the same as before.
        state : bytes
            From ``state_bytes``.

        Returns
        -------
        live : LiveBattery
            Goes on where the other stopped.

        Raises
        ------
        ValueError
            The bytes are not such a state.
        """
        live = cls(rig)
        f = live._filters
        head, (f.guess, f.weight, f.x, f.p) = unpack(state, f.x.shape)
        live._sum = head[:5]
        live._silent, live._borrowed, live._lent = head[5:8]
        live._slow, live._swing = head[8:12], head[12]
        live._since_charge, live._since_full, live._held = head[13:16]
        live._anchored, live._full_seen = head[16] > 0.5, head[17] > 0.5
        live._gap.take(head[18:22])
        return live
