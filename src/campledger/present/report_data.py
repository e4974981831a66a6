"""
What a report is made of: a statement, estimates, and arrays thinned for drawing.

Channels are asked for one at a time and dropped again, so that a month of seconds does
not stand in memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from campledger.estimate.fridge import set_point
from campledger.judge.campday import camp_days
from campledger.model.series import MINUTE
from campledger.present.decimate import Trace, decimate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from campledger.judge.enough_types import Enough
    from campledger.judge.statement_types import Statement
    from campledger.model.estimates import SourceUse, TripEstimates
    from campledger.model.plan import FrozenPlan, Plan
    from campledger.model.rig import Rig
    from campledger.model.series import (
        BoolArray,
        Boot,
        FloatArray,
        Series,
        TripRecord,
    )
    from campledger.present.report_html import Section

Reduction: TypeAlias = "Callable[[FloatArray], np.floating]"

COLUMNS = 700
"""Columns of a detail chart: about the pixels of its printed width."""
GAP_LEAST = 300.0
"""Shorter holes are not worth a line. [s]"""
HOUR = 3600.0
DELIVERING = 1.0
"""Mean current above which an engine charger is taken to run. [A] Common practice."""


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A stretch of time with what it was."""

    start_utc: float
    end_utc: float
    kind: str = ""

    @property
    def duration(self) -> float:
        """Length. [s]"""
        return self.end_utc - self.start_utc


@dataclass(frozen=True, kw_only=True)
class Gap(Stretch):
    """A hole in the record with the volts on both sides, NaN where not known."""

    volts_before: float
    volts_after: float


@dataclass(frozen=True, kw_only=True)
class FridgePoints:
    """
    What a cooling load used on each camp day, beside the air.

    ``day`` indexes the statement's days. ``inside`` Cel is the mean that turns the
    fitted difference back into air temperature.
    """

    name: str
    day: tuple[int, ...]
    temp_air: FloatArray
    charge: FloatArray
    inside: float


@dataclass(frozen=True, kw_only=True)
class DayRange:
    """Least, mean and most of a channel on each camp day; NaN where nothing is."""

    name: str
    low: FloatArray
    mean: FloatArray
    high: FloatArray


@dataclass(frozen=True, kw_only=True)
class ReportData:
    """
    Everything a report shows.

    ``clock_hours`` (24,) means by hour of the rig's clock, W, for each load.
    ``on_hours`` (days,) hours on of each load. ``possible`` (days,) W.h a source could
    have given, NaN where unknown. ``sections`` are finished parts of other makers
    (installer, owner) in the order in which they stand.
    """

    statement: Statement
    rig: Rig
    estimates: TripEstimates
    plan: Plan | None
    revisions: tuple[FrozenPlan, ...]
    boots: tuple[Boot, ...]
    soc: Trace
    soc_lo: Trace
    soc_hi: Trace
    details: tuple[Trace, ...]
    ranges: Mapping[str, DayRange]
    nights: tuple[Stretch, ...]
    drives: tuple[Stretch, ...]
    gaps: tuple[Gap, ...]
    censored: tuple[Stretch, ...]
    fridges: tuple[FridgePoints, ...]
    clock_hours: Mapping[str, FloatArray]
    on_hours: Mapping[str, FloatArray]
    possible: Mapping[str, FloatArray]
    notes: tuple[tuple[float, str], ...]
    channels: frozenset[str]
    counters: Mapping[str, Mapping[str, int]]
    enough: Enough | None = None
    sections: tuple[Section, ...] = field(default=())

    @property
    def offset(self) -> float:
        """Rig time minus UTC. [s]"""
        return self.statement.utc_offset


def stretches(
    flag: BoolArray, minute_utc: FloatArray, *, least: float = 0.0, kind: str = ""
) -> tuple[Stretch, ...]:
    """
    Turn flagged minutes into stretches.

    Parameters
    ----------
    flag : (m,) bool
        Minutes to gather.
    minute_utc : (m,) float64
        Ends of the minutes. [s]
    least : float, optional
        Shorter stretches are left out. [s]
    kind : str, optional
        Written into each.

    Returns
    -------
    found : tuple of Stretch
        In order.
    """
    edge = np.diff(np.concatenate(([False], flag, [False])).astype(np.int8))
    first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    return tuple(
        Stretch(
            start_utc=float(minute_utc[a]) - MINUTE,
            end_utc=float(minute_utc[b]),
            kind=kind,
        )
        for a, b in zip(first, last, strict=True)
        if (b - a + 1) * MINUTE >= least
    )


def _night_stretches(record: TripRecord, rig: Rig, plan: Plan | None) -> list[Stretch]:
    """Sunset to dawn; none where no position is known."""
    days = camp_days(record.start_utc, record.end_utc, rig, plan, record.utc_offset)
    found = []
    for day in days:
        a = max(day.sunset, record.start_utc)
        b = min(day.next_dawn, record.end_utc)
        if np.isfinite(a) and b > a:
            found.append(Stretch(start_utc=a, end_utc=b, kind="night"))
    if days and np.isfinite(days[0].sunset) and days[0].dawn > record.start_utc:
        found.insert(0, Stretch(start_utc=record.start_utc, end_utc=days[0].dawn))
    return found


def _drive_minutes(record: TripRecord, estimates: TripEstimates) -> BoolArray:
    """Minutes in which the engine ran, as far as anything tells."""
    flag = np.zeros(len(record.minute_utc), dtype=bool)
    if "state_engine" in record.channels:
        return flag | (np.nan_to_num(record.minutes["state_engine"].mean) > 0.5)
    if "speed_vehicle_mps" in record.channels:
        return flag | (np.nan_to_num(record.minutes["speed_vehicle_mps"].mean) > 1.0)
    for source in estimates.sources:
        if source.kind in {"dcdc", "isolator"}:
            flag |= np.nan_to_num(source.charge) * HOUR / MINUTE > DELIVERING
    return flag


def _gaps(record: TripRecord) -> tuple[Gap, ...]:
    """Holes of the house battery's volts, with the volts on both sides."""
    series = record.channels.get("voltage_house_v")
    if series is None:
        return ()
    good = np.isfinite(series.value)
    time, volts = series.time_utc[good], series.value[good]
    step = np.diff(time)
    at = np.flatnonzero((step > series.hole) & (step >= GAP_LEAST))
    found = [
        Gap(
            start_utc=float(time[i]),
            end_utc=float(time[i + 1]),
            kind="gap",
            volts_before=float(volts[i]),
            volts_after=float(volts[i + 1]),
        )
        for i in at
    ]
    return tuple(found)


def _thin(name: str, series: Series, record: TripRecord) -> Trace:
    time, value = decimate(
        series.time_utc,
        series.value,
        start=record.start_utc,
        end=record.end_utc,
        columns=COLUMNS,
        hole=series.hole,
    )
    return Trace(name=name, time_utc=time, value=value)


def _thin_minutes(name: str, value: FloatArray, record: TripRecord) -> Trace:
    time, kept = decimate(
        record.minute_utc,
        value,
        start=record.minute_utc[0],
        end=record.minute_utc[-1],
        columns=COLUMNS,
        hole=1.5 * MINUTE,
    )
    return Trace(name=name, time_utc=time, value=kept)


def _band(estimates: TripEstimates, record: TripRecord) -> tuple[Trace, Trace]:
    """Thin both edges of the band at the same times: least of lo, most of hi."""
    battery = estimates.battery
    lo, hi = battery.soc_lo, battery.soc_hi
    m = len(lo)
    width = max(1, m // (COLUMNS // 2))
    cuts = np.arange(0, m, width)
    time = record.minute_utc[np.minimum(cuts + width // 2, m - 1)]
    broken = np.add.reduceat(np.isnan(lo) | np.isnan(hi), cuts) > width // 2
    low = np.fmin.reduceat(lo, cuts)
    high = np.fmax.reduceat(hi, cuts)
    low, high = np.where(broken, np.nan, low), np.where(broken, np.nan, high)
    return (
        Trace(name="soc_lo", time_utc=time, value=low),
        Trace(name="soc_hi", time_utc=time, value=high),
    )


DETAILS = (
    "voltage_house_v",
    "current_house_a",
)


def _day_slices(statement: Statement, minute_utc: FloatArray) -> list[slice]:
    return [
        slice(
            int(np.searchsorted(minute_utc, day.dawn_utc, side="right")),
            int(np.searchsorted(minute_utc, day.end_utc, side="right")),
        )
        for day in statement.days
    ]


def _each(value: FloatArray, slices: list[slice], how: Reduction) -> FloatArray:
    """Reduce the known minutes of each day; NaN for a day without any."""
    out = np.full(len(slices), np.nan)
    for i, cut in enumerate(slices):
        part = value[cut]
        part = part[np.isfinite(part)]
        if len(part):
            out[i] = how(part)
    return out


def _range(name: str, record: TripRecord, slices: list[slice]) -> DayRange:
    minutes = record.minutes[name]
    return DayRange(
        name=name,
        low=_each(minutes.low, slices, np.min),
        mean=_each(minutes.mean, slices, np.mean),
        high=_each(minutes.high, slices, np.max),
    )


def _sums(value: FloatArray, slices: list[slice]) -> FloatArray:
    """Sum by day; NaN for a day in which nothing is known."""
    out = np.full(len(slices), np.nan)
    for i, cut in enumerate(slices):
        part = value[cut]
        if np.isfinite(part).any():
            out[i] = float(np.nansum(part))
    return out


def _clock_means(value: FloatArray, hour: FloatArray) -> FloatArray:
    good = np.isfinite(value)
    total = np.bincount(hour[good], weights=value[good], minlength=24)
    count = np.bincount(hour[good], minlength=24)
    out = np.full(24, np.nan)
    out[count > 0] = total[count > 0] / count[count > 0]
    return out


def _fridge_points(
    statement: Statement,
    record: TripRecord,
    estimates: TripEstimates,
    rig: Rig,
    slices: list[slice],
) -> tuple[FridgePoints, ...]:
    found = []
    for model in estimates.fridges:
        use, load = estimates.load(model.name), rig.load(model.name)
        channel = f"temp_{model.name}_c"
        if use is None:
            continue
        inside = float("nan")
        if model.inside_measured and channel in record.channels:
            values = record.minutes[channel].mean
            inside = float(np.nanmean(values)) if np.isfinite(values).any() else inside
        if not np.isfinite(inside) and load is not None:
            inside = set_point(load)
        good = [
            i
            for i, (day, cut) in enumerate(zip(statement.days, slices, strict=True))
            if day.whole
            and day.temp_air_mean is not None
            and day.censored <= 3 * HOUR
            and np.isfinite(use.charge[cut]).mean() > 0.9
        ]
        charge = _sums(use.charge, slices)
        air = [statement.days[i].temp_air_mean for i in good]
        found.append(
            FridgePoints(
                name=model.name,
                day=tuple(good),
                temp_air=np.array([a for a in air if a is not None], dtype=float),
                charge=charge[good],
                inside=inside,
            )
        )
    return tuple(found)


def _possible(
    sources: tuple[SourceUse, ...], slices: list[slice]
) -> Mapping[str, FloatArray]:
    return {
        s.name: _sums(s.possible, slices) * MINUTE / HOUR
        for s in sources
        if np.isfinite(s.possible).any()
    }


def build_report_data(
    statement: Statement,
    record: TripRecord,
    estimates: TripEstimates,
    rig: Rig,
    *,
    plan: Plan | None = None,
    revisions: tuple[FrozenPlan, ...] = (),
    enough: Enough | None = None,
    sections: tuple[Section, ...] = (),
) -> ReportData:
    """
    Gather and thin what a report shows.

    Parameters
    ----------
    statement : Statement
        The account.
    record : TripRecord
        Channels are loaded one at a time.
    estimates : TripEstimates
        On the record's minute grid.
    rig : Rig
        The vehicle.
    plan : Plan, optional
        The one that the statement compares with.
    revisions : tuple of FrozenPlan, optional
        Later freezes, named beside it.
    enough : Enough, optional
        The answer at the end of the record.
    sections : tuple of Section, optional
        Finished parts for installer and owner.

    Returns
    -------
    data : ReportData
        Ready to be written.
    """
    grid = record.minute_utc
    slices = _day_slices(statement, grid)
    names = [n for n in DETAILS if n in record.channels]
    gaps = _gaps(record)
    details = tuple(_thin(n, record.channels[n], record) for n in names)
    hour = (np.floor((grid - MINUTE / 2 + record.utc_offset) / HOUR) % 24).astype(int)
    lo, hi = _band(estimates, record)
    return ReportData(
        statement=statement,
        rig=rig,
        estimates=estimates,
        plan=plan,
        revisions=revisions,
        boots=record.boots,
        soc=_thin_minutes("soc", estimates.battery.soc, record),
        soc_lo=lo,
        soc_hi=hi,
        details=details,
        ranges={n: _range(n, record, slices) for n in names},
        nights=tuple(_night_stretches(record, rig, plan)),
        drives=stretches(
            _drive_minutes(record, estimates), grid, least=2 * MINUTE, kind="drive"
        ),
        gaps=gaps,
        censored=stretches(estimates.censored, grid, least=GAP_LEAST, kind="censored"),
        fridges=_fridge_points(statement, record, estimates, rig, slices),
        clock_hours={x.name: _clock_means(x.power, hour) for x in estimates.loads},
        on_hours={x.name: _sums(x.on_share, slices) / 60.0 for x in estimates.loads},
        possible=_possible(estimates.sources, slices),
        notes=record.notes,
        channels=frozenset(record.channels),
        counters=record.counters,
        enough=enough,
        sections=sections,
    )
