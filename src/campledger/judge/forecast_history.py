"""
The trip so far in half hours that end at the moment of asking.

Rows of 48 half hours reach back from that moment, so that a slot is a clock hour and a
row is one whole day. NaN = not recorded, or demand that could not show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.solar_position import sun_position

if TYPE_CHECKING:
    from campledger.model.estimates import SourceUse, TripEstimates
    from campledger.model.rig import Rig, Source
    from campledger.model.series import BoolArray, FloatArray, TripRecord

STEP = 1800.0
SLOTS = 48
COVERED_LEAST = 0.5
"""Share of a half hour that must be recorded. Common practice, no source."""
ENGINE_KINDS = frozenset({"dcdc", "isolator"})
COOLING_KINDS = frozenset({"fridge", "freezer"})
CURRENT_DELIVERING = 1.0
"""An engine charger above this is charging. Common practice, no source. [A]"""
VOLTAGE_CHARGING = 13.6
"""Turns panel watts into amps where neither is measured. Common practice. [V]"""
DERATE = 0.75
"""Share of a panel's nameplate that reaches the battery. Common practice, no source."""
HELD_BACK = 2
VOLTAGE_ENGINE = 13.5
"""Start battery volts above which a fixed alternator runs. Common practice. [V]"""
SHARE_ENGINE_MOST = 0.4
"""Such volts for more of the record are something else, the sun for one. Common
practice, no source."""
VOLTAGE_NEAR_CUT = 0.3
"""A cut-off is looked for below the described volts plus this. Common practice. [V]"""
MINUTES_NEAR_CUT = 15
"""How long before, low volts explain that loads are off. Common practice."""


@dataclass(frozen=True, kw_only=True)
class History:
    """
    Half-hour means up to ``at``, arrays (n,), oldest first; the last bin ends at it.

    Currents in A, temperatures in Cel. ``net`` flows into the battery; ``cooling`` and
    ``rest`` are demand (NaN where censored); ``sun`` is what the panels could have
    given and ``clear`` the clear-sky current of the described ones; ``engine`` is what
    the engine charger gave, ``drive`` the share of the half hour driven, ``cut`` the
    share of it with loads cut off for low volts.
    """

    at: float
    utc_offset: float
    net: FloatArray
    cooling: FloatArray
    rest: FloatArray
    loads: dict[str, FloatArray]
    sun: FloatArray
    clear: FloatArray
    engine: FloatArray
    drive: FloatArray
    temp_air: FloatArray
    temp_inside: FloatArray
    soc: FloatArray
    cut: FloatArray
    has_sun: bool
    apart: bool

    @property
    def hours(self) -> float:
        """Hours with a known net current."""
        return float(np.isfinite(self.net).sum()) * STEP / 3600.0

    def before(self, bins: int) -> History:
        """Give what was known ``bins`` half hours earlier."""
        if bins == 0:
            return self
        cut = slice(0, len(self.net) - bins)
        return History(
            at=self.at - bins * STEP,
            utc_offset=self.utc_offset,
            net=self.net[cut],
            cooling=self.cooling[cut],
            rest=self.rest[cut],
            loads={n: x[cut] for n, x in self.loads.items()},
            sun=self.sun[cut],
            clear=self.clear[cut],
            engine=self.engine[cut],
            drive=self.drive[cut],
            temp_air=self.temp_air[cut],
            temp_inside=self.temp_inside[cut],
            soc=self.soc[cut],
            cut=self.cut[cut],
            has_sun=self.has_sun,
            apart=self.apart,
        )


def rows_of(values: FloatArray) -> FloatArray:
    """
    Fold half hours into days that end at the moment of asking.

    Parameters
    ----------
    values : (n,) float64
        Oldest first.

    Returns
    -------
    rows : (d, 48) float64
        Newest day first; the oldest is filled up with NaN in front.
    """
    days = max(1, -(-len(values) // SLOTS))
    full = np.full(days * SLOTS, np.nan)
    if len(values):
        full[-len(values) :] = values
    return full.reshape(days, SLOTS)[::-1]


class Binner:
    """Means of minute arrays over the half hours that end at ``at``."""

    def __init__(self, minute_utc: FloatArray, at: float, start: float) -> None:
        self.count = max(1, int(np.ceil((at - start) / STEP)))
        back = np.floor((at - minute_utc + 1e-6) / STEP).astype(int)
        self.inside = (back >= 0) & (back < self.count)
        self.index = self.count - 1 - back[self.inside]

    def mean(self, minutes: FloatArray, least: float = COVERED_LEAST) -> FloatArray:
        """Give means (n,), NaN where less than ``least`` of the minutes is known."""
        values = minutes[self.inside]
        good = np.isfinite(values)
        total = np.bincount(
            self.index[good], weights=values[good], minlength=self.count
        )
        seen = np.bincount(self.index[good], minlength=self.count)
        out = np.full(self.count, np.nan)
        enough = seen >= max(1.0, least * STEP / 60.0)
        out[enough] = total[enough] / seen[enough]
        return out


def clear_sky(
    time_utc: FloatArray, latitude: float, longitude: float, source: Source
) -> FloatArray:
    """
    Give the clear-sky current of a panel at the battery, roughly.

    Only its shape matters: the trip's own record scales it.

    Parameters
    ----------
    time_utc : (n,) float64
        Instants. [s]
    latitude, longitude : float
        North and east positive. [deg]
    source : Source
        The panel as described.

    Returns
    -------
    current : (n,) float64
        At the battery side. [A]

    References
    ----------
    .. [1] B. Haurwitz, "Insolation in relation to cloudiness and cloud density",
       Journal of Meteorology 2 (1945) 154-166: clear-day global irradiance. Beam share
       0.85 on a tilted plane: common practice, no source.
    """
    zenith, azimuth = sun_position(time_utc, latitude, longitude)
    zen, az = np.radians(zenith), np.radians(azimuth)
    cos_z = np.cos(zen)
    up = cos_z > 0.01
    flat = np.zeros(len(time_utc))
    flat[up] = 1098.0 * cos_z[up] * np.exp(-0.057 / cos_z[up])
    tilt, facing = np.radians(source.tilt), np.radians(source.azimuth)
    cos_i = cos_z * np.cos(tilt) + np.sin(zen) * np.sin(tilt) * np.cos(az - facing)
    ratio = np.zeros(len(time_utc))
    ratio[up] = np.clip(cos_i[up] / np.maximum(cos_z[up], 0.1), 0.0, 5.0)
    plane = flat * (0.85 * ratio + 0.15)
    watts = (source.power_panel or 0.0) * DERATE * plane / 1000.0
    return watts / VOLTAGE_CHARGING


def clear_of_rig(
    ends: FloatArray,
    rig: Rig,
    utc_offset: float,
    place: tuple[float, float] | None = None,
) -> FloatArray:
    """
    Sum the clear-sky current of all panels over half hours that end at ``ends``.

    Parameters
    ----------
    ends : (n,) float64
        Ends of half hours. [s]
    rig : Rig
        Its panels; without a position the sun is taken from six to six.
    utc_offset : float
        Rig time less UTC. [s]
    place : (latitude, longitude), optional
        Instead of the rig's. [deg]

    Returns
    -------
    current : (n,) float64
        [A]
    """
    panels = [s for s in rig.sources if s.kind == "solar"]
    total = np.zeros(len(ends))
    if place is None and rig.latitude is not None and rig.longitude is not None:
        place = (rig.latitude, rig.longitude)
    middle = ends - STEP / 2
    for panel in panels:
        if place is not None:
            total += clear_sky(middle, place[0], place[1], panel)
            continue
        clock = np.mod(middle + utc_offset, 86400.0) / 3600.0
        shape = np.clip(np.sin(np.pi * (clock - 6.0) / 12.0), 0.0, None)
        total += (panel.power_panel or 0.0) * DERATE * shape / VOLTAGE_CHARGING
    return total


def _possible_current(use: SourceUse) -> FloatArray:
    """Give what a panel could have given [A]; NaN where it was held back unknowably."""
    given = use.charge * 60.0
    volts = np.full(len(given), VOLTAGE_CHARGING)
    on = given > 0.05
    volts[on] = np.clip(use.power[on] / given[on], 11.0, 16.0)
    possible = use.possible / volts
    held = use.state == HELD_BACK
    known = np.where(held, np.nan, given)
    return np.where(np.isfinite(possible), np.maximum(possible, 0.0), known)


def _sum_known(parts: list[FloatArray], size: int) -> FloatArray:
    """Add what is known; NaN where nothing is."""
    total = np.zeros(size)
    seen = np.zeros(size, dtype=bool)
    for part in parts:
        good = np.isfinite(part)
        total[good] += part[good]
        seen |= good
    return np.where(seen, total, np.nan)


def _inside(record: TripRecord, rig: Rig) -> FloatArray:
    for load in rig.loads:
        name = f"temp_{load.name}_c"
        if load.kind in COOLING_KINDS and name in record.minutes:
            return record.minutes[name].mean
    return np.full(len(record.minute_utc), np.nan)


def build_history(
    record: TripRecord, rig: Rig, estimates: TripEstimates, at: float
) -> History:
    """
    Condense a trip up to a moment into half hours.

    Parameters
    ----------
    record : TripRecord
        Readings up to ``at``.
    rig : Rig
        The vehicle.
    estimates : TripEstimates
        Of the same record.
    at : float
        The moment of asking. [s]

    Returns
    -------
    history : History
        Half-hour means.
    """
    size = len(record.minute_utc)
    binner = Binner(record.minute_utc, at, record.start_utc)
    battery = estimates.battery
    kinds = {s.name: s.kind for s in rig.sources}
    apart = bool(estimates.sources) and all(s.name != "net" for s in estimates.sources)
    given = _sum_known([s.charge * 60.0 for s in estimates.sources], size)
    net = battery.current_corrected
    demand = np.where(np.isfinite(given), given, 0.0) - net if apart else -net
    cold = [
        x.charge * 60.0
        for x in estimates.loads
        if (r := rig.load(x.name)) is not None and r.kind in COOLING_KINDS
    ]
    censored = estimates.censored
    cooling = _sum_known(cold, size) if cold else np.zeros(size)
    cooling = np.minimum(np.nan_to_num(cooling), np.maximum(demand, 0.0))
    demand = np.where(censored, np.nan, demand)
    panels = [s for s in estimates.sources if kinds.get(s.name, s.kind) == "solar"]
    engines = [
        s for s in estimates.sources if kinds.get(s.name, s.kind) in ENGINE_KINDS
    ]
    sun = _sum_known([_possible_current(s) for s in panels], size)
    engine = _sum_known([s.charge * 60.0 for s in engines], size)
    drive = _engine_runs(record, rig, engine)
    ends = at - STEP * np.arange(binner.count - 1, -1, -1, dtype=np.float64)
    air = record.minutes["temp_air_c"].mean if "temp_air_c" in record.minutes else None
    unknown = np.full(size, np.nan)
    return History(
        at=at,
        utc_offset=record.utc_offset,
        net=binner.mean(net),
        cooling=binner.mean(np.where(censored, np.nan, cooling)),
        rest=binner.mean(demand - cooling),
        loads={
            x.name: binner.mean(_own(x.charge * 60.0, censored))
            for x in estimates.loads
        },
        sun=binner.mean(sun, 0.2),
        clear=clear_of_rig(ends, rig, record.utc_offset),
        engine=binner.mean(engine, 0.2),
        drive=np.nan_to_num(binner.mean(drive, 0.0)),
        temp_air=binner.mean(air if air is not None else unknown, 0.1),
        temp_inside=binner.mean(_inside(record, rig), 0.1),
        soc=binner.mean(battery.soc_live, 0.0),
        cut=np.nan_to_num(binner.mean(_cut_off(record, rig, censored), 0.0)),
        has_sun=any(s.kind == "solar" for s in rig.sources),
        apart=apart,
    )


def _engine_runs(record: TripRecord, rig: Rig, engine: FloatArray) -> FloatArray:
    """Mark minutes in which the engine ran, by all that shows it. [1]"""
    runs = np.nan_to_num(engine) > CURRENT_DELIVERING
    if "state_engine" in record.minutes:
        return np.nan_to_num(record.minutes["state_engine"].mean)
    if "voltage_start_v" in record.minutes and rig.alternator != "variable":
        high = np.nan_to_num(record.minutes["voltage_start_v"].mean) > VOLTAGE_ENGINE
        if high.mean() < SHARE_ENGINE_MOST:
            runs |= high
    return runs.astype(float)


def _cut_off(record: TripRecord, rig: Rig, censored: BoolArray) -> FloatArray:
    """Mark minutes in which demand could not show because volts were low. [1]"""
    volts = record.minutes["voltage_house_v"].mean
    low = np.nan_to_num(volts, nan=99.0) < rig.house.voltage_cutoff + VOLTAGE_NEAR_CUT
    near = np.convolve(low, np.ones(MINUTES_NEAR_CUT), mode="full")[: len(low)] > 0
    return (censored & near).astype(float)


def _own(current: FloatArray, censored: BoolArray) -> FloatArray:
    return np.where(censored, np.nan, current)
