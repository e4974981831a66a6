"""
Without any current: what volts alone can tell, which is little, and said so.

A grid over the state of charge is carried forwards and backwards; loads and chargers
that nobody measured make the volts a vague witness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import of_house, open_circuit_table

if TYPE_CHECKING:
    from campledger.model.rig import House
    from campledger.model.series import FloatArray

GRID = 81
STEP_MINUTES = 15
LOAD_DROP = {"lfp": 0.12, "lead": 0.15}
"""V by which unknown loads may pull down at rest-like times. Common practice."""
CHARGING_RISE = 0.12
"""V above the full table's end that only a charger explains. Common practice."""
RATE_STD = 0.12
"""Share of capacity that an unseen hour may move. Common practice, no source."""
FLOOR_LIKELIHOOD = 0.05


@dataclass(frozen=True, kw_only=True)
class VoltsOnly:
    """Mean, 5 % and 95 % points on the minute grid, with and without later volts."""

    soc: FloatArray
    lo: FloatArray
    hi: FloatArray
    live: FloatArray
    live_lo: FloatArray
    live_hi: FloatArray


def _likelihood(volts: FloatArray, house: House, grid: FloatArray) -> FloatArray:
    table, spread = open_circuit_table(house), of_house(house)
    open_volts = np.interp(grid, *table)
    std = np.interp(grid, spread.soc, spread.voltage_spread)
    std = np.hypot(std, LOAD_DROP["lead" if house.is_lead else "lfp"])
    z = (volts[:, None] - open_volts) / std
    out = np.exp(-0.5 * z**2) / std
    out = out / np.maximum(out.max(axis=1, keepdims=True), 1e-12)
    out = np.maximum(out, FLOOR_LIKELIHOOD)
    blind = ~np.isfinite(volts) | (
        volts > float(np.interp(0.9, *table)) + CHARGING_RISE
    )
    out[blind] = 1.0
    filled: FloatArray = np.nan_to_num(out, nan=1.0)
    return filled


def _summary(weight: FloatArray, grid: FloatArray) -> tuple[FloatArray, ...]:
    weight = weight / weight.sum(axis=1, keepdims=True)
    total = np.cumsum(weight, axis=1)
    low = grid[np.argmax(total >= 0.05, axis=1)]
    high = grid[np.argmax(total >= 0.95, axis=1)]
    return weight @ grid, low, high


def from_volts(voltage: FloatArray, house: House) -> VoltsOnly:
    """
    Tell the state of charge from volts alone.

    Parameters
    ----------
    voltage : (m,) float64
        Minute means, NaN where missing. [V]
    house : House
        The house battery.

    Returns
    -------
    told : VoltsOnly
        Arrays (m,).

    References
    ----------
    .. [1] Forward-backward recursion on a grid. Common practice, no source.
    """
    m = len(voltage)
    n = max(1, -(-m // STEP_MINUTES))
    padded = np.full(n * STEP_MINUTES, np.nan)
    padded[:m] = voltage
    parts = padded.reshape(n, STEP_MINUTES)
    count = np.isfinite(parts).sum(axis=1)
    means = np.nansum(parts, axis=1) / np.maximum(count, 1)
    volts = np.where(count > 0, means, np.nan)
    grid = np.linspace(0.0, 1.0, GRID)
    like = _likelihood(volts, house, grid)
    width = RATE_STD * np.sqrt(STEP_MINUTES / 60.0)
    move = np.exp(-0.5 * ((grid[:, None] - grid[None, :]) / width) ** 2)
    move /= move.sum(axis=1, keepdims=True)
    ahead, back = np.ones((n, GRID)), np.ones((n, GRID))
    state = np.ones(GRID)
    for k in range(n):
        state = (state @ move) * like[k]
        state /= state.sum()
        ahead[k] = state
    state = np.ones(GRID)
    for k in range(n - 2, -1, -1):
        state = move @ (state * like[k + 1])
        state /= state.sum()
        back[k] = state
    pick = np.minimum(np.arange(m) // STEP_MINUTES, n - 1)
    soc, lo, hi = (a[pick] for a in _summary(ahead * back, grid))
    live, live_lo, live_hi = (a[pick] for a in _summary(ahead, grid))
    return VoltsOnly(soc=soc, lo=lo, hi=hi, live=live, live_lo=live_lo, live_hi=live_hi)
