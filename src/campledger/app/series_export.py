"""Measured channels and derived series on a regular grid, for ``export``."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import Fault, InputError
from campledger.model.integrate import cumulative
from campledger.model.series import MINUTE, parse_channel

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from campledger.model.estimates import TripEstimates
    from campledger.model.series import FloatArray, TripRecord

    Table = Mapping[str, FloatArray]

HELD = frozenset({"soc", "capacity", "resistance"})
"""Series whose value at the end of a period is wanted; all others are means."""


def derived(record: TripRecord, estimates: TripEstimates) -> dict[str, FloatArray]:
    """
    Give every derived series of the contract on the minute grid. (m,)

    ``capacity_house_ah`` and ``resistance_house_mohm`` are one value for the trip.
    """
    battery = estimates.battery
    n = len(record.minute_utc)
    out = {
        "soc_house": battery.soc,
        "soc_house_lo": battery.soc_lo,
        "soc_house_hi": battery.soc_hi,
        "soc_house_live": battery.soc_live,
        "soc_house_live_lo": battery.soc_live_lo,
        "soc_house_live_hi": battery.soc_live_hi,
        "capacity_house_ah": np.full(n, battery.capacity.value),
        "resistance_house_mohm": np.full(n, battery.resistance.value * 1000.0),
        "current_not_itemised_a": estimates.not_itemised,
    }
    for use in estimates.loads:
        out[f"power_{use.name}_w"] = use.power
        out[f"power_{use.name}_lo_w"] = use.power_lo
        out[f"power_{use.name}_hi_w"] = use.power_hi
    suns = [s.possible for s in estimates.sources if s.kind == "solar"]
    if suns:
        out["power_solar_possible_w"] = np.sum(suns, axis=0)
    return out


def check_names(names: Sequence[str], known: Sequence[str]) -> None:
    """
    Refuse names that are neither channels nor derived series.

    Raises
    ------
    InputError
        One line for each, naming the known ones.
    """
    faults = []
    for name in names:
        if name in known:
            continue
        near = difflib.get_close_matches(name, known, 1)
        hint = f"{near[0]}, or " if near else ""
        faults.append(
            Fault(
                file="export",
                field="--series",
                got=f'"{name}"',
                expected=f"{hint}one of " + " ".join(sorted(known)),
                effect="Nothing written.",
            )
        )
    if faults:
        raise InputError(*faults)


def period_ends(start: float, end: float, every: float) -> FloatArray:
    """Give the ends of whole periods, multiples of ``every``, that touch the trip."""
    first = np.floor(start / every) + 1
    last = np.ceil(end / every)
    return np.arange(first, max(first, last) + 1) * every


def tabulate(
    record: TripRecord,
    estimates: Callable[[], TripEstimates],
    names: Sequence[str],
    every: float,
) -> dict[str, FloatArray]:
    """
    Lay series on a common grid; ``time_utc`` is the end of each period.

    Parameters
    ----------
    record : TripRecord
        The trip.
    estimates : callable
        Gives its estimates; called only if a derived series is wanted.
    names : sequence of str
        Channels and derived series.
    every : float
        Length of a period. [s]

    Returns
    -------
    table : dict of (k,) arrays
        ``time_utc`` first. Means over the period (NaN where nothing was recorded);
        states of charge, capacity and resistance as they stand at its end.

    Raises
    ------
    InputError
        An unknown name.
    """
    raw = set(record.channels)
    made: dict[str, FloatArray] = {}
    if any(name not in raw for name in names):
        made = derived(record, estimates())
    check_names(names, [*raw, *made])
    ends = period_ends(record.start_utc, record.end_utc, every)
    edges = np.concatenate(([ends[0] - every], ends))
    out = {"time_utc": ends}
    for name in names:
        if name in raw:
            out[name] = _mean(record, name, edges)
        elif name.split("_")[0] in HELD:
            out[name] = _held(record.minute_utc, made[name], ends)
        else:
            out[name] = _minute_mean(record.minute_utc, made[name], edges)
    return out


def _mean(record: TripRecord, name: str, edges: FloatArray) -> FloatArray:
    channel = parse_channel(name)
    whole_minutes = np.all(edges % MINUTE == 0)
    if channel is not None and whole_minutes:
        minutes = record.minutes[name]
        grid = record.minute_utc
        return _ratio(grid, minutes.charge, minutes.covered, edges)
    total, covered = cumulative(record.channels[name]).at(edges)
    charge, seconds = np.diff(total), np.diff(covered)
    return np.where(seconds > 0, charge / np.maximum(seconds, 1e-9), np.nan)


def _ratio(
    grid: FloatArray, charge: FloatArray, covered: FloatArray, edges: FloatArray
) -> FloatArray:
    index = np.searchsorted(grid, edges, side="right")
    top = np.concatenate(([0.0], np.cumsum(np.nan_to_num(charge))))
    low = np.concatenate(([0.0], np.cumsum(np.nan_to_num(covered))))
    part, seconds = np.diff(top[index]), np.diff(low[index])
    return np.where(seconds > 0, part / np.maximum(seconds, 1e-9), np.nan)


def _minute_mean(grid: FloatArray, value: FloatArray, edges: FloatArray) -> FloatArray:
    """Average a series of minute means over periods, also shorter than a minute."""
    known = np.isfinite(value)
    starts = np.concatenate(([grid[0] - MINUTE], grid))
    total = np.concatenate(([0.0], np.cumsum(np.where(known, value, 0.0) * MINUTE)))
    seconds = np.concatenate(([0.0], np.cumsum(known * MINUTE)))
    part = np.diff(np.interp(edges, starts, total))
    span = np.diff(np.interp(edges, starts, seconds))
    return np.where(span > 1e-6, part / np.maximum(span, 1e-9), np.nan)


def _held(grid: FloatArray, value: FloatArray, ends: FloatArray) -> FloatArray:
    inside = np.clip(ends, grid[0], grid[-1])
    return np.interp(inside, grid, value)
