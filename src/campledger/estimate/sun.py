"""
The sun's possible harvest without an irradiance sensor.

Clear sky for place and date, a panel fitted per camp and scaled by the trip's own best,
minutes held back by a full battery told from cloud, shade and silence. What only the
model says is called consistent with, never lost.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.solar_position import sun_position
from campledger.estimate.sun_camps import Camp, engine_minutes, find_camps
from campledger.estimate.sun_fit import NOON_LEAST, PanelFit, fit_panel
from campledger.estimate.sun_flow import (
    house_current,
    load_current,
    metered_flow,
    voltage_name,
)
from campledger.estimate.sun_held import HeldEvidence, find_held
from campledger.estimate.sun_notes import tell_sun
from campledger.estimate.sun_possible import Possible, possible_output
from campledger.estimate.sun_reference import (
    HALF_MINUTE,
    SunReference,
    clear_reference,
    trip_reference,
)
from campledger.estimate.sun_shade import find_shade
from campledger.model.estimates import Estimate
from campledger.model.series import Minutes
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.estimate.sun_flow import Flow
    from campledger.model.estimates import BatteryEstimate
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig, Source
    from campledger.model.series import BoolArray, FloatArray, TripRecord

GAIN_STD = 0.01
"""Gain of a shunt and its voltmeter together. Common practice, no source."""
CLOUD_INDEX = 0.75
"""Below this share of a clear sky a minute is called clouded (or shaded)."""
NIGHT = -6.0
"""Below this a panel gives nothing: what its meter shows then is its zero. [deg]"""
SILENT_SHARE = 0.01
"""Less than this share of a clear sky is nothing at all. Common practice."""

OFF, DELIVERING, HELD, SHADED, CLOUDED, DARK = range(6)


@dataclass(frozen=True, kw_only=True)
class SunModel:
    """
    What a panel of this trip gives under a cloudless sky, anywhen.

    ``facing`` (3,) W east, north, up, of the last camp; ``scale_std`` relative.
    ``index_mean`` and ``index_std``: the clearness of this trip's days.
    """

    facing: FloatArray
    latitude: float
    longitude: float
    scale_std: float
    index_mean: float
    index_std: float

    def clear_power(
        self, time_utc: FloatArray, temp_air: FloatArray | float = 22.0
    ) -> FloatArray:
        """
        Give the output under a cloudless sky.

        Parameters
        ----------
        time_utc : (n,) float64
            Middles of the periods meant. [s]
        temp_air : (n,) float64 or float
            Air. [Cel]

        Returns
        -------
        power : (n,) float64
            At the battery side. [W]
        """
        reference = clear_reference(time_utc, self.latitude, self.longitude, temp_air)
        return np.nan_to_num(reference.panel(self.facing))


@dataclass(frozen=True, kw_only=True)
class SunEstimate:
    """
    The sun of a trip on its minute grid; arrays (m,).

    ``possible*`` W; ``clear`` W is the output of this panel under a cloudless sky;
    ``index`` is possible over clear, NaN at night; ``held`` marks minutes held back;
    ``day_index`` (days, 3) holds for each date of the trip (rig time) the start of the
    date in s, its mean index and the share of it that was measured; ``hour_index``
    (days, 24) the same by hour of rig time, NaN where not measured.
    """

    power: FloatArray
    possible: FloatArray
    possible_lo: FloatArray
    possible_hi: FloatArray
    clear: FloatArray
    index: FloatArray
    held: BoolArray
    state: FloatArray
    day_index: FloatArray
    hour_index: FloatArray
    energy_possible: Estimate
    is_lower_bound: bool
    model: SunModel | None
    camps: tuple[Camp, ...]
    notes: tuple[str, ...]


def sun_elevation(record: TripRecord, rig: Rig) -> FloatArray:
    """
    Give the elevation of the sun in each minute, at the rig's own position.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Position; without longitude the one of the trip's offset is assumed.

    Returns
    -------
    elevation : (m,) float64
        NaN without a latitude. [deg]

    References
    ----------
    .. [1] See `sun_position`.
    """
    if rig.latitude is None:
        return np.full(len(record.minute_utc), np.nan)
    longitude = record.utc_offset / 240 if rig.longitude is None else rig.longitude
    zenith, _ = sun_position(record.minute_utc - HALF_MINUTE, rig.latitude, longitude)
    return 90.0 - zenith


def estimate_sun(
    record: TripRecord,
    rig: Rig,
    source: Source,
    battery: BatteryEstimate | None = None,
    *,
    plan: Plan | None = None,
) -> SunEstimate:
    """
    Tell what the sun gave, what it could have given, and why the two differ.

    Parameters
    ----------
    record : TripRecord
        The trip; without a meter of the panel only the clear sky is given.
    rig : Rig
        The vehicle.
    source : Source
        The panel and its regulator.
    battery : BatteryEstimate, optional
        Gives the battery current with its offset taken out.
    plan : Plan, optional
        Its days may carry positions.

    Returns
    -------
    sun : SunEstimate
        Where no position is known at all, possible is what was delivered, a lower
        bound.

    References
    ----------
    .. [1] See the modules ``sun_*`` and `clear_sky`.
    """
    flow = metered_flow(record, source.name)
    m = len(record.minute_utc)
    if flow is None or not np.isfinite(flow.power).any():
        return _unmeasured(m)
    engine = engine_minutes(record, rig)
    camps = find_camps(record, rig, engine, plan)
    if any(np.isnan(c.latitude) for c in camps):
        return _without_place(flow, camps)
    air = _air(record, m)
    none = [0.0] * len(camps)
    reference = trip_reference(record.minute_utc, camps, none, air)
    power = np.maximum(flow.power - _zero(flow.power, reference.elevation), 0.0)
    evidence = _held(record, rig, source, battery, flow, reference, power)
    free = np.isfinite(power) & ~evidence.held
    fit = fit_panel(source, reference, camps, power, free)
    shifts = np.where(np.abs(fit.noon) > NOON_LEAST, fit.noon, 0.0)
    if shifts.any():
        reference = trip_reference(record.minute_utc, camps, shifts.tolist(), air)
    clear = _clear(reference, camps, fit)
    evidence = _held(record, rig, source, battery, flow, None, power, clear)
    free = np.isfinite(power) & ~evidence.held
    last = fit_panel(source, reference, camps, power, free)
    fit = replace(last, noon=shifts + last.noon)
    clear = _clear(reference, camps, fit)
    possible = possible_output(
        power,
        clear,
        free,
        evidence.held,
        evidence.doubtful,
        camps,
        record.minute_utc,
        fit.scale_std,
    )
    return _gather(
        record, source, camps, reference, power, clear, evidence, fit, possible
    )


def _air(record: TripRecord, m: int) -> FloatArray:
    if "temp_air_c" in record.channels:
        return record.minutes["temp_air_c"].mean
    return np.full(m, np.nan)


def _zero(power: FloatArray, elevation: FloatArray) -> float:
    night = power[(elevation < NIGHT) & np.isfinite(power)]
    return float(np.median(night)) if night.size >= 60 else 0.0


def _clear(
    reference: SunReference, camps: tuple[Camp, ...], fit: PanelFit
) -> FloatArray:
    clear = np.zeros(len(reference.diffuse))
    for camp, facing in zip(camps, fit.facing, strict=True):
        cut = slice(camp.first, camp.last)
        clear[cut] = reference.panel(facing)[cut]
    return np.nan_to_num(clear)


def _held(
    record: TripRecord,
    rig: Rig,
    source: Source,
    battery: BatteryEstimate | None,
    flow: Flow,
    reference: SunReference | None,
    power: FloatArray,
    clear: FloatArray | None = None,
) -> HeldEvidence:
    """Held minutes, first against a rough clear sky, then against the fitted one."""
    name = voltage_name(record, source.name)
    nothing = np.full(len(power), np.nan)
    volts = Minutes(
        mean=nothing, low=nothing, high=nothing, charge=nothing, covered=0 * power
    )
    if name in record.channels:
        volts = record.minutes[name]
    if clear is None and reference is not None:
        flat = reference.flat
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(flat > 0.1, power / flat, np.nan)
        top = np.nanquantile(ratio, 0.95) if np.isfinite(ratio).any() else 0.0
        clear = np.nan_to_num(flat) * max(float(top), 0.3 * (source.power_panel or 0.0))
    load = load_current(record, rig, battery)
    expected = np.zeros(len(power)) if clear is None else clear
    house = house_current(record, battery)
    temp = _battery_temp(record, rig, len(power))
    return find_held(source, volts, flow.current, load, house, expected, power, temp)


def _battery_temp(record: TripRecord, rig: Rig, m: int) -> FloatArray | None:
    """Temperature that a charger of a lead battery may follow; air stands in for it."""
    if rig.house.chemistry == "lfp":
        return None
    name = "temp_house_c"
    if name not in record.channels:
        return _air(record, m)
    return record.minutes[name].mean


def _gather(
    record: TripRecord,
    source: Source,
    camps: tuple[Camp, ...],
    reference: SunReference,
    power: FloatArray,
    clear: FloatArray,
    evidence: HeldEvidence,
    fit: PanelFit,
    possible: Possible,
) -> SunEstimate:
    shaded = find_shade(
        power, clear, evidence.held, camps, reference.azimuth, record.minute_utc
    )
    state, silent = _states(power, clear, evidence.held, shaded)
    days, hours = _history(record, clear, possible.index, evidence.held, power)
    std = float(np.hypot(possible.energy_std, GAIN_STD * possible.energy))
    floor = float(np.nansum(power)) / 60.0 * (1 - 2 * GAIN_STD)
    energy = Estimate(
        value=possible.energy,
        lo=max(possible.energy - 1.645 * std, floor),
        hi=possible.energy + 1.645 * std,
    )
    bound = fit.smooth_minutes < 20
    index = np.array([d[1] for d in days if np.isfinite(d[1])])
    last = camps[-1]
    model = SunModel(
        facing=fit.facing[-1],
        latitude=last.latitude,
        longitude=last.longitude,
        scale_std=fit.scale_std,
        index_mean=float(index.mean()) if index.size else float("nan"),
        index_std=float(index.std()) if index.size > 1 else 0.25,
    )
    return SunEstimate(
        power=power,
        possible=np.where(np.isfinite(power) | (clear > 0), possible.power, np.nan),
        possible_lo=possible.power_lo,
        possible_hi=possible.power_hi,
        clear=clear,
        index=np.where(clear > 0.01 * clear.max(initial=1e-9), possible.index, np.nan),
        held=evidence.held,
        state=state,
        day_index=days,
        hour_index=hours,
        energy_possible=energy,
        is_lower_bound=bound,
        model=model,
        camps=camps,
        notes=tell_sun(source, camps, evidence, fit, possible, power, shaded, silent),
    )


def _states(
    power: FloatArray, clear: FloatArray, held: BoolArray, shaded: BoolArray
) -> tuple[FloatArray, int]:
    """Code each minute; count minutes with sun and no output below the set point."""
    bright = clear > 0.02 * clear.max(initial=1e-9)
    with np.errstate(invalid="ignore"):
        index = np.where(bright, power / np.maximum(clear, 1e-9), np.nan)
        state = np.where(power > 0.005 * clear.max(initial=1e-9), DELIVERING, OFF)
        state = np.where(bright & (index < CLOUD_INDEX), CLOUDED, state)
        state = np.where(bright & (index < CLOUD_INDEX) & shaded, SHADED, state)
        nothing = bright & (index < SILENT_SHARE) & ~held
        nothing &= clear > 0.15 * clear.max(initial=1e-9)
    state = np.where(nothing, OFF, state)
    state = np.where(held, HELD, state)
    state = np.where(np.isfinite(power), state, DARK)
    return state.astype(np.float64), int(nothing.sum())


def _history(
    record: TripRecord,
    clear: FloatArray,
    index: FloatArray,
    held: BoolArray,
    power: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Mean index by date and by hour of rig time, weighted by the clear sky."""
    local = record.minute_utc - HALF_MINUTE + record.utc_offset
    date = np.floor(local / 86400.0).astype(np.int64)
    hour = np.floor(np.mod(local, 86400.0) / 3600.0).astype(np.int64)
    first = int(date[0])
    count = int(date[-1]) - first + 1
    known = np.isfinite(index) & (clear > 0)
    measured = known & ~held & np.isfinite(power)
    weight = np.where(known, clear, 0.0)
    value = np.where(known, np.nan_to_num(index), 0.0) * weight
    days = np.full((count, 3), np.nan)
    days[:, 0] = (first + np.arange(count)) * 86400.0 - record.utc_offset
    total = np.bincount(date - first, weight, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        days[:, 1] = np.bincount(date - first, value, count) / total
        days[:, 2] = np.bincount(date - first, weight * measured, count) / total
        cell = (date - first) * 24 + hour
        total = np.bincount(cell, weight * measured, count * 24)
        hours = np.bincount(cell, value * measured, count * 24) / total
    return days, hours.reshape(count, 24)


def _unmeasured(m: int) -> SunEstimate:
    return _empty(np.full(m, np.nan), "output of the panel is not measured", ())


def _without_place(flow: Flow, camps: tuple[Camp, ...]) -> SunEstimate:
    return _empty(
        flow.power, "no latitude is known: what was delivered is the least", camps
    )


def _empty(power: FloatArray, why: str, camps: tuple[Camp, ...]) -> SunEstimate:
    m = len(power)
    nothing = np.full(m, np.nan)
    state = np.where(power > 1.0, float(DELIVERING), float(OFF))
    state[~np.isfinite(power)] = DARK
    energy = Estimate.missing(why)
    if np.isfinite(power).any():
        total = float(np.nansum(power)) / 60.0
        energy = Estimate(
            value=total, lo=total, hi=float("inf"), word=Word.MEASURED, reason=why
        )
    return SunEstimate(
        power=power,
        possible=nothing,
        possible_lo=nothing,
        possible_hi=nothing,
        clear=nothing,
        index=nothing,
        held=np.zeros(m, dtype=np.bool_),
        state=state,
        day_index=np.zeros((0, 3)),
        hour_index=np.zeros((0, 24)),
        energy_possible=energy,
        is_lower_bound=True,
        model=None,
        camps=camps,
        notes=(why,),
    )
