"""
The live estimate: constant memory, causal, one small filter for each capacity.

A step only adds up; every few minutes the sums become one update. The state fits in a
few kilobytes and can be stored and taken up again. It must never look ahead.
"""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.anchors import (
    absorption_lowest,
    compensation,
    current_full_limit,
)
from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.curve import LOW, STEP, build_curve
from campledger.estimate.battery.fit_data import (
    FILTER_TIMES,
    GAS_CELL,
    GAS_PER_K,
    GAS_PER_V,
    GAS_TEMP,
    LEAD_CELLS,
    WELL_DEEP,
)
from campledger.estimate.battery.posterior import (
    KNOWN_STD,
    log_prior,
    quantile,
)
from campledger.model.estimates import Estimate

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

HOUR = 3600.0
DAY = 86400.0
UPDATE_SECONDS = 300.0
RATIOS = (0.72, 0.80, 0.86, 0.92, 0.97, 1.02, 1.08)
"""Shares of the rating, one filter each."""
RATIOS_KNOWN = (-2.0, -1.2, -0.5, 0.0, 0.5, 1.2, 2.0)
STATES = 5
SOC, OFFSET, DRIFTING, OHMS, STEADY = range(STATES)
OFFSET_STD, OFFSET_WALK = 0.06, 0.006
ERROR_HOURS = 5.0
ERROR_STD = {"lfp": 0.020, "lead": 0.035}
STEADY_STD = {"lfp": 0.045, "lead": 0.080}
STEADY_REACH = {"lfp": 0.25, "lead": 0.8}
"""Errors of the open-circuit curve that change with charge, and that stay. Common
practice, no source."""
READ_STD = {"lfp": 0.015, "lead": 0.030}
PLACE_STD = 0.012
FULL_STD = {"lfp": 0.007, "lead": 0.014}
TAIL_STD = 0.4
"""Spread of the missing charge at a tail current, share of it. Common practice."""
GAIN_STD = 0.006
GAP_CURRENT_STD = 1.5
GAP_CHARGER_SHARE = 0.35
GAP_HOURS_RANDOM = 3.0
GAP_HOURS_SHORT = 0.05
INSTEAD_STD = 1.0
"""A, of the circuits added up in place of a silent shunt. Common practice."""
FULL_MARGIN = 0.12
TEMPER = 0.6
"""Power of each volts' likelihood in weighing capacities: errors repeat daily."""
THIN = 6.0
"""Updates that count as one: errors of half an hour hang together."""
THIN_TAPER = 40.0
CAPACITY_BELOW = 0.5
LEAST_STD = 0.006
WIDEN = {"lfp": 1.0, "lead": 0.65}
"""Factors on the interval, found on the tuning trips and kept for all others."""
NINETY = 1.645
SLOW_SHARES = (0.3, 0.3)
_HEAD = 24


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
    .. [1] G. L. Plett, "Extended Kalman filtering for battery management systems",
       EVS-19, 2002; one filter for each capacity, weighed by how well it foretells.
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
        self._group = "lead" if house.is_lead else "lfp"
        self._rated = house.capacity_rated
        self._table = build_curve(house).volts
        self._absorption = absorption_lowest(rig)
        self._float = house.voltage_float
        self._compensation = compensation(rig)
        self._full_below = current_full_limit(
            house, assumed="house.full_below_a" in rig.assumed
        )
        rating = sum(s.current_rated or 0.0 for s in rig.sources)
        self._charger = rating or 0.2 * self._rated
        if house.capacity_now is not None:
            wide = KNOWN_STD * house.capacity_now
            size = house.capacity_now + wide * np.array(RATIOS_KNOWN)
        else:
            size = house.capacity_rated * np.array(RATIOS)
        self._size = size
        prior = log_prior(house, size) + np.log(np.gradient(size))
        weight = np.exp(prior - prior.max())
        self._weight = weight / weight.sum()
        mean, std = opening or kind.opening
        r0 = kind.resistance_100[0] * 100.0 / self._rated
        hidden = kind.current_hidden_100[0] * self._rated / 100.0 + unmeasured
        start = [mean, -hidden, 0.0, r0, 0.0]
        spread = [
            std,
            math.hypot(OFFSET_STD, unmeasured),
            ERROR_STD[self._group],
            0.4 * r0,
            STEADY_STD[self._group],
        ]
        n = len(size)
        self._x = np.tile(np.array(start), (n, 1))
        self._p = np.tile(np.diag(np.array(spread) ** 2), (n, 1, 1))
        self._r0 = r0
        # Sums since the last update: seconds, A.s, V.s, Cel.s, seconds with volts.
        self._sum = [0.0] * 5
        self._gap = self._borrowed = self._dark = self._lent = 0.0
        self._slow = [0.0, 0.0, 0.0, 0.0]
        self._swing = 0.0
        self._since_charge = 1e6
        self._usual = 0.0

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
            self._gap += dt
        else:
            total[0] += dt
            total[1] += current * dt
            if not math.isnan(voltage):
                total[2] += voltage * dt
                total[4] += dt
            total[3] += (25.0 if math.isnan(temp) else temp) * dt
        if total[0] + self._gap >= UPDATE_SECONDS - 0.5:
            self._update()
            return True
        return False

    def _update(self) -> None:
        seconds, charge, volts, warm, seen = self._sum
        if self._gap > 0.0:
            self._cross_gap(self._gap)
        self._lend(self._borrowed / HOUR)
        if seconds > 0.0:
            self._dark = 0.0 if self._gap <= 0.0 else self._dark
            current, temp = charge / seconds, warm / seconds
            level = volts / seen if seen > 0.5 * seconds else math.nan
            self._predict(seconds, current, level, temp)
            if not math.isnan(level):
                self._measure(current, level, temp)
        self._sum = [0.0] * 5
        self._gap = self._borrowed = 0.0

    def _lend(self, hours: float) -> None:
        """Widen for charge that was added up from circuits, not measured."""
        if hours <= 0.0:
            self._lent = 0.0
            return
        grown = INSTEAD_STD**2 * ((self._lent + hours) ** 2 - self._lent**2)
        self._lent += hours
        self._p[:, SOC, SOC] += grown / self._size**2

    def _cross_gap(self, seconds: float) -> None:
        hours = seconds / HOUR
        before, after = self._dark, self._dark + hours
        self._dark = after
        grown = self._unseen(after) ** 2 - self._unseen(before) ** 2
        self._x[:, SOC] += self._usual * hours / self._size
        self._p[:, SOC, SOC] += grown / self._size**2
        self._p[:, DRIFTING, DRIFTING] += ERROR_STD[self._group] ** 2 * min(hours, 1.0)

    def _unseen(self, hours: float) -> float:
        """A.h that a gap may hide: one current for its first hours, then by chance."""
        wide = math.hypot(GAP_CURRENT_STD, GAP_CHARGER_SHARE * self._charger)
        if hours < GAP_HOURS_SHORT:
            wide = GAP_CURRENT_STD
        return wide * math.sqrt(min(hours, GAP_HOURS_RANDOM) * hours)

    def _predict(self, dt: float, current: float, volts: float, temp: float) -> None:
        hours = dt / HOUR
        kind = self._kind
        lost = (1.0 - kind.efficiency_low[0]) * max(current, 0.0)
        if self._lead and not math.isnan(volts):
            cell = min(volts, 15.5) / LEAD_CELLS
            lost += (
                0.0002
                * self._rated
                * math.exp(
                    GAS_PER_V * (cell - GAS_CELL) + GAS_PER_K * (temp - GAS_TEMP)
                )
            )
        per = hours / self._size
        keep = math.exp(-hours / ERROR_HOURS)
        x, p = self._x, self._p
        x[:, SOC] += (current - lost + x[:, OFFSET]) * per
        x[:, DRIFTING] *= keep
        p[:, SOC, :] += per[:, None] * p[:, OFFSET, :]
        p[:, :, SOC] += per[:, None] * p[:, :, OFFSET]
        moved = np.abs((current - lost + x[:, OFFSET]) * per)
        stay = np.exp(-moved / STEADY_REACH[self._group])
        x[:, STEADY] *= stay
        p[:, STEADY, :] *= stay[:, None]
        p[:, :, STEADY] *= stay[:, None]
        p[:, STEADY, STEADY] += STEADY_STD[self._group] ** 2 * (1.0 - stay**2)
        p[:, DRIFTING, :] *= keep
        p[:, :, DRIFTING] *= keep
        p[:, SOC, SOC] += (
            ((GAIN_STD * current) ** 2 + (0.5 * lost) ** 2) * per**2 * 12.0
        )
        p[:, OFFSET, OFFSET] += OFFSET_WALK**2 * dt / DAY
        p[:, DRIFTING, DRIFTING] += ERROR_STD[self._group] ** 2 * (1.0 - keep**2)
        slow = self._slow
        times = (*FILTER_TIMES, kind.well_time, WELL_DEEP * kind.well_time)
        for k, time in enumerate(times):
            part = math.exp(-dt / time)
            slow[k] = part * slow[k] + (1.0 - part) * current
        turn = math.exp(-abs(current) * hours / (0.03 * self._rated))
        self._swing = turn * self._swing + (1.0 - turn) * (1.0 if current > 0 else -1.0)
        charging = current > 0.01 * self._rated
        self._since_charge = 0.0 if charging else self._since_charge + dt
        share = 1.0 - math.exp(-dt / (12.0 * HOUR))
        self._usual += share * (current - self._usual)

    def _measure(self, current: float, volts: float, temp: float) -> None:
        warm = self._compensation * (temp - 25.0)
        held = volts >= self._absorption + warm - FULL_MARGIN
        if held and -0.25 * self._full_below < current < 0.2 * self._rated:
            if current <= self._full_below or self._lead:
                self._measure_full(current, volts, temp)
        elif self._useful(current, volts):
            self._measure_volts(current, volts, temp)
        np.clip(self._x[:, SOC], 0.0, 1.005, out=self._x[:, SOC])

    def _useful(self, current: float, volts: float) -> bool:
        charging = current > 0.01 * self._rated
        if self._lead:
            return not charging and volts < 13.1
        return not (charging and volts > self._float + 0.1) and volts < 13.65

    def _measure_full(self, current: float, volts: float, temp: float) -> None:
        amps = max(current, 0.0)
        if self._lead:
            cell = min(volts, 15.5) / LEAD_CELLS
            gas = GAS_PER_V * (cell - GAS_CELL) + GAS_PER_K * (temp - GAS_TEMP)
            amps = max(amps - 0.0002 * self._rated * math.exp(gas), 0.0)
        missing = amps * self._kind.acceptance_time[0] / HOUR / self._size
        std = np.hypot(FULL_STD[self._group], TAIL_STD * missing)
        row = np.zeros((len(self._size), STATES))
        row[:, SOC] = 1.0
        # A held full is one piece of news; so is the whole of a long absorption,
        # whose acceptance is as wrong in every minute as in the first.
        thin = THIN if current <= self._full_below else THIN_TAPER
        self._correct(row, 1.0 - missing, std**2 * thin, power=0.0)

    def _measure_volts(self, current: float, volts: float, temp: float) -> None:
        kind, x = self._kind, self._x
        factor = max(1.0 + kind.resistance_per_k * (temp - 25.0), 0.3)
        driven = factor * (
            current + SLOW_SHARES[0] * self._slow[0] + SLOW_SHARES[1] * self._slow[1]
        )
        head = x[:, SOC]
        if self._lead:
            cold = math.exp(-0.02 * (temp - 25.0)) / HOUR * kind.well_time
            lag = 0.25 * self._slow[2] + 0.12 * WELL_DEEP * self._slow[3]
            head = head + cold * lag / self._size
        place = np.clip((head - LOW) / STEP, 0.0, len(self._table) - 2.001)
        k = place.astype(np.int64)
        slope = (self._table[k + 1] - self._table[k]) / STEP
        told = self._table[k] + slope * (place - k) * STEP
        told = told + x[:, DRIFTING] + x[:, STEADY] + x[:, OHMS] * driven
        told = told + kind.hysteresis[0] * 0.5 * self._swing
        rate = abs(current) / self._rated
        noise = READ_STD[self._group] + (0.3 if self._lead else 0.05) * rate
        if self._lead:
            noise += 0.25 * math.exp(-self._since_charge / 7200.0)
        row = np.zeros((len(self._size), STATES))
        row[:, SOC] = slope
        row[:, DRIFTING] = row[:, STEADY] = 1.0
        row[:, OHMS] = driven
        wide = (noise**2 + (slope * PLACE_STD) ** 2) * THIN
        # Only far from full do volts speak of capacity and not of the curve's top.
        told_by = TEMPER if float(self._weight @ x[:, SOC]) < CAPACITY_BELOW else 0.0
        self._correct(row, volts - told, wide, power=told_by, residual=True)

    def _correct(
        self,
        row: FloatArray,
        value: FloatArray,
        variance: FloatArray,
        *,
        power: float,
        residual: bool = False,
    ) -> None:
        """One soft measurement for every filter; far ones are trusted less."""
        x, p = self._x, self._p
        gain = np.einsum("kij,kj->ki", p, row)
        foretold = np.einsum("ki,ki->k", row, gain)
        resid = value if residual else value - np.einsum("ki,ki->k", row, x)
        total = foretold + variance
        score = resid**2 / total
        variance = variance * np.maximum(1.0, score / 4.0)
        total = foretold + variance
        gain = gain / total[:, None]
        x += gain * resid[:, None]
        p -= np.einsum("ki,kj->kij", gain, np.einsum("kij,kj->ki", p, row))
        if power > 0.0:
            log = -0.5 * power * np.minimum(score, 9.0) / THIN
            weight = self._weight * np.exp(log - log.max())
            self._weight = weight / weight.sum()

    def parts(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """
        Give the mixture: weight, mean and deviation of the state of charge.

        Returns
        -------
        weight, mean, std : (c,) float64
            One for each capacity. [1]
        """
        var = np.maximum(self._p[:, SOC, SOC], 0.0) + LEAST_STD**2
        return (
            self._weight.copy(),
            self._x[:, SOC].copy(),
            WIDEN[self._group] * np.sqrt(var),
        )

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
        mean = float(self._weight @ self._size)
        std = float(np.sqrt(self._weight @ (self._size - mean) ** 2))
        return Estimate(value=mean, lo=mean - NINETY * std, hi=mean + NINETY * std)

    def state_bytes(self) -> bytes:
        """
        Give the whole state, at most 4 kB.

        Returns
        -------
        state : bytes
            Take it up with ``from_bytes``.
        """
        head = [*self._sum, self._gap, *self._slow, self._swing]
        head += [self._since_charge, self._usual]
        head += [self._borrowed, self._dark, self._lent]
        head += [0.0] * (_HEAD - len(head))
        arrays = (self._size, self._weight, self._x.ravel(), self._p.ravel())
        body = np.concatenate(arrays).astype("<f8").tobytes()
        return (
            struct.pack("<I", len(self._size)) + struct.pack(f"<{_HEAD}d", *head) + body
        )

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
        n = len(live._size)
        wanted = 4 + 8 * (_HEAD + n * (2 + STATES + STATES * STATES))
        if len(state) != wanted:
            msg = f"taking up the battery: state has {len(state)} B, expected {wanted}"
            raise ValueError(msg)
        head = struct.unpack(f"<{_HEAD}d", state[4 : 4 + 8 * _HEAD])
        live._sum, live._gap = list(head[:5]), head[5]
        live._slow, live._swing = list(head[6:10]), head[10]
        live._since_charge, live._usual = head[11], head[12]
        live._borrowed, live._dark, live._lent = head[13:16]
        body = np.frombuffer(state[4 + 8 * _HEAD :], dtype="<f8").astype(np.float64)
        live._size, live._weight = body[:n].copy(), body[n : 2 * n].copy()
        x = body[2 * n : 2 * n + n * STATES]
        live._x = x.reshape(n, STATES).copy()
        live._p = body[2 * n + n * STATES :].reshape(n, STATES, STATES).copy()
        return live
