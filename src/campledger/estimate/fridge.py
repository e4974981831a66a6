"""
A cooling load against the temperature around it.

Charge a day = base + slope * (air - inside), learned from the owner's own hours, with
pull-down, recovery and flat-out hours kept out of the line. Inside is measured, else
the set point (assumed). The line is straight; real cooling machines bend a little
upward, so nothing is promised far beyond what was measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.fridge_warming import hidden_minutes, time_constant
from campledger.estimate.solar_position import sun_position
from campledger.model.estimates import FridgeModel
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from campledger.model.estimates import LoadUse
    from campledger.model.rig import Load, Rig
    from campledger.model.series import BoolArray, FloatArray, TripRecord

WINDOW = 240
"""Length of the means that are fitted: some compressor cycles. [minutes]"""
COVERED_LEAST = 0.75
"""Share of a window that must be known. Common practice, no source."""
FLAT_OUT = 0.93
"""Duty above which a machine can give no more. Common practice, no source."""
WARM_START = 2.5
"""Inside above the set point by this is pulling down. Common practice. [K]"""
RECOVERY_MOST = 360
"""Without an inside temperature a recovery is over after this. [minutes]"""
SLOPE_GROWS = 0.012
"""Charge for a kelvin grows by this share a kelvin: warmer air lowers the efficiency of
the machine (Carnot's factor alone gives 2 to 3 %). Common practice, no source. [1/K]"""
SLOPE_PRIOR_SHARE = 0.9
"""Share of the charge that follows the difference; the rest is doors and fans."""
SLOPE_PRIOR_STD = 0.3
"""How far rigs differ from that. Common practice, no source."""
SUN_PRIOR_STD = 0.4
"""Sun on the vehicle adds at most this share at full height. Common practice."""
DAY_STD_SHARE = 0.11
"""Days differ by this without any other reason: doors, warm food, sun on the vehicle.
Common practice, no source; set on trips of a light world with hot days held out."""
WIDER = 2.0
"""Factor on the variance of the line: hours of a day are no independent witnesses."""
DAY_STD_WEIGHT = 3.0
"""Days that this prior is worth."""
SET_DEFAULT = {"fridge": 4.0, "freezer": -18.0}
"""Inside where the rig file says nothing. Common practice, no source. [Cel]"""
DAY = 24.0


@dataclass(frozen=True, kw_only=True)
class CoolingHours:
    """
    Means of a cooling load over windows of some hours, arrays (n,).

    ``rate`` A.h a day, ``difference`` K, ``sun`` 0..1 mean height of the sun (sine),
    ``duty``, ``start_utc`` s; ``kind`` 0 steady, 1 pull-down or recovery, 2 flat out.
    """

    start_utc: FloatArray
    rate: FloatArray
    difference: FloatArray
    sun: FloatArray
    duty: FloatArray
    kind: FloatArray


def fit_fridges(
    record: TripRecord, rig: Rig, loads: tuple[LoadUse, ...]
) -> tuple[FridgeModel, ...]:
    """
    Fit every cooling load of the rig whose use is known.

    Parameters
    ----------
    record : TripRecord
        The trip, with the temperatures.
    rig : Rig
        Kinds and set points of the loads.
    loads : tuple of LoadUse
        Their use on the minute grid.

    Returns
    -------
    fridges : tuple of FridgeModel
        One for each cooling load with a use; loads not told apart are left out.

    References
    ----------
    .. [1] Degree-hour line; common practice, no source.
    """
    fits = []
    for use in loads:
        load = rig.load(use.name)
        if load is None or load.kind not in COOLING or len(use.group) > 1:
            continue
        if np.isfinite(use.charge).any():
            fits.append(_fit(record, rig, load, use))
    return tuple(fits)


def _channel(record: TripRecord, name: str) -> FloatArray | None:
    if name not in record.channels:
        return None
    mean = record.minutes[name].mean
    return mean if np.isfinite(mean).any() else None


def _air(record: TripRecord, name: str) -> tuple[FloatArray | None, str]:
    """Air at the machine: the space it stands in, else outside."""
    space = _channel(record, f"temp_{name}_space_c")
    if space is not None:
        return space, "space"
    return _channel(record, "temp_air_c"), "air"


def _hold(value: FloatArray, longest: int = 30) -> FloatArray:
    """Carry slow readings over short silences."""
    seen = np.isfinite(value)
    last = np.maximum.accumulate(np.where(seen, np.arange(len(value)), -1))
    fresh = (last >= 0) & (np.arange(len(value)) - last <= longest)
    return np.where(fresh, value[np.maximum(last, 0)], np.nan)


def cooling_hours(
    record: TripRecord, rig: Rig, use: LoadUse, *, window: int = WINDOW
) -> CoolingHours | None:
    """
    Condense a cooling load into means over some hours, and sort them.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Set point and position.
    use : LoadUse
        Of the cooling load.
    window : int
        Length of the means, minutes. [1]

    Returns
    -------
    hours : CoolingHours or None
        None without a temperature of the air.

    References
    ----------
    .. [1] Common practice, no source.
    """
    air, _ = _air(record, use.name)
    load = rig.load(use.name)
    if air is None or load is None:
        return None
    inside = _channel(record, f"temp_{use.name}_c")
    setting = set_point(load)
    within = np.full(len(air), setting) if inside is None else _hold(inside)
    busy = _busy(use, inside, setting)
    known = np.isfinite(use.charge) & np.isfinite(_hold(air)) & np.isfinite(within)
    known &= ~hidden_minutes(use)
    edges = np.arange(0, len(air) - window + 1, window)
    rows = [
        _row(record, rig, use, _hold(air) - within, known, busy, int(a), window)
        for a in edges
    ]
    table = np.array([r for r in rows if r is not None]).reshape(-1, 6)
    return CoolingHours(
        start_utc=table[:, 0],
        rate=table[:, 1],
        difference=table[:, 2],
        sun=table[:, 3],
        duty=table[:, 4],
        kind=table[:, 5],
    )


def set_point(load: Load) -> float:
    """
    Give the inside temperature that a cooling load is set to.

    Parameters
    ----------
    load : Load
        From the rig file.

    Returns
    -------
    inside : float
        As typed, else the usual one of its kind (assumed). [Cel]

    References
    ----------
    .. [1] Common practice, no source.
    """
    return SET_DEFAULT[load.kind] if load.temp_set is None else load.temp_set


def _busy(use: LoadUse, inside: FloatArray | None, setting: float) -> BoolArray:
    """Minutes of pull-down or recovery: warm inside, or the hours after an outage."""
    m = len(use.charge)
    censored = hidden_minutes(use)
    after = np.zeros(m, bool)
    debt = 0
    for k in range(m):
        debt = min(debt + 1, RECOVERY_MOST) if censored[k] else max(debt - 1, 0)
        after[k] = debt > 0 and not censored[k]
    running = np.nan_to_num(use.on_share)
    first = int(np.argmax(running < 0.5)) if (running < 0.5).any() else m
    opening = np.zeros(m, bool)
    if first >= 45:
        opening[:first] = True
    if inside is None:
        return after | opening
    held = _hold(inside)
    usual = np.nanmedian(held)
    line = max(setting if np.isfinite(setting) else usual, usual) + WARM_START
    warm = np.nan_to_num(held, nan=-99.0) > line
    return warm | (after & (np.nan_to_num(held, nan=99.0) > usual + 1.0)) | opening


def _row(
    record: TripRecord,
    rig: Rig,
    use: LoadUse,
    difference: FloatArray,
    known: BoolArray,
    busy: BoolArray,
    first: int,
    window: int,
) -> tuple[float, ...] | None:
    cut = slice(first, first + window)
    good = known[cut]
    if good.mean() < COVERED_LEAST:
        return None
    charge = use.charge[cut][good]
    share = np.nan_to_num(use.on_share[cut])[good]
    duty = float(np.mean(share))
    kind = 0.0
    if np.mean(busy[cut]) > 0.25:
        kind = 1.0
    elif duty > FLAT_OUT:
        kind = 2.0
    time = record.minute_utc[cut]
    return (
        float(time[0]),
        float(np.mean(charge)) * 60.0 * DAY,
        float(np.mean(difference[cut][good])),
        _sun_height(rig, time),
        duty,
        kind,
    )


def _sun_height(rig: Rig, time: FloatArray) -> float:
    """Mean sine of the elevation an hour earlier: walls answer late."""
    if rig.latitude is None or rig.longitude is None:
        return 0.0
    zenith, _ = sun_position(time[::10] - 3600.0, rig.latitude, rig.longitude)
    return float(np.mean(np.maximum(np.cos(np.radians(zenith)), 0.0)))


@dataclass(frozen=True, kw_only=True)
class _Line:
    """A fitted line in (base, slope) with its covariance and day-to-day scatter."""

    base: float
    slope: float
    covariance: FloatArray
    day_std: float


def _weights(residual: FloatArray) -> FloatArray:
    """Student's weights with four degrees of freedom: warm food counts little."""
    scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
    return 5.0 / (4.0 + (residual / scale) ** 2)


def fit_line(hours: CoolingHours, *, with_sun: bool) -> _Line:
    """
    Fit charge against difference, robustly and with a physical prior of the slope.

    Parameters
    ----------
    hours : CoolingHours
        Only steady windows count.
    with_sun : bool
        Let the height of the sun explain what the air temperature does not (heat in
        the vehicle), so that noon does not pass for a hot day.

    Returns
    -------
    line : _Line
        Of a mean day of this trip.

    References
    ----------
    .. [1] Iterated weights of a Student t likelihood: Lange, Little and Taylor,
       "Robust statistical modeling using the t distribution", JASA 84, 1989, 881-896.
    """
    steady = hours.kind == 0
    y, d = hours.rate[steady], hours.difference[steady]
    centre, level = float(np.mean(d)), float(np.mean(y))
    sun = hours.sun[steady] - float(np.mean(hours.sun[steady]))
    design = np.stack((np.ones(len(y)), d - centre, sun if with_sun else 0 * sun), 1)
    slope0 = level * (SLOPE_PRIOR_SHARE / max(centre, 5.0) + SLOPE_GROWS)
    mean = np.array([level, slope0, 0.0])
    std = np.array(
        [
            3.0 * level + 1e-6,
            SLOPE_PRIOR_STD * level / max(centre, 5.0) + 1e-9,
            SUN_PRIOR_STD * level + 1e-6,
        ]
    )
    noise = max(0.15 * level, 1e-3)
    weight = np.ones(len(y))
    theta, posterior = mean, np.diag(std**2)
    for _ in range(12):
        scaled = design * (weight / noise**2)[:, None]
        precision = scaled.T @ design + np.diag(std**-2.0)
        posterior = np.linalg.inv(precision)
        theta = posterior @ (scaled.T @ y + mean / std**2)
        residual = y - design @ theta
        weight = _weights(residual)
        noise = max(float(np.sqrt(np.average(residual**2, weights=weight))), 0.02)
    return _finish(hours, theta, posterior, centre, y - design @ theta, noise)


def _finish(
    hours: CoolingHours,
    theta: FloatArray,
    posterior: FloatArray,
    centre: float,
    residual: FloatArray,
    noise: float,
) -> _Line:
    """Bring the extra use of warm food back into the day; widen for linked hours."""
    lag = 0.0
    if len(residual) > 4:
        clipped = np.clip(residual, -3 * noise, 3 * noise)
        lag = float(np.sum(clipped[1:] * clipped[:-1]) / (np.sum(clipped**2) + 1e-12))
    linked = (1 + np.clip(lag, 0.0, 0.6)) / (1 - np.clip(lag, 0.0, 0.6))
    extra = float(np.mean(np.clip(residual, -4 * noise, 4 * noise)))
    level, slope = float(theta[0]) + extra, max(float(theta[1]), 0.0)
    turn = np.array([[1.0, -centre], [0.0, 1.0]])
    covariance = turn @ (posterior[:2, :2] * (linked * WIDER)) @ turn.T
    day_std = _day_std(hours, residual, level)
    return _Line(
        base=level - slope * centre,
        slope=slope,
        covariance=covariance,
        day_std=day_std,
    )


def _day_std(hours: CoolingHours, residual: FloatArray, level: float) -> float:
    start = hours.start_utc[hours.kind == 0]
    day = np.floor((start - start[0]) / 86400.0)
    means = [
        float(np.mean(residual[day == k]))
        for k in np.unique(day)
        if np.sum(day == k) >= 4
    ]
    prior = DAY_STD_WEIGHT * (DAY_STD_SHARE * level) ** 2
    spread = float(np.sum(np.square(np.array(means) - np.mean(means)))) if means else 0
    return float(np.sqrt((prior + spread) / (DAY_STD_WEIGHT + max(len(means) - 1, 0))))


def _fit(record: TripRecord, rig: Rig, load: Load, use: LoadUse) -> FridgeModel:
    hours = cooling_hours(record, rig, use)
    inside = _channel(record, f"temp_{load.name}_c")
    volts = _volts(record, load.name, use)
    notes: list[str] = []
    if inside is None:
        notes.append(f"inside is not measured: {set_point(load):.0f} Cel is assumed")
    if hours is None or np.sum(hours.kind == 0) < 3:
        why = "no air temperature" if hours is None else "too few steady hours"
        return _plain(load, use, volts, [*notes, f"{why}: the weather is not followed"])
    _, place = _air(record, load.name)
    line = fit_line(hours, with_sun=place == "air")
    steady = hours.kind == 0
    notes += _sorted_notes(hours)
    tau, tau_note = float("nan"), ""
    if inside is not None:
        tau, tau_note = time_constant(use, inside, _air(record, load.name)[0])
    if tau_note:
        notes.append(tau_note)
    if inside is not None:
        notes.append("heat leak is electric: what the battery pays for a kelvin")
    return FridgeModel(
        name=load.name,
        base=line.base,
        slope=line.slope,
        covariance=line.covariance,
        residual_std=line.day_std,
        difference_min=float(np.min(hours.difference[steady])),
        difference_max=_day_extreme(hours),
        days=round(float(np.sum(steady)) * WINDOW / 1440.0),
        current_running=use.current_running,
        voltage_mean=volts,
        time_constant=tau,
        heat_leak=line.slope * volts / DAY if inside is not None else float("nan"),
        inside_measured=inside is not None,
        notes=tuple(notes),
    )


def _day_extreme(hours: CoolingHours) -> float:
    """Warmest mean difference over a day among steady windows."""
    steady = hours.kind == 0
    start, d = hours.start_utc[steady], hours.difference[steady]
    day = np.floor((start - start[0]) / 86400.0)
    return max(float(np.mean(d[day == k])) for k in np.unique(day))


def _sorted_notes(hours: CoolingHours) -> list[str]:
    notes = []
    for kind, text in ((1, "pull-down or recovery"), (2, "flat out")):
        count = int(np.sum(hours.kind == kind))
        if count:
            notes.append(f"{count * WINDOW // 60} h of {text} kept out of the line")
    return notes


def _volts(record: TripRecord, name: str, use: LoadUse) -> float:
    charge = np.nan_to_num(use.charge)
    known = np.isfinite(use.charge) & np.isfinite(use.power) & (charge > 0)
    if charge[known].sum() > 0:
        return float(np.sum(use.power[known]) / 60.0 / np.sum(charge[known]))
    for channel in (f"voltage_{name}_v", "voltage_house_v"):
        level = _channel(record, channel)
        if level is not None:
            return float(np.nanmean(level))
    return float("nan")


def _plain(load: Load, use: LoadUse, volts: float, notes: list[str]) -> FridgeModel:
    """Without weather: the mean day, and how much days differ."""
    known = np.isfinite(use.charge) & ~hidden_minutes(use)
    rate = float(np.mean(use.charge[known])) * 60.0 * DAY if known.any() else 0.0
    nan = float("nan")
    return FridgeModel(
        name=load.name,
        base=rate,
        slope=0.0,
        covariance=np.diag([(0.15 * rate) ** 2, 0.0]),
        residual_std=0.2 * rate,
        difference_min=nan,
        difference_max=nan,
        days=int(np.sum(known) // 1440),
        current_running=use.current_running,
        voltage_mean=volts,
        notes=tuple(notes),
    )
