"""What must be acted on at once: cold lithium, high volts, a drained start battery."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.enough_types import Urgent

if TYPE_CHECKING:
    from campledger.judge.enough_types import CarAnswer
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

RECENT = 10
"""Minutes that count as now. Common practice, no source."""
CHARGING = 1.0
"""A current above this is charging. Common practice, no source. [A]"""


def _recent(record: TripRecord, name: str, at: float) -> FloatArray:
    if name not in record.minutes:
        return np.zeros(0)
    fresh = record.minute_utc > at - RECENT * 60.0 - 60.0
    part = record.minutes[name].mean[fresh]
    return part[np.isfinite(part)]


def find_urgent(
    record: TripRecord, rig: Rig, car: CarAnswer, at: float
) -> tuple[Urgent, ...]:
    """
    Look for things that cannot wait.

    Parameters
    ----------
    record : TripRecord
        Readings up to ``at``.
    rig : Rig
        The battery's limits.
    car : CarAnswer
        What was found at the start battery.
    at : float
        Now. [s]

    Returns
    -------
    urgent : tuple of Urgent
        Each text begins with the word Act.
    """
    house = rig.house
    out = []
    volts = _recent(record, "voltage_house_v", at)
    current = _recent(record, "current_house_a", at)
    temp = _recent(record, "temp_house_c", at)
    cold = temp.size > 0 and float(np.median(temp)) < house.temp_charge_min
    charged = current.size > 0 and float(np.median(current)) > CHARGING
    if not house.is_lead and cold and charged:
        out.append(
            Urgent(
                code="lithium_cold",
                text=(
                    f"Act: the lithium battery is being charged at "
                    f"{float(np.median(temp)):.0f} degC. Stop the charge until it is "
                    f"above {house.temp_charge_min:.0f} degC."
                ),
            )
        )
    if volts.size and float(np.median(volts)) > house.voltage_charge_high:
        out.append(
            Urgent(
                code="over_voltage",
                text=(
                    f"Act: {float(np.median(volts)):.1f} V at the house battery, never "
                    f"above {house.voltage_charge_high:.1f}. Switch the charger off."
                ),
            )
        )
    drain = start_drain(car)
    return tuple(out) if drain is None else (*out, drain)


def start_drain(car: CarAnswer) -> Urgent | None:
    """
    Tell whether the start battery is being drained.

    Parameters
    ----------
    car : CarAnswer
        What was found at the start battery.

    Returns
    -------
    urgent : Urgent or None
        Its text begins with the word Act.
    """
    if car.verdict != "not_safe" or not (car.joined or car.falling < 0):
        return None
    text = car.reason[:1].upper() + car.reason[1:]
    return Urgent(code="start_drain", text=f"Act: {text}.")
