"""
A few small filters, one for each guess of the capacity, weighed against each other.

Each follows charge, capacity, the shunt's offset, resistance and the bends of the
open-circuit curve together, so that what a full charge tells about one corrects all.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house
from campledger.estimate.battery.curve import (
    LOW,
    OWN_SPREAD,
    REACH,
    STEP,
    build_curve,
)
from campledger.estimate.battery.live_habits import HABITS
from campledger.estimate.battery.posterior import KNOWN_STD

if TYPE_CHECKING:
    from campledger.model.rig import House
    from campledger.model.series import FloatArray

SOC, SIZE, OFFSET, STRAY, OHMS, BEND = range(6)
"""Places in a filter's state; ``SIZE`` is the logarithm of capacity over its guess,
``STRAY`` volts off the curve; the bends follow from ``BEND``."""
OFFSET_STD, OFFSET_WALK = 0.06, 0.006
"""A, of an unknown shunt, and its walk in a day. Common practice, no source."""
OHMS_SHARE = 0.4
STRAY_HOURS = 5.0
GAIN_STD, LOST_SHARE = 0.006, 0.5
TOGETHER = 12.0
"""Updates whose errors of gain and loss are the same: an hour. Common practice."""
EDGE_STD, EDGE_THIN = 0.02, 12.0
"""Charge that counts past full or empty is pulled back this softly. Common practice."""
LOOSE_STD = 0.1
GATE = 4.0
SCORE_MOST = 9.0
SIZE_MOST = 0.5
DAY = 86400.0


class Filters:
    """
    Gaussians over the unknowns: ``x`` (k, n), ``p`` (k, n, n), ``weight`` (k,).

    Parameters
    ----------
    house : House
        The house battery as described.
    opening : tuple of float
        Mean and standard deviation of the opening state of charge. [1]
    unmeasured : float
        Expected draw of loads in no circuit, when circuits stand for the shunt. [A]

    References
    ----------
    .. [1] G. L. Plett, "Extended Kalman filtering for battery management systems",
       EVS-19, 2002; capacity and curve as further states. Several filters, weighed by
       how well they foretell: D. T. Magill, IEEE Trans. Automatic Control 10 (1965)
       434; both from memory.
    """

    def __init__(
        self, house: House, opening: tuple[float, float], *, unmeasured: float = 0.0
    ) -> None:
        kind, group = of_house(house), "lead" if house.is_lead else "lfp"
        self.habits = HABITS[group]
        self.table = build_curve(house).volts
        fine = LOW + STEP * np.arange(len(self.table))
        knots = np.array(self.habits.knots)
        self.hats = np.stack([np.interp(fine, knots, r) for r in np.eye(len(knots))], 1)
        if house.capacity_now is not None:
            sizes = [(house.capacity_now, KNOWN_STD * house.capacity_now, 1.0)]
        else:
            rated = house.capacity_rated
            sizes = [(m * rated, s * rated, w) for m, s, w in self.habits.sizes]
        self.guess = np.array([s[0] for s in sizes])
        self.weight = np.array([s[2] for s in sizes])
        r0 = kind.resistance_100[0] * 100.0 / house.capacity_rated
        n = BEND + len(knots)
        x, p = np.zeros(n), np.zeros((n, n))
        hidden = kind.current_hidden_100[0] * house.capacity_rated / 100.0
        x[SOC], x[OFFSET], x[OHMS] = opening[0], -hidden - unmeasured, r0
        p[SOC, SOC] = opening[1] ** 2
        p[OFFSET, OFFSET] = OFFSET_STD**2 + unmeasured**2
        p[STRAY, STRAY] = self.habits.error_std**2
        p[OHMS, OHMS] = (OHMS_SHARE * r0) ** 2
        p[BEND:, BEND:] = _bends(knots, house, group)
        self.x = np.tile(x, (len(sizes), 1))
        self.p = np.tile(p, (len(sizes), 1, 1))
        self.p[:, SIZE, SIZE] = [(s[1] / s[0]) ** 2 for s in sizes]

    @property
    def capacity(self) -> FloatArray:
        """Capacity of each filter. [A.h]"""
        out: FloatArray = self.guess * np.exp(
            np.clip(self.x[:, SIZE], -SIZE_MOST, SIZE_MOST)
        )
        return out

    @property
    def stray(self) -> FloatArray:
        """Volts off the curve of each filter. [V]"""
        return self.x[:, STRAY]

    def count(self, hours: float, current: float, lost: float) -> None:
        """
        Count charge over a span.

        Parameters
        ----------
        hours : float
            The span. [h]
        current : float
            Mean into the battery as read. [A]
        lost : float
            Mean that charging lost. [A]

        References
        ----------
        .. [1] Charge balance, linearised. Common practice, no source.
        """
        x, p = self.x, self.p
        per = hours / self.capacity
        moved = (current - lost + x[:, OFFSET]) * per
        x[:, SOC] += moved
        p[:, SOC, :] += per[:, None] * p[:, OFFSET, :] - moved[:, None] * p[:, SIZE, :]
        p[:, :, SOC] += per[:, None] * p[:, :, OFFSET] - moved[:, None] * p[:, :, SIZE]
        unsure = (GAIN_STD * current) ** 2 + (LOST_SHARE * lost) ** 2
        p[:, SOC, SOC] += unsure * per**2 * TOGETHER
        p[:, OFFSET, OFFSET] += OFFSET_WALK**2 * hours * 3600.0 / DAY
        keep = math.exp(-hours / STRAY_HOURS)
        self._stray(keep * np.exp(-np.abs(moved) / self.habits.error_reach))

    def _stray(self, keep: FloatArray) -> None:
        self.x[:, STRAY] *= keep
        self.p[:, STRAY, :] *= keep[:, None]
        self.p[:, :, STRAY] *= keep[:, None]
        self.p[:, STRAY, STRAY] += self.habits.error_std**2 * (1.0 - keep**2)

    def shift(self, charge: float, variance: float) -> None:
        """
        Move by charge that nobody counted.

        Parameters
        ----------
        charge, variance : float
            What is thought to have moved [A.h], and the change of its variance
            [A.h^2]; less than zero where something later told more.

        References
        ----------
        .. [1] Common practice, no source.
        """
        size, p = self.capacity, self.p
        self.x[:, SOC] += charge / size
        least = -0.9 * p[:, SOC, SOC]
        p[:, SOC, SOC] += np.maximum(variance / size**2, least)

    def dim(self, hours: float) -> None:
        """
        Forget how volts strayed over a span without readings.

        Parameters
        ----------
        hours : float
            The span. [h]

        References
        ----------
        .. [1] Common practice, no source.
        """
        self._stray(np.full(len(self.guess), math.exp(-hours / STRAY_HOURS)))

    def bound(self, *, dark: bool = False) -> None:
        """
        Keep charge between empty and full: softly if sure, by truncation if not.

        Parameters
        ----------
        dark : bool
            Charge moved that nobody counted: truncate even where the middle is inside.

        References
        ----------
        .. [1] Moments of a truncated Gaussian. D. Simon, Optimal State Estimation,
           2006, section 7.5.4, from memory.
        """
        soc = self.x[:, SOC]
        over = np.clip(soc, 0.0, 1.0) - soc
        wide = np.sqrt(self.p[:, SOC, SOC]) > LOOSE_STD
        for k in np.flatnonzero(wide & (dark | (over != 0.0))):
            self._truncate(int(k))
        sure = (over != 0.0) & ~wide
        if sure.any():
            far = np.where(sure, EDGE_STD**2 * EDGE_THIN, 1e9)
            self.correct_soc(np.where(sure, over, 0.0), far)

    def _truncate(self, k: int) -> None:
        mean, std = self.x[k, SOC], math.sqrt(self.p[k, SOC, SOC])
        a, b = (0.0 - mean) / std, (1.0 - mean) / std
        inside = 0.5 * (math.erf(b / math.sqrt(2.0)) - math.erf(a / math.sqrt(2.0)))
        if inside > 1e-3:
            fa, fb = (math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) for z in (a, b))
            move = (fa - fb) / inside
            part = 1.0 + (a * fa - b * fb) / inside - move**2
        else:
            move = (min(max(mean, 0.0), 1.0) - mean) / std
            part = min(1.0, (LOOSE_STD / std) ** 2)
        gain = self.p[k, SOC] / std
        self.x[k] += gain * move
        self.p[k] -= np.outer(gain, gain) * (1.0 - part)

    def correct_soc(
        self, resid: FloatArray, variance: FloatArray, *, gate: bool = True
    ) -> None:
        """
        Take news of the state of charge itself.

        Parameters
        ----------
        resid, variance : (k,) float64
            News less what each filter holds, and its variance. [1]
        gate : bool
            Trust surprising news less.

        References
        ----------
        .. [1] See the class.
        """
        row = np.zeros(self.x.shape)
        row[:, SOC] = 1.0
        self._correct(row, resid, variance, gate=gate)

    def told(self, head: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """
        Give open-circuit volts, slope and the bends' weights at a charge.

        Parameters
        ----------
        head : (k,) float64
            State of charge as the terminals see it. [1]

        Returns
        -------
        voltage_open_circuit, slope : (k,) float64
            Volts and volts for a whole charge, bends included. [V]
        weight : (k, b) float64
            Derivative by each bend. [1]

        References
        ----------
        .. [1] Linear interpolation.
        """
        place = np.clip((head - LOW) / STEP, 0.0, len(self.table) - 2.001)
        k = place.astype(np.int64)
        part = (place - k)[:, None]
        weight = self.hats[k] * (1.0 - part) + self.hats[k + 1] * part
        bends = self.x[:, BEND:]
        slope = self.table[k + 1] - self.table[k]
        volts = self.table[k] + slope * part[:, 0] + np.sum(weight * bends, axis=1)
        slope = slope + np.sum((self.hats[k + 1] - self.hats[k]) * bends, axis=1)
        return volts, np.maximum(slope / STEP, 0.0), weight

    def correct_volts(
        self,
        resid: FloatArray,
        variance: FloatArray,
        *,
        slope: FloatArray,
        bends: FloatArray,
        driven: float,
        power: float,
    ) -> None:
        """
        Take news of the volts.

        Parameters
        ----------
        resid, variance : (k,) float64
            Volts less those foretold, and their variance. [V]
        slope : (k,) float64
            Of the open-circuit curve. [V]
        bends : (k, b) float64
            Derivative by each bend. [1]
        driven : float
            Current through the resistance. [A]
        power : float
            Power of the likelihood in weighing the filters. [1]

        References
        ----------
        .. [1] See the class.
        """
        row = np.zeros(self.x.shape)
        row[:, SOC], row[:, STRAY], row[:, OHMS] = slope, 1.0, driven
        row[:, BEND:] = bends
        score = self._correct(row, resid, variance)
        if power > 0.0:
            log = -0.5 * power * np.minimum(score, SCORE_MOST)
            weight = self.weight * np.exp(log - log.max())
            self.weight = weight / weight.sum()

    def _correct(
        self,
        row: FloatArray,
        resid: FloatArray,
        variance: FloatArray,
        *,
        gate: bool = True,
    ) -> FloatArray:
        """One soft measurement for every filter; give how surprising it was."""
        gain = np.einsum("kij,kj->ki", self.p, row)
        foretold = np.einsum("ki,ki->k", row, gain)
        score: FloatArray = resid**2 / (foretold + variance)
        if gate:
            variance = variance * np.maximum(1.0, score / GATE)
        total = foretold + variance
        self.x += gain * (resid / total)[:, None]
        self.p -= gain[:, :, None] * gain[:, None, :] / total[:, None, None]
        return score


def _bends(knots: FloatArray, house: House, group: str) -> FloatArray:
    """Give the prior covariance of the bends: the family of ``curve``."""
    kind = of_house(house)
    broad, fine = REACH[group]
    spread = np.interp(knots, kind.soc, kind.voltage_spread)
    if house.open_circuit:
        spread = spread * OWN_SPREAD
    apart = np.abs(knots[:, None] - knots[None, :])
    near = 0.5 * np.exp(-0.5 * (apart / broad) ** 2)
    near += 0.5 * np.exp(-0.5 * (apart / fine) ** 2)
    out: FloatArray = near * np.outer(spread, spread)
    return out
