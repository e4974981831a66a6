"""
Sensor truth from the record alone: sign, scale, zero, stuck, unplugged, clipped.

A finding may offer a correction; nothing here changes a reading.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.estimate.sensor_alive import check_alive
from campledger.estimate.sensor_findings import SensorFinding
from campledger.estimate.sensor_ledger import check_round_shunt, check_zero
from campledger.estimate.sensor_scale import check_scale, check_signs
from campledger.estimate.sensor_volts import check_volts

if TYPE_CHECKING:
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

__all__ = ["SensorFinding", "check_sensors"]


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
    signs = check_signs(record, rig)
    return (
        *signs,
        *check_scale(record, rig),
        *check_zero(record, rig),
        *check_round_shunt(record, rig),
        *check_alive(record, rig),
        *check_volts(record),
    )
