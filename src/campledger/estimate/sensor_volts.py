"""Voltmeters that disagree when no current flows between them."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sensor_findings import SensorFinding
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from campledger.model.series import BoolArray, FloatArray, TripRecord

REST_CURRENT = 0.1
"""A: job C43."""
REST_MINUTES = 10
"""Job C43."""
APART = 0.05
"""V: job C43."""
EVIDENCE_LEAST = 10


def _eroded(mark: BoolArray, width: int) -> BoolArray:
    """Keep only what has been true for so many minutes."""
    total = np.concatenate(([0], np.cumsum(mark)))
    out = np.zeros(len(mark), dtype=bool)
    if len(mark) >= width:
        out[width - 1 :] = total[width:] - total[:-width] == width
    return out


def _places(record: TripRecord) -> dict[str, FloatArray]:
    """Voltages that belong to the house side, on the minute grid."""
    found = {}
    for name in record.channels:
        channel = parse_channel(name)
        if channel is None or channel.quantity != "voltage" or channel.qualifier:
            continue
        if channel.place != "start":
            found[name] = record.minutes[name].mean
    return found


def check_volts(record: TripRecord) -> tuple[SensorFinding, ...]:
    """
    Compare voltmeters while no measured circuit carries current.

    Parameters
    ----------
    record : TripRecord
        One trip.

    Returns
    -------
    findings : tuple of SensorFinding
        One for each voltmeter against the house's; a correction only follows a typed
        reading.

    References
    ----------
    .. [1] Job C43; common practice, no source.
    """
    places = _places(record)
    pairs = [p for p in combinations(sorted(places), 2) if "voltage_house_v" in p]
    calm = np.ones(len(record.minute_utc), dtype=bool)
    seen = False
    for name in record.channels:
        channel = parse_channel(name)
        if channel is None or channel.quantity != "current" or channel.qualifier:
            continue
        with np.errstate(invalid="ignore"):
            calm &= np.abs(record.minutes[name].mean) < REST_CURRENT
        seen = True
    rest = _eroded(calm, REST_MINUTES) if seen else np.zeros(len(calm), dtype=bool)
    found = []
    for pair in pairs:
        other = pair[0] if pair[1] == "voltage_house_v" else pair[1]
        gap = (places[other] - places["voltage_house_v"])[rest]
        gap = gap[np.isfinite(gap)]
        found.append(_judged(other, gap))
    return tuple(found)


def _judged(channel: str, gap: FloatArray) -> SensorFinding:
    if len(gap) < EVIDENCE_LEAST:
        nan = float("nan")
        return SensorFinding(
            channel=channel,
            kind="disagree",
            verdict="cannot_tell",
            sure="hint",
            value=nan,
            lo=nan,
            hi=nan,
            evidence=len(gap),
            text="never 10 min with no current",
            needs="ten minutes with everything off",
        )
    middle = float(np.median(gap))
    lo, hi = np.quantile(gap, [0.05, 0.95])
    bad = abs(middle) > APART
    word = "low" if middle < 0 else "high"
    text = (
        f"reads {abs(middle):.2f} V {word} at rest against the house voltmeter"
        if bad
        else f"within {abs(middle) * 1e3:.0f} mV of the house voltmeter at rest"
    )
    return SensorFinding(
        channel=channel,
        kind="disagree",
        verdict="fault" if bad else "pass",
        sure="measured",
        value=middle,
        lo=float(lo),
        hi=float(hi),
        evidence=len(gap),
        text=text,
        needs="one meter on both" if bad else "",
    )
