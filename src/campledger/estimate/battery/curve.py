"""
The open-circuit curve as a family: a table that the trip may bend.

The table and its bends are laid on a fine grid once, a little smoothed, and carried
steeply beyond empty and full.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from campledger.estimate.battery.chemistry import of_house, open_circuit_table

if TYPE_CHECKING:
    from campledger.model.rig import House
    from campledger.model.series import FloatArray

IntArray: TypeAlias = NDArray[np.int64]

LOW, HIGH, STEP = -0.2, 1.2, 0.002
SMOOTH = 0.010
"""Width that rounds the table's corners, share of charge. Common practice."""
SLOPE_BEYOND = {"lfp": (60.0, 40.0), "lead": (6.0, 4.0)}
"""V for a whole charge below empty and above full. Common practice, no source."""
KNOTS = {
    "lead": (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
    "lfp": (
        *(0.0, 0.02, 0.05, 0.08, 0.12, 0.16, 0.20, 0.24, 0.28, 0.32, 0.36, 0.40),
        *(0.44, 0.48, 0.52, 0.56, 0.60, 0.64, 0.68, 0.72, 0.76, 0.80, 0.84, 0.88),
        *(0.92, 0.95, 0.97, 0.98, 0.99, 1.0),
    ),
}
REACH = {"lead": (0.4, 0.12), "lfp": (0.20, 0.035)}
"""How far bends hang together, shares of charge: broad and fine part. Steps of the
plateau may stand elsewhere, hence the fine part. Common practice, no source."""
OWN_SPREAD = 0.5
"""Spread of an owner's table against a table of the kind. Common practice."""


@dataclass(frozen=True, kw_only=True)
class Curve:
    """Volts (f,) and bends ``hats`` (k, f) on the fine grid; prior ``spread`` (k,)."""

    volts: FloatArray
    hats: FloatArray
    spread: FloatArray
    knots: FloatArray

    def at(
        self, soc: FloatArray, bend: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """
        Evaluate volts, slope, and the weight of each hat.

        Parameters
        ----------
        soc : (n,) float64
            State of charge, may leave 0..1. [1]
        bend : (k,) float64
            How far each knot is bent. [V]

        Returns
        -------
        voltage_open_circuit, slope : (n,) float64
            Volts and volts for a whole charge.
        weight : (k, n) float64
            Derivative by each bend. [1]

        References
        ----------
        .. [1] Linear interpolation.
        """
        table = self.volts + bend @ self.hats
        x = (np.clip(soc, LOW, HIGH - 1.001 * STEP) - LOW) / STEP
        k = np.clip(x.astype(np.int64), 0, len(table) - 2)
        part = x - k
        volts = table[k] * (1.0 - part) + table[k + 1] * part
        slope = (table[k + 1] - table[k]) / STEP
        weight = self.hats[:, k] * (1.0 - part) + self.hats[:, k + 1] * part
        return volts, slope, weight


def _smooth(table: FloatArray) -> FloatArray:
    half = int(3 * SMOOTH / STEP)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * STEP / SMOOTH) ** 2)
    kernel /= kernel.sum()
    slope_low, slope_high = table[1] - table[0], table[-1] - table[-2]
    steps = np.arange(half, 0, -1)
    padded = np.concatenate(
        (table[0] - slope_low * steps, table, table[-1] + slope_high * steps[::-1])
    )
    return np.convolve(padded, kernel, mode="valid")


def _factor(knots: FloatArray, spread: FloatArray, house: House) -> FloatArray:
    """Give the lower factor of the covariance of the knots' bends."""
    apart = np.abs(knots[:, None] - knots[None, :])
    broad, fine = REACH["lead" if house.is_lead else "lfp"]
    kernel = 0.5 * np.exp(-0.5 * (apart / broad) ** 2)
    kernel += 0.5 * np.exp(-0.5 * (apart / fine) ** 2)
    kernel += 1e-6 * np.eye(len(knots))
    return np.linalg.cholesky(kernel * np.outer(spread, spread)).astype(np.float64)


def build_curve(house: House) -> Curve:
    """
    Lay the chemistry's or the owner's table out on the fine grid.

    Parameters
    ----------
    house : House
        The house battery.

    Returns
    -------
    curve : Curve
        With the spread of each knot.

    References
    ----------
    .. [1] The tables of ``chemistry``, source beside each.
    """
    kind = of_house(house)
    given, volts = open_circuit_table(house)
    knots = np.array(KNOTS["lead" if house.is_lead else "lfp"])
    below, above = SLOPE_BEYOND["lead" if house.is_lead else "lfp"]
    fine = np.arange(LOW, HIGH + 0.5 * STEP, STEP)
    table = np.interp(fine, given, volts)
    table = table + np.minimum(fine, 0.0) * below + np.maximum(fine - 1.0, 0.0) * above
    spread = np.interp(knots, kind.soc, kind.voltage_spread)
    if house.open_circuit:
        spread = spread * OWN_SPREAD
    hats = np.stack([np.interp(fine, knots, row) for row in np.eye(len(knots))])
    mixed = _factor(knots, spread, house).T @ hats
    return Curve(
        volts=_smooth(table),
        hats=np.stack([_smooth(h) for h in mixed]),
        spread=np.ones(len(knots)),
        knots=knots,
    )
