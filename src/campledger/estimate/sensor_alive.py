"""Sensors that stand still, fall silent, lie with a default word, or clip."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.inputs import run_lengths
from campledger.estimate.sensor_findings import SensorFinding
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import BoolArray, FloatArray, Series, TripRecord

STUCK_SAMPLES = 60
"""Job C40."""
STUCK_SECONDS = {"current": 240.0, "voltage": 1800.0, "temp": 4.0 * 3600.0}
STUCK_TIMES = 20.0
"""Against the usual run of equal words, weighted by time. Common practice."""
DEFAULTS = {"temp": (85.0, -127.0, 127.94, -0.06)}
"""Power-up and disconnect words of one-wire temperature chips: job C40."""
DEFAULT_RUN = 5
SILENT_SECONDS = 600.0
SHUNT_FULL_SCALE = 0.08192
"""V: job C41, common 16-bit shunt monitor."""
CLIP_RUN = 2
CLIP_NEAR = 2e-4
CLIP_LEAST = 20.0


def stuck_runs(series: Series, quantity: str) -> list[tuple[int, int]]:
    """
    Give the runs of one word that are too long to be alive.

    Parameters
    ----------
    series : Series
        One channel.
    quantity : str
        current, voltage or temp.

    Returns
    -------
    runs : list of (int, int)
        First index and index after the last.

    References
    ----------
    .. [1] Job C40; run length of equal words. Common practice, no source.
    """
    starts, ends, seconds = run_lengths(series)
    if not len(starts):
        return []
    number = ends - starts
    order = np.argsort(seconds)
    share = np.cumsum(seconds[order])
    usual = (
        seconds[order][np.searchsorted(share, 0.5 * share[-1])] if share[-1] else 0.0
    )
    limit = max(STUCK_SECONDS[quantity], STUCK_TIMES * float(usual))
    bad = (number > STUCK_SAMPLES) & (seconds > limit) & (series.value[starts] != 0.0)
    return list(zip(starts[bad].tolist(), ends[bad].tolist(), strict=True))


def _row(
    channel: str, kind: str, verdict: str, value: float, number: int, text: str
) -> SensorFinding:
    return SensorFinding(
        channel=channel,
        kind=kind,
        verdict=verdict,
        sure="measured",
        value=value,
        lo=value,
        hi=value,
        evidence=number,
        text=text,
    )


def _spanned(row: SensorFinding, start: float, end: float) -> SensorFinding:
    return replace(row, start_utc=start, end_utc=end)


def _stuck(name: str, quantity: str, series: Series) -> SensorFinding:
    runs = stuck_runs(series, quantity)
    if not runs:
        text = "no reading stands still for long"
        return _row(name, "stuck", "pass", 0.0, len(series.value), text)
    time = series.time_utc
    lost = float(sum(time[b - 1] - time[a] for a, b in runs))
    a, _b = max(runs, key=lambda r: r[1] - r[0])
    text = f"reads {series.value[a]:g} unchanged for {lost / 3600.0:.1f} h in all"
    row = _row(name, "stuck", "fault", lost, sum(b - a for a, b in runs), text)
    return _spanned(row, float(time[runs[0][0]]), float(time[runs[-1][1] - 1]))


def _default_runs(value: FloatArray, quantity: str) -> list[tuple[int, int]]:
    mark = np.zeros(len(value), dtype=bool)
    for word in DEFAULTS.get(quantity, ()):
        mark |= np.abs(value - word) < 0.005
    return _runs(mark, DEFAULT_RUN)


def _runs(mark: BoolArray, least: int) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate(([False], mark, [False])).astype(int)))
    pairs = zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True)
    return [(a, b) for a, b in pairs if b - a >= least]


def _silent(series: Series, record: TripRecord) -> list[tuple[float, float]]:
    """Times without a good reading while the recorder lived."""
    good = series.time_utc[np.isfinite(series.value)]
    edges = np.concatenate(([record.start_utc], good, [record.end_utc]))
    wide = np.flatnonzero(np.diff(edges) > max(SILENT_SECONDS, 2.0 * series.hole))
    alive = np.unique(
        np.concatenate(
            [
                s.time_utc[:: max(1, len(s.time_utc) // 20000)]
                for s in record.channels.values()
            ]
        )
    )
    found = []
    for k in wide:
        inside = alive[(alive > edges[k]) & (alive < edges[k + 1])]
        if len(inside) > 3:
            found.append((float(inside[0]), float(inside[-1])))
    return [(a, b) for a, b in found if b - a > SILENT_SECONDS]


def _unplugged(
    name: str, quantity: str, series: Series, record: TripRecord
) -> SensorFinding:
    time = series.time_utc
    runs = _default_runs(series.value, quantity)
    spans = [(float(time[a]), float(time[b - 1])) for a, b in runs]
    words = bool(spans)
    spans += _silent(series, record)
    lost = sum(b - a for a, b in spans)
    if not spans:
        text = "answers throughout"
        return _row(name, "unplugged", "pass", 0.0, len(series.value), text)
    how = "a power-up or disconnect word" if words else "nothing"
    text = f"gives {how} for {lost / 3600.0:.1f} h: connector or lead"
    row = _row(name, "unplugged", "fault", lost, len(spans), text)
    return _spanned(row, min(a for a, _ in spans), max(b for _, b in spans))


def _full_scale(name: str, rig: Rig) -> float | None:
    for sensor in rig.sensors:
        if sensor.shunt and any(c == name for _, c in sensor.channels):
            return SHUNT_FULL_SCALE / sensor.shunt
    return None


def _clipped(name: str, series: Series, rig: Rig) -> SensorFinding | None:
    size = np.abs(series.value[np.isfinite(series.value)])
    if not len(size):
        return None
    top = float(size.max())
    known = _full_scale(name, rig)
    at_top = np.abs(series.value) >= top * (1.0 - CLIP_NEAR)
    number = int(at_top.sum())
    runs = len(_runs(at_top, CLIP_RUN))
    if known is not None:
        hit = bool(top >= known * (1.0 - 10.0 * CLIP_NEAR))
    else:
        above = float(np.sum(size > 0.9 * top))
        hit = bool(top >= CLIP_LEAST and runs >= CLIP_RUN and number >= 0.5 * above)
    if not hit:
        return _row(name, "clipped", "pass", 0.0, len(size), f"largest {top:.1f} A")
    text = f"went past the meter's {top:.0f} A: charge of those readings is missing"
    verdict = "fault" if known is not None else "look"
    return _row(name, "clipped", verdict, float(number), number, text)


def check_alive(record: TripRecord, rig: Rig) -> tuple[SensorFinding, ...]:
    """
    Check every channel for standing still, silence, default words and clipping.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        Full scale of its sensors, where described.

    Returns
    -------
    findings : tuple of SensorFinding
        Passes included.

    References
    ----------
    .. [1] Job C40 and C41; common practice, no source.
    """
    found: list[SensorFinding] = []
    for name in sorted(record.channels):
        channel = parse_channel(name)
        if channel is None or channel.quantity not in STUCK_SECONDS:
            continue
        series = record.channels[name]
        if len(series.value) == 0:
            continue
        found.append(_stuck(name, channel.quantity, series))
        found.append(_unplugged(name, channel.quantity, series, record))
        if channel.quantity == "current" and not channel.qualifier:
            clipped = _clipped(name, series, rig)
            if clipped is not None:
                found.append(clipped)
    return tuple(found)
