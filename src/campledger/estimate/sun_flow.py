"""What a meter of a source saw, on the minute grid; and what the loads took."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sensor_alive import stuck_runs
from campledger.model.integrate import resample_previous, to_minutes
from campledger.model.series import Series

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryEstimate
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, Minutes, TripRecord

HOUR = 3600.0


@dataclass(frozen=True, kw_only=True)
class Flow:
    """
    What a meter saw on the minute grid: W, A, A.h in the minute; arrays (m,).

    ``stuck`` is how long one word stood still, s: those readings are left out.
    """

    power: FloatArray
    current: FloatArray
    charge: FloatArray
    covered: FloatArray
    stuck: float = 0.0


def voltage_name(record: TripRecord, place: str) -> str:
    """Name the voltage channel that goes with a place; the battery's if it has none."""
    own = f"voltage_{place}_v"
    return own if own in record.channels else "voltage_house_v"


def metered_flow(record: TripRecord, place: str) -> Flow | None:
    """
    Read current and power of a place from its own meter.

    Power is the mean of products where current and volts come together, so that a
    pulsing source is not mistaken; a missing voltage leaves power NaN.

    Parameters
    ----------
    record : TripRecord
        The trip.
    place : str
        Name of a source, or ``charge``.

    Returns
    -------
    flow : Flow or None
        None if the place has neither a current nor a power channel.

    References
    ----------
    .. [1] Common practice, no source.
    """
    volts = voltage_name(record, place)
    current_name, power_name = f"current_{place}_a", f"power_{place}_w"
    if current_name in record.channels:
        series, stuck = _alive(record.channels[current_name])
        minutes = record.minutes[current_name]
        if stuck > 0:
            minutes = to_minutes(series, record.minute_utc)
        return Flow(
            power=_power(record, series, minutes, power_name, volts),
            current=minutes.mean,
            charge=np.where(minutes.covered > 0, minutes.charge / HOUR, np.nan),
            covered=minutes.covered,
            stuck=stuck,
        )
    if power_name in record.channels:
        minutes = record.minutes[power_name]
        level = minute_mean(record, volts)
        current = minutes.mean / np.where(level > 1.0, level, np.nan)
        return Flow(
            power=minutes.mean,
            current=current,
            charge=np.where(
                minutes.covered > 0, current * minutes.covered / HOUR, np.nan
            ),
            covered=minutes.covered,
        )
    return None


def minute_mean(record: TripRecord, name: str) -> FloatArray:
    """
    Give the means of a channel.

    Parameters
    ----------
    record : TripRecord
        The trip.
    name : str
        A channel.

    Returns
    -------
    mean : (m,) float64
        NaN where it does not exist. In the channel's unit.

    References
    ----------
    .. [1] Common practice, no source.
    """
    if name in record.channels:
        return record.minutes[name].mean
    return np.full(len(record.minute_utc), np.nan)


def _alive(series: Series) -> tuple[Series, float]:
    """Leave out stretches in which one word stood still, and say how long."""
    value = series.value.copy()
    total = 0.0
    for first, last in stuck_runs(series, "current"):
        value[first:last] = np.nan
        total += float(series.time_utc[last - 1] - series.time_utc[first])
    if total == 0:
        return series, 0.0
    alive = Series(time_utc=series.time_utc, value=value, sampling=series.sampling)
    return alive, total


def _power(
    record: TripRecord,
    current: Series,
    minutes: Minutes,
    power_name: str,
    volts_name: str,
) -> FloatArray:
    """Mean power of each minute: metered, else mean of products."""
    if power_name in record.channels:
        return record.minutes[power_name].mean
    if volts_name not in record.channels:
        return np.full(len(record.minute_utc), np.nan)
    volts = record.channels[volts_name]
    if current.time_utc is volts.time_utc:
        level = volts.value
    else:
        level = resample_previous(volts, current.time_utc)
    product = Series(
        time_utc=current.time_utc,
        value=current.value * level,
        sampling=current.sampling,
    )
    mean = to_minutes(product, record.minute_utc).mean
    rough = minutes.mean * minute_mean(record, volts_name)
    return np.where(np.isfinite(mean), mean, rough)


def house_current(
    record: TripRecord, battery: BatteryEstimate | None = None
) -> FloatArray | None:
    """
    Give the current into the battery.

    Parameters
    ----------
    record : TripRecord
        The trip.
    battery : BatteryEstimate, optional
        Gives it with its offset taken out.

    Returns
    -------
    current : (m,) float64 or None
        None if it is not measured. [A]

    References
    ----------
    .. [1] Common practice, no source.
    """
    if "current_house_a" not in record.channels:
        return None
    house = record.minutes["current_house_a"].mean
    if battery is not None:
        fixed = battery.current_corrected
        house = np.where(np.isfinite(fixed), fixed, house)
    return house


def load_current(
    record: TripRecord, rig: Rig, battery: BatteryEstimate | None = None
) -> FloatArray | None:
    """
    Give what all loads took together: sources minus battery.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Names the sources.
    battery : BatteryEstimate, optional
        Gives the battery current with its offset taken out.

    Returns
    -------
    current : (m,) float64 or None
        None if the battery's or any source's current is not measured. [A]

    References
    ----------
    .. [1] The balance battery = sources - loads. Common practice, no source.
    """
    house = house_current(record, battery)
    if house is None:
        return None
    if "current_charge_a" in record.channels:
        return record.minutes["current_charge_a"].mean - house
    total = -house
    for source in rig.sources:
        name = f"current_{source.name}_a"
        if name not in record.channels:
            return None
        total = total + np.nan_to_num(record.minutes[name].mean)
    return total
