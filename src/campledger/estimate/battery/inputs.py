"""
What the record says about the battery, on its minute grid, with its holes marked.

A stuck channel, a silent one and a minute that is only partly covered all become a gap
whose charge is unknown; the gap keeps what other channels say about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.estimate.battery.curve import IntArray
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, Series, TripRecord

CURRENT = "current_house_a"
VOLTAGE = "voltage_house_v"
TEMPERATURE = "temp_house_c"
TEMPERATURE_ASSUMED = 25.0
STUCK_SAMPLES = 60
"""Job C40: the same word more than this many times on a live circuit."""
STUCK_SECONDS = 240.0
STUCK_TIMES = 20.0
"""Against the usual run of equal words, weighted by time. Common practice."""
COVERED_LEAST = 0.5
"""Share of a minute that must be covered to be used. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class BatteryInputs:
    """
    Battery current, voltage and temperature, arrays (m,) on the minute grid.

    ``current`` is NaN in gaps, + into the battery; ``step`` the seconds since the
    previous grid point (60). ``gap`` numbers the runs of missing current from 0, -1
    elsewhere. ``charging`` and ``loading`` are what sources and loads measured apart
    say, NaN where they say nothing. ``temp`` has no NaN.
    """

    time: FloatArray
    current: FloatArray
    voltage: FloatArray
    temp: FloatArray
    gap: FloatArray
    charging: FloatArray
    loading: FloatArray
    has_current: bool
    has_temp: bool
    has_sources: bool
    quantum: float
    stuck_minutes: int


def run_lengths(series: Series) -> tuple[IntArray, IntArray, FloatArray]:
    """
    Give the runs of equal words of a channel; bad readings do not end a run.

    Parameters
    ----------
    series : Series
        One channel.

    Returns
    -------
    starts, ends : (r,) int64
        First index and index after the last of each run.
    seconds : (r,) float64
        How long each lasted. [s]

    References
    ----------
    .. [1] Run length of equal words. Common practice, no source.
    """
    good = np.flatnonzero(np.isfinite(series.value))
    value, time = series.value[good], series.time_utc[good]
    if len(value) < 2:
        none = np.zeros(0, dtype=np.int64)
        return none, none, np.zeros(0)
    starts = np.flatnonzero(np.concatenate(([True], value[1:] != value[:-1])))
    lasts = np.concatenate((starts[1:], [len(value)])) - 1
    seconds = time[lasts] - time[starts] + series.interval
    return good[starts], good[lasts] + 1, seconds


def stuck(series: Series) -> BoolArray:
    """
    Mark readings that repeat one value for too long to be alive.

    Zero is not counted: a switched-off circuit may read exactly zero.

    Parameters
    ----------
    series : Series
        One channel.

    Returns
    -------
    frozen : (n,) bool
        True on every reading of a run longer than the limits.

    References
    ----------
    .. [1] Run length of equal words. Common practice, no source.
    """
    value = series.value
    frozen = np.zeros(len(value), dtype=bool)
    starts, ends, seconds = run_lengths(series)
    if not len(starts):
        return frozen
    order = np.argsort(seconds)
    share = np.cumsum(seconds[order])
    middle = np.searchsorted(share, 0.5 * share[-1])
    usual = float(seconds[order][min(middle, len(order) - 1)])
    limit = max(STUCK_SECONDS, STUCK_TIMES * usual)
    number = ends - starts
    bad = (number > STUCK_SAMPLES) & (seconds > limit) & (value[starts] != 0.0)
    for a, b in zip(starts[bad], ends[bad], strict=True):
        frozen[a:b] = True
    return frozen


def _minutes_stuck(record: TripRecord, name: str) -> BoolArray:
    series = record.channels[name]
    frozen = stuck(series)
    mark = np.zeros(len(record.minute_utc), dtype=bool)
    if frozen.any():
        k = np.searchsorted(record.minute_utc, series.time_utc[frozen])
        mark[k[k < len(mark)]] = True
    return mark


def _channel(record: TripRecord, name: str) -> tuple[FloatArray, int]:
    """Give minute means without stuck or half-covered minutes."""
    if name not in record.channels:
        return np.full(len(record.minute_utc), np.nan), 0
    minutes = record.minutes[name]
    value = np.array(minutes.mean, dtype=np.float64)
    usual = record.channels[name].interval
    if usual < 30.0:
        value[minutes.covered < COVERED_LEAST * 60.0] = np.nan
    frozen = _minutes_stuck(record, name)
    value[frozen] = np.nan
    return value, int(frozen.sum())


def fill_between(value: FloatArray, default: float) -> FloatArray:
    """Fill NaN linearly between neighbours, flat at the ends."""
    good = np.isfinite(value)
    if not good.any():
        return np.full(len(value), default)
    index = np.arange(len(value))
    return np.interp(index, index[good], value[good])


def number_runs(mark: BoolArray) -> FloatArray:
    """Number the runs of True from 0; -1 where False."""
    starts = mark & ~np.concatenate(([False], mark[:-1]))
    return np.where(mark, np.cumsum(starts) - 1, -1).astype(np.float64)


def _sum_known(record: TripRecord, names: list[str]) -> FloatArray | None:
    parts = [_channel(record, n)[0] for n in names if n in record.channels]
    if not parts:
        return None
    total: FloatArray = np.sum(parts, axis=0)
    return total


def _quantum(record: TripRecord) -> float:
    if CURRENT not in record.channels:
        return 0.0
    value = record.channels[CURRENT].value
    value = np.unique(value[np.isfinite(value)][:5000])
    return float(np.median(np.diff(value))) if len(value) > 2 else 0.0


def gather(record: TripRecord, rig: Rig) -> BatteryInputs:
    """
    Lay out what the record says about the battery.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        Names its sources and loads.

    Returns
    -------
    inputs : BatteryInputs
        Arrays (m,) on the minute grid of the trip.

    References
    ----------
    .. [1] Charge balance of a node. Common practice, no source.
    """
    current, frozen = _channel(record, CURRENT)
    sources = [f"current_{s.name}_a" for s in rig.sources]
    have_all = bool(sources) and all(n in record.channels for n in sources)
    charging = _sum_known(record, sources) if have_all else None
    if charging is None and "current_charge_a" in record.channels:
        charging = _channel(record, "current_charge_a")[0]
    loading = _sum_known(record, [f"current_{x.name}_a" for x in rig.loads])
    has_current = bool(np.isfinite(current).any())
    if not has_current and charging is not None and loading is not None:
        current = charging - loading
    temp, _ = _channel(record, TEMPERATURE)
    voltage, _ = _channel(record, VOLTAGE)
    none = np.full(len(record.minute_utc), np.nan)
    return BatteryInputs(
        time=record.minute_utc,
        current=current,
        voltage=voltage,
        temp=fill_between(temp, TEMPERATURE_ASSUMED),
        gap=number_runs(~np.isfinite(current)),
        charging=none if charging is None else charging,
        loading=none if loading is None else loading,
        has_current=has_current,
        has_temp=bool(np.isfinite(temp).any()),
        has_sources=charging is not None,
        quantum=_quantum(record),
        stuck_minutes=frozen,
    )
