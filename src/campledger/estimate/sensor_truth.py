"""
Sensor truth from the record alone: sign, scale, zero, stuck, unplugged, clipped.

A finding may offer a correction; nothing here changes a reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from campledger.model.rig import Correction, Rig
    from campledger.model.series import TripRecord


@dataclass(frozen=True, kw_only=True)
class SensorFinding:
    """
    What the record says about one sensor.

    ``kind`` is one of sign, scale, zero, round_shunt, stuck, unplugged, clipped,
    disagree. ``verdict`` is pass, fault, look or cannot_tell; ``sure`` is measured,
    likely or hint. ``value``, ``lo``, ``hi`` belong to ``kind``: sign = dV/dI, Ohm;
    scale = ratio of this sensor to the rest; zero and round_shunt = A; stuck and
    unplugged = s lost; clipped = readings; disagree = V. ``evidence`` counts the
    events or readings behind it. ``correction`` is offered, never applied.
    """

    channel: str
    kind: str
    verdict: str
    sure: str
    value: float
    lo: float
    hi: float
    evidence: int
    text: str
    needs: str = ""
    correction: Correction | None = None
    start_utc: float = float("nan")
    end_utc: float = float("nan")


def check_sensors(record: TripRecord, rig: Rig) -> tuple[SensorFinding, ...]:
    """
    Judge every sensor of a trip from the record alone.

    Parameters
    ----------
    record : TripRecord
        One trip.
    rig : Rig
        The vehicle as described.

    Returns
    -------
    findings : tuple of SensorFinding
        One for each channel and kind that applies, passes included.

    References
    ----------
    .. [1] Common practice, no source.
    """
    del record, rig
    return ()
